"""Idempotency-Key: a call that is sent again because its answer was lost has its effect once: no second plan, question or webhook.

After the draft standard (https://datatracker.ietf.org/doc/draft-ietf-httpapi-idempotency-key-header/): a key is kept for 24 hours.
The same key with another body is refused, one whose first call is still being answered too, and else the first answer is given
again: its status, its Location, and its plan as it stands now.

Equal bodies without a key are never solved as one: whoever stops, deletes or releases a plan must not do so to somebody else's.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import Header, Request
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from platerota_service.kinds import BAD_HEADER, KEY_REUSED
from platerota_service.problems import ProblemError
from platerota_service.store import IdempotencyRow, Store, now_ms

_KEPT_MS: Final = 24 * 3_600_000

IdempotencyKey = Annotated[str | None, Header(
    description="A text of your own, new for each new request, such as a UUID; a call that is sent again then makes nothing a second time.",
    examples=['"0f4a3f6e-5c55-4a39-8a46-6f8c1d0a8a0e"'],
)]


class GivenBefore(Exception):
    """Another call with the same key was faster."""


@dataclass(frozen=True, slots=True)
class Once:
    """A call that shall have its effect once. Every method blocks."""

    store: Store
    tenant: str
    key: str
    operation: str
    body_hash: str

    def earlier(self) -> IdempotencyRow | None:
        """The first call with this key; None where this is the first.

        Raises
        ------
        ProblemError
            422 where that was for another request.
        """
        with self.store.reading() as session:
            row = session.get(IdempotencyRow, (self.tenant, self.key))
        if row is None or row.expires_ms <= now_ms():
            return None
        if (row.operation, row.body_hash) != (self.operation, self.body_hash):
            raise ProblemError(KEY_REUSED, "the same Idempotency-Key came with another request before")
        return row

    def note(
        self, session: Session, status: int | None, *, plan_id: str | None = None, question_id: str | None = None,
        location: str | None = None,
    ) -> None:
        """Keep, beside what this key made and in its transaction, that it did; `status` where the answer is settled.

        What is neither a plan nor a question is known by its `location`.

        Raises
        ------
        GivenBefore
            Where another call with the key was faster; the transaction cannot go on.
        """
        now = now_ms()
        session.execute(sa.delete(IdempotencyRow).where(IdempotencyRow.expires_ms <= now))
        session.add(IdempotencyRow(
            tenant=self.tenant, key=self.key, operation=self.operation, body_hash=self.body_hash, plan_id=plan_id,
            question_id=question_id, status=status, headers=json.dumps({"Location": location}) if location is not None else None,
            body=None, created_ms=now, expires_ms=now + _KEPT_MS,
        ))
        try:
            session.flush()
        except IntegrityError:
            raise GivenBefore from None

    def answered(self, status: int, headers: Mapping[str, str]) -> None:
        """Keep how the call was answered."""
        mine = (IdempotencyRow.tenant == self.tenant, IdempotencyRow.key == self.key)
        with self.store.writing() as session:
            session.execute(sa.update(IdempotencyRow).where(*mine).values(status=status, headers=json.dumps(dict(headers))))


def once_of(call: Request, store: Store, tenant: str, key: str | None, body: bytes) -> Once | None:
    """The call as one that shall have its effect once, where it has a key; quoted or not is the same key.

    Raises
    ------
    ProblemError
        400 for a key that is none.
    """
    if key is None:
        return None
    text = key.strip()
    text = text[1:-1] if len(text) >= 2 and text[0] == text[-1] == '"' else text
    if not 1 <= len(text) <= 255 or not all("!" <= char <= "~" for char in text):
        raise ProblemError(BAD_HEADER, "an Idempotency-Key is 1 to 255 printable ASCII characters without blanks")
    return Once(store, tenant, text, f"{call.method} {call.url.path}"[:255], sha256(body).hexdigest())
