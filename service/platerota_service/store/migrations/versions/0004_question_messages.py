"""Messages about questions."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_STATES = "state IN ('waiting', 'delivered', 'failed')"


def upgrade() -> None:
    """Let a message be about a question. Those that there are are all about plans."""
    # The library does not read the checks of a table, so the one that there is has to be said where SQLite makes it anew.
    checks = (sa.CheckConstraint(_STATES, name=op.f("ck_webhook_deliveries_state")),)
    with op.batch_alter_table("webhook_deliveries", table_args=checks) as deliveries:
        deliveries.add_column(sa.Column("question_id", sa.String(length=64), nullable=True))
        deliveries.create_foreign_key(op.f("fk_webhook_deliveries_question_id"), "questions", ["question_id"], ["id"], ondelete="SET NULL")
        deliveries.create_index(op.f("ix_webhook_deliveries_question_id"), ["question_id"])
