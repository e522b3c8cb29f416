"""What a solve starts from, and what a planner should know of how its request came about."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns; plans that are there start from nothing."""
    op.add_column("plans", sa.Column("start", sa.Text(), nullable=True))
    op.add_column("plans", sa.Column("notes", sa.Text(), nullable=True))
