"""The tables of the store.

Instants are whole milliseconds since 1970-01-01 UTC (columns `…_ms`), documents are the contract's JSON as text. Every row
belongs to a tenant, and every query names it: an id of another tenant is one that does not exist.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import BigInteger, Boolean, CheckConstraint, Float, ForeignKey, Index, MetaData, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

LOCAL_TENANT: Final = "local"
"""The tenant of every call where no keys exist."""

_NAMES: Final = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """What every table shares: names of constraints that a migration can refer to, on either database."""

    metadata = MetaData(naming_convention=_NAMES)
    type_annotation_map = {int: BigInteger, bool: Boolean, float: Float(53), str: Text}  # noqa: RUF012 - as SQLAlchemy declares it


_ID: Final = String(64)
_WORD: Final = String(32)


class PlanRow(Base):
    """A plan: what was asked, how far it is, and the best plan so far. The large texts come last, so that lists need not read them."""

    __tablename__ = "plans"
    __table_args__ = (
        CheckConstraint("state IN ('waiting', 'solving', 'ready', 'failed', 'stopped')", name="state"),
        Index(None, "tenant", "created_ms", "id"),
        Index(None, "tenant", "shop_id", "created_ms", "id"),
        Index(None, "tenant", "request_hash", "created_ms"),
        # Not of open plans alone, though these are few: SQLite uses a partial index only where the state is written into the query.
        Index(None, "state", "tenant"),
        Index(None, "ended_ms"),
        Index(None, "parent_id"),
        Index(None, "base_id"),
    )

    id: Mapped[str] = mapped_column(_ID, primary_key=True)
    """The plan's id, and the id of the workflow that makes it."""
    tenant: Mapped[str] = mapped_column(_ID)
    state: Mapped[str] = mapped_column(_WORD)
    """The contract's `status`."""
    revision: Mapped[int] = mapped_column(default=1)
    """Counts every change: its ETag, and the id of its events."""
    rush: Mapped[bool] = mapped_column(default=False)
    """Whether it goes before every plan that is not."""
    priority: Mapped[int]
    """Its place in the queue: the lowest first."""
    stop_asked: Mapped[bool] = mapped_column(default=False)
    """Whether its solve should end with its best plan."""
    attempts: Mapped[int] = mapped_column(default=0)
    """Solves that were begun and not let go in good order."""
    claim: Mapped[int] = mapped_column(default=0)
    """Counts who took the plan to solve it: only the last may write, whatever an earlier one still believes."""
    worker: Mapped[str | None] = mapped_column(_ID)
    """Who took it last."""
    created_ms: Mapped[int]
    updated_ms: Mapped[int]
    started_ms: Mapped[int | None]
    """When its solve began, the last of several."""
    ended_ms: Mapped[int | None]
    shop_id: Mapped[str | None] = mapped_column(_ID)
    """The stored shop it was made from. No foreign key: a plan outlives its shop."""
    shop_version: Mapped[int | None]
    base_id: Mapped[str | None] = mapped_column(_ID, ForeignKey("plans.id", ondelete="SET NULL"))
    """The plan that a what-if varies, or that this one replans."""
    parent_id: Mapped[str | None] = mapped_column(_ID, ForeignKey("questions.id", ondelete="SET NULL"))
    """The question that it was made for; whoever deletes that says which of its plans go with it."""
    request_hash: Mapped[str] = mapped_column(_ID)
    """SHA-256 of the request, in hexadecimal digits."""
    score: Mapped[float | None]
    """Points of the best plan so far; null before the first one."""
    bound: Mapped[float | None]
    """Points that no plan can beat."""
    quality: Mapped[str | None] = mapped_column(_WORD)
    audit: Mapped[str | None] = mapped_column(_WORD)
    """`passed`: the best plan so far passed the audit; `refused`: a later plan of this solve did not."""
    plan_claim: Mapped[int | None]
    """The claim that found the best plan so far."""
    problem: Mapped[str | None]
    """Why it failed, in words for the caller."""
    progress: Mapped[str | None]
    """What the solve reached last, as JSON."""
    findings: Mapped[str | None]
    """What the audit found in the last refused plan, as a JSON list of texts."""
    plan: Mapped[str]
    """The best plan so far as JSON, blank before the first one; its own `id` and `status` do not count."""
    request: Mapped[str]
    """The request as JSON in one line."""
    start: Mapped[str | None]
    """What its solve starts from, as JSON: a copy of the base, which may be deleted meanwhile."""
    notes: Mapped[str | None]
    """Warnings of how its request came about, as a JSON list; every plan it gets has them."""


class QuestionRow(Base):
    """A question about a plan, answered by several plans. The large texts come last."""

    __tablename__ = "questions"
    __table_args__ = (
        CheckConstraint("state IN ('open', 'ready', 'failed', 'stopped')", name="state"),
        Index(None, "tenant", "created_ms", "id"),
        Index(None, "state", "created_ms"),
        Index(None, "ended_ms"),
    )

    id: Mapped[str] = mapped_column(_ID, primary_key=True)
    """The question's id, the id of the workflow that answers it, and how the ids of its plans begin."""
    tenant: Mapped[str] = mapped_column(_ID)
    kind: Mapped[str] = mapped_column(_WORD)
    """What is asked; see `questions/kinds.py`."""
    state: Mapped[str] = mapped_column(_WORD)
    revision: Mapped[int] = mapped_column(default=1)
    """Counts every change of this row."""
    round: Mapped[int] = mapped_column(default=1)
    """Counts the times that plans were asked for."""
    rush: Mapped[bool] = mapped_column(default=False)
    """Whether its plans go before every plan that is not in a rush."""
    stop_asked: Mapped[bool] = mapped_column(default=False)
    """Whether it should be answered from what its plans have found so far."""
    created_ms: Mapped[int]
    updated_ms: Mapped[int]
    ended_ms: Mapped[int | None]
    base_id: Mapped[str] = mapped_column(_ID)
    """The plan that is asked about. No foreign key: the question keeps what it needs of it."""
    problem: Mapped[str | None]
    """Why it failed, in words for the caller."""
    children: Mapped[str]
    """Its plans as a JSON list, in the order in which they were asked for: `{"plan": id, "name": …, "facts": …}`."""
    answer: Mapped[str | None]
    """The answer as JSON, from the plans that have ended so far; null before the first one."""
    asked: Mapped[str]
    """What was asked, as JSON."""
    base_plan: Mapped[str]
    """The base as JSON, with its `id` and `status`."""
    base_request: Mapped[str]
    """The request that the base answers, as JSON."""


class ShopRow(Base):
    """A shop's tables, stored once."""

    __tablename__ = "shops"
    __table_args__ = (Index(None, "tenant", "created_ms", "id"), Index(None, "released_plan_id"))

    tenant: Mapped[str] = mapped_column(_ID, primary_key=True)
    id: Mapped[str] = mapped_column(_ID, primary_key=True)
    version: Mapped[int] = mapped_column(default=1)
    """Counts every change."""
    digest: Mapped[str] = mapped_column(_ID)
    """SHA-256 of the tables, in hexadecimal digits: with the version its ETag, so that a shop deleted and made anew has another one."""
    released_plan_id: Mapped[str | None] = mapped_column(_ID, ForeignKey("plans.id", ondelete="SET NULL"))
    """The plan the shop works by."""
    released_ms: Mapped[int | None]
    created_ms: Mapped[int]
    updated_ms: Mapped[int]
    tables: Mapped[str]
    """The contract's `shop` as JSON."""


class KeyRow(Base):
    """A key of a tenant. The key itself is shown once and not kept."""

    __tablename__ = "keys"
    __table_args__ = (Index(None, "tenant", "created_ms"), Index(None, "prefix", unique=True))

    id: Mapped[str] = mapped_column(_ID, primary_key=True)
    tenant: Mapped[str] = mapped_column(_ID)
    name: Mapped[str] = mapped_column(default="")
    prefix: Mapped[str] = mapped_column(_WORD)
    """Its first letters, by which it is found and named."""
    hash: Mapped[str]
    """A hash of the whole key."""
    scopes: Mapped[str]
    """What it may do, as a JSON list of texts."""
    created_ms: Mapped[int]
    expires_ms: Mapped[int | None]
    revoked_ms: Mapped[int | None]
    used_ms: Mapped[int | None]


class IdempotencyRow(Base):
    """A call with an Idempotency-Key, and its first answer once there is one."""

    __tablename__ = "idempotency_records"
    __table_args__ = (Index(None, "expires_ms"), Index(None, "plan_id"), Index(None, "question_id"))

    tenant: Mapped[str] = mapped_column(_ID, primary_key=True)
    key: Mapped[str] = mapped_column(String(255), primary_key=True)
    operation: Mapped[str] = mapped_column(String(255))
    """Method and path of the call."""
    body_hash: Mapped[str] = mapped_column(_ID)
    """SHA-256 of its body, in hexadecimal digits."""
    plan_id: Mapped[str | None] = mapped_column(_ID, ForeignKey("plans.id", ondelete="SET NULL"))
    """The plan that the call made, stored in the same transaction."""
    question_id: Mapped[str | None] = mapped_column(_ID, ForeignKey("questions.id", ondelete="SET NULL"))
    """The question that the call asked, stored in the same transaction."""
    status: Mapped[int | None]
    """HTTP status of the first answer; null while the call still runs."""
    headers: Mapped[str | None]
    """Headers of the first answer, as a JSON object."""
    body: Mapped[str | None]
    created_ms: Mapped[int]
    expires_ms: Mapped[int]


class WebhookEndpointRow(Base):
    """An address that is told of a tenant's plans and questions."""

    __tablename__ = "webhook_endpoints"
    __table_args__ = (Index(None, "tenant", "created_ms", "id"),)

    id: Mapped[str] = mapped_column(_ID, primary_key=True)
    tenant: Mapped[str] = mapped_column(_ID)
    version: Mapped[int] = mapped_column(default=1)
    """Counts every change."""
    url: Mapped[str]
    secret: Mapped[str]
    """The secret that signs; signing needs it as it is."""
    events: Mapped[str]
    """The events it is told of, as a JSON list of texts."""
    enabled: Mapped[bool] = mapped_column(default=True)
    created_ms: Mapped[int]
    updated_ms: Mapped[int]


class WebhookDeliveryRow(Base):
    """One message to one endpoint, sent until it arrives or its attempts are used up."""

    __tablename__ = "webhook_deliveries"
    __table_args__ = (
        CheckConstraint("state IN ('waiting', 'delivered', 'failed')", name="state"),
        Index(None, "endpoint_id", "created_ms", "id"),
        Index(None, "state", "next_ms"),
        Index(None, "plan_id"),
        Index(None, "question_id"),
    )

    id: Mapped[str] = mapped_column(_ID, primary_key=True)
    """Also the message's `webhook-id`, the same at each attempt."""
    tenant: Mapped[str] = mapped_column(_ID)
    endpoint_id: Mapped[str] = mapped_column(_ID, ForeignKey("webhook_endpoints.id", ondelete="CASCADE"))
    plan_id: Mapped[str | None] = mapped_column(_ID, ForeignKey("plans.id", ondelete="SET NULL"))
    question_id: Mapped[str | None] = mapped_column(_ID, ForeignKey("questions.id", ondelete="SET NULL"))
    event: Mapped[str] = mapped_column(_WORD)
    state: Mapped[str] = mapped_column(_WORD)
    attempts: Mapped[int] = mapped_column(default=0)
    next_ms: Mapped[int | None]
    """When it is sent next; null once it has ended."""
    last_status: Mapped[int | None]
    """HTTP status of the last attempt; null where there was no answer."""
    last_error: Mapped[str | None]
    """Why the last attempt did not arrive, in words."""
    created_ms: Mapped[int]
    ended_ms: Mapped[int | None]
    payload: Mapped[str]
    """The message as JSON, the same bytes at each attempt."""
