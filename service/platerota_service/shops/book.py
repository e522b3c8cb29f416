"""The shops that are stored: each with its tables as JSON, a version that counts every change, and the plan it works by.

Every method blocks, and asks for one tenant's shops alone.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from hashlib import sha256
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from platerota_service.cursors import newest_first
from platerota_service.engine import Guard
from platerota_service.shops.tables import Document
from platerota_service.store import ShopRow, Store, now_ms, plan_rows
from platerota_service.webhooks.outbox import Outbox

LONGEST_ID: Final = 64


class ShopBook:
    """The shops of `tenant` in `store`."""

    def __init__(self, store: Store, tenant: str) -> None:
        self._store = store
        self._tenant = tenant

    def find(self, shop_id: str) -> ShopRow | None:
        """The shop of that id, or None."""
        if len(shop_id) > LONGEST_ID or "\0" in shop_id:  # which PostgreSQL refuses to look for
            return None
        with self._store.reading() as session:
            return session.get(ShopRow, (self._tenant, shop_id))

    def page(self, cursor: str | None, limit: int) -> Sequence[ShopRow]:
        """Shops, the newest first, from `cursor` on; one more than `limit` where there is a next page."""
        query = sa.select(ShopRow).where(ShopRow.tenant == self._tenant)
        with self._store.reading() as session:
            return session.scalars(newest_first(query, ShopRow.created_ms, ShopRow.id, cursor, limit)).all()

    def add(self, shop_id: str, document: Document) -> ShopRow | None:
        """Store a new shop; None where there is one of that id by now."""
        text, now = written(document), now_ms()
        row = ShopRow(
            tenant=self._tenant, id=shop_id, version=1, digest=digest(text), released_plan_id=None, released_ms=None, created_ms=now,
            updated_ms=now, tables=text,
        )
        try:
            with self._store.writing() as session:
                session.add(row)
        except IntegrityError:
            return None
        return row

    def replace(self, old: ShopRow, document: Document) -> ShopRow | None:
        """Store the next version of the shop `old`, which becomes that version; None where it was changed or deleted meanwhile."""
        text = written(document)
        if digest(text) == old.digest:
            return old
        values: dict[str, Any] = {"version": old.version + 1, "digest": digest(text), "updated_ms": now_ms(), "tables": text}
        with self._store.writing() as session:
            changed = session.execute(sa.update(ShopRow).where(*self._is(old)).values(**values).returning(ShopRow.id)).first()
        if changed is None:
            return None
        for name, value in values.items():
            setattr(old, name, value)
        return old

    def delete(self, old: ShopRow) -> bool:
        """Forget the shop `old`, not its plans; False where it was changed or deleted meanwhile."""
        with self._store.writing() as session:
            gone = session.execute(sa.delete(ShopRow).where(*self._is(old)).returning(ShopRow.released_plan_id)).first()
            released: str | None = gone[0] if gone is not None else None
            if released is not None:
                plan_rows.count_change(session, self._tenant, [released])
        return gone is not None

    def release(self, shop_id: str, plan_id: str, outbox: Outbox, guard: Guard | None = None) -> bool:
        """Make a plan the one that the shop works by, unless `guard` refuses, and tell whoever wants to know; False where there is no
        such shop.
        """
        with self._store.writing() as session:
            if not self._may_change(session, plan_id, guard, ShopRow.id == shop_id):
                return False
            released = self._release(session, plan_id, ShopRow.id == shop_id)
            if released:
                outbox.announce(session, "plan.released", plan_id)
        return released

    def take_back(self, shop_id: str, plan_id: str, guard: Guard | None = None) -> bool:
        """Let the shop work by no plan, unless `guard` refuses; False where it does not work by that one."""
        which = (ShopRow.id == shop_id, ShopRow.released_plan_id == plan_id)
        with self._store.writing() as session:
            return self._may_change(session, plan_id, guard, *which) and self._release(session, None, *which)

    def _may_change(self, session: Session, plan_id: str, guard: Guard | None, *which: sa.ColumnElement[bool]) -> bool:
        """Let a guard look at the plan and its shop, which nobody else changes from then on; False where there is no such shop."""
        if guard is None:
            return True
        # The shop first, as a release takes them: two calls that take them in another order would wait for each other.
        held = sa.update(ShopRow).where(ShopRow.tenant == self._tenant, *which).values(version=ShopRow.version).returning(ShopRow.id)
        if session.execute(held).first() is None:
            return False
        plan_rows.hold(session, plan_id, self._tenant)
        guard(session)
        return True

    def _release(self, session: Session, plan_id: str | None, *which: sa.ColumnElement[bool]) -> bool:
        mine = (ShopRow.tenant == self._tenant, *which)
        before = session.scalar(sa.select(ShopRow.released_plan_id).where(*mine).with_for_update())
        values = {"released_plan_id": plan_id, "released_ms": now_ms() if plan_id is not None else None}
        changed = session.execute(sa.update(ShopRow).where(*mine).values(**values).returning(ShopRow.id)).first()
        if changed is not None:
            plan_rows.count_change(session, self._tenant, {one for one in (before, plan_id) if one is not None})
        return changed is not None

    def _is(self, old: ShopRow) -> tuple[sa.ColumnElement[bool], ...]:
        return ShopRow.tenant == self._tenant, ShopRow.id == old.id, ShopRow.version == old.version, ShopRow.digest == old.digest


def tag(row: ShopRow) -> str:
    """The shop's ETag."""
    return f'"{row.version}-{row.digest[:16]}"'


def tables(row: ShopRow) -> dict[str, Any]:
    """The shop's tables."""
    document: dict[str, Any] = json.loads(row.tables)
    return document


def written(value: Any) -> str:
    """JSON as it is stored and answered."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def digest(text: str) -> str:
    """SHA-256 of a text, 64 hexadecimal digits."""
    return sha256(text.encode()).hexdigest()
