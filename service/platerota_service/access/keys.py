"""The keys that are stored: made, listed, revoked by command, and looked up at each call. Every method blocks."""

from __future__ import annotations

import json
import time
from typing import Final, Literal, get_args

import sqlalchemy as sa

from platerota_service.access.tokens import PREFIX, Token
from platerota_service.store import KeyRow, Store, now_ms

Scope = Literal["read", "plan", "shop", "admin", "watch"]
SCOPES: Final[dict[Scope, str]] = {
    "read": "see plans and shops",
    "plan": "make, stop, delete and release plans",
    "shop": "store, change and delete shops",
    "admin": "set up webhooks",
    "watch": "see the metrics of the whole service, all tenants together",
}
"""What a key may be allowed to do."""
ALL_SCOPES: Final[frozenset[Scope]] = frozenset(get_args(Scope))
USUAL_SCOPES: Final[tuple[Scope, ...]] = ("read", "plan", "shop")

_USE_NOTED_MS: Final = 600_000
"""A key's last use is written down again after ten minutes: a write for each call would cost more than it tells."""


_LOOK_SECONDS: Final = 1.0
"""Where there was no key, it is looked again after a second: whoever reads plans all day asks the database for nothing else."""


class KeyBook:
    """The keys in `store`."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._any = False
        self._looked = float("-inf")

    def create(self, tenant: str, name: str = "", scopes: tuple[Scope, ...] = USUAL_SCOPES, expires_ms: int | None = None) -> Token:
        """Make a key; the token answered is the only place where it can be read.

        Parameters
        ----------
        tenant
            Whose key it is; keys of one tenant see the same plans and shops, and several may live at a time, to change one for another.
        expires_ms
            When it ends, milliseconds since 1970-01-01 UTC; None: when it is revoked.
        """
        token = Token.new()
        with self._store.writing() as session:
            session.add(KeyRow(
                id=token.key_id, tenant=tenant, name=name, prefix=f"{PREFIX}_{token.key_id}", hash=token.hash,
                scopes=json.dumps(list(dict.fromkeys(scopes))), created_ms=now_ms(), expires_ms=expires_ms, revoked_ms=None, used_ms=None,
            ))
        return token

    def all(self) -> list[KeyRow]:
        """Every key, revoked and expired ones included, the oldest first."""
        with self._store.reading() as session:
            return list(session.scalars(sa.select(KeyRow).order_by(KeyRow.tenant, KeyRow.created_ms, KeyRow.id)))

    def revoke(self, key_id: str) -> bool:
        """End a key at once; whether there is one of that id. One that is revoked already stays as it was."""
        with self._store.writing() as session:
            row = session.get(KeyRow, key_id)
            if row is not None and row.revoked_ms is None:
                row.revoked_ms = now_ms()
            return row is not None

    def any(self) -> bool:
        """Whether there ever was a key: from then on (a second at most) everybody needs one, even where all are revoked."""
        if not self._any and time.monotonic() - self._looked > _LOOK_SECONDS:
            with self._store.reading() as session:
                self._any = session.scalar(sa.select(KeyRow.id).limit(1)) is not None
            self._looked = time.monotonic()
        return self._any

    def any_live(self) -> bool:
        """Whether there is a key that somebody can use."""
        return any(live(row, now_ms()) for row in self.all())

    def find(self, token: Token) -> KeyRow | None:
        """The live key that `token` is, with its use noted; None where it is none."""
        row = self.by_id(token.key_id)
        if row is None or not token.fits(row.hash):
            return None
        now = now_ms()
        if row.used_ms is None or now - row.used_ms > _USE_NOTED_MS:
            with self._store.writing() as session:
                session.execute(sa.update(KeyRow).where(KeyRow.id == row.id).values(used_ms=now))
        return row

    def by_id(self, key_id: str) -> KeyRow | None:
        """The live key of that id, or None."""
        with self._store.reading() as session:
            row = session.get(KeyRow, key_id)
        return row if row is not None and live(row, now_ms()) else None


def live(row: KeyRow, now: int) -> bool:
    """Whether a key can be used at `now` (milliseconds since 1970-01-01 UTC)."""
    return row.revoked_ms is None and (row.expires_ms is None or now < row.expires_ms)


def scopes_of(row: KeyRow) -> frozenset[Scope]:
    """What a key may do; a scope that this version does not know allows nothing."""
    return ALL_SCOPES & set(json.loads(row.scopes))
