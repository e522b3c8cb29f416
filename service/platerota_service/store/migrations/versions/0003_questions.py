"""Questions that several plans answer."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_STATES = "state IN ('waiting', 'solving', 'ready', 'failed', 'stopped')"


def upgrade() -> None:
    """Make the table, and let plans and repeated calls refer to it. No plan had a parent before: it would have been another plan."""
    op.create_table(
        "questions",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("tenant", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("revision", sa.BigInteger(), nullable=False),
        sa.Column("round", sa.BigInteger(), nullable=False),
        sa.Column("rush", sa.Boolean(), nullable=False),
        sa.Column("stop_asked", sa.Boolean(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("updated_ms", sa.BigInteger(), nullable=False),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
        sa.Column("base_id", sa.String(length=64), nullable=False),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("children", sa.Text(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=True),
        sa.Column("asked", sa.Text(), nullable=False),
        sa.Column("base_plan", sa.Text(), nullable=False),
        sa.Column("base_request", sa.Text(), nullable=False),
        sa.CheckConstraint("state IN ('open', 'ready', 'failed', 'stopped')", name=op.f("ck_questions_state")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_questions")),
    )
    op.create_index(op.f("ix_questions_tenant_created_ms_id"), "questions", ["tenant", "created_ms", "id"])
    op.create_index(op.f("ix_questions_state_created_ms"), "questions", ["state", "created_ms"])
    op.create_index(op.f("ix_questions_ended_ms"), "questions", ["ended_ms"])

    # The library does not read the checks of a table, so the one that there is has to be said where SQLite makes it anew.
    checks = (sa.CheckConstraint(_STATES, name=op.f("ck_plans_state")),)
    with op.batch_alter_table("plans", table_args=checks) as plans:
        plans.drop_constraint(op.f("fk_plans_parent_id"), type_="foreignkey")
        plans.create_foreign_key(op.f("fk_plans_parent_id"), "questions", ["parent_id"], ["id"], ondelete="SET NULL")
    with op.batch_alter_table("idempotency_records") as records:
        records.add_column(sa.Column("question_id", sa.String(length=64), nullable=True))
        records.create_foreign_key(op.f("fk_idempotency_records_question_id"), "questions", ["question_id"], ["id"], ondelete="SET NULL")
        records.create_index(op.f("ix_idempotency_records_question_id"), ["question_id"])
