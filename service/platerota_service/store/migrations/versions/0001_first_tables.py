"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "keys",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("tenant", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("prefix", sa.String(length=32), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=True),
        sa.Column("revoked_ms", sa.BigInteger(), nullable=True),
        sa.Column("used_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_keys")),
    )
    op.create_index(op.f("ix_keys_prefix"), "keys", ["prefix"], unique=True)
    op.create_index(op.f("ix_keys_tenant_created_ms"), "keys", ["tenant", "created_ms"])

    op.create_table(
        "plans",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("tenant", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("revision", sa.BigInteger(), nullable=False),
        sa.Column("rush", sa.Boolean(), nullable=False),
        sa.Column("priority", sa.BigInteger(), nullable=False),
        sa.Column("stop_asked", sa.Boolean(), nullable=False),
        sa.Column("attempts", sa.BigInteger(), nullable=False),
        sa.Column("claim", sa.BigInteger(), nullable=False),
        sa.Column("worker", sa.String(length=64), nullable=True),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("updated_ms", sa.BigInteger(), nullable=False),
        sa.Column("started_ms", sa.BigInteger(), nullable=True),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
        sa.Column("shop_id", sa.String(length=64), nullable=True),
        sa.Column("shop_version", sa.BigInteger(), nullable=True),
        sa.Column("base_id", sa.String(length=64), nullable=True),
        sa.Column("parent_id", sa.String(length=64), nullable=True),
        sa.Column("request_hash", sa.String(length=64), nullable=False),
        sa.Column("score", sa.Float(53), nullable=True),
        sa.Column("bound", sa.Float(53), nullable=True),
        sa.Column("quality", sa.String(length=32), nullable=True),
        sa.Column("audit", sa.String(length=32), nullable=True),
        sa.Column("plan_claim", sa.BigInteger(), nullable=True),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("progress", sa.Text(), nullable=True),
        sa.Column("findings", sa.Text(), nullable=True),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.Column("request", sa.Text(), nullable=False),
        sa.CheckConstraint("state IN ('waiting', 'solving', 'ready', 'failed', 'stopped')", name=op.f("ck_plans_state")),
        sa.ForeignKeyConstraint(["base_id"], ["plans.id"], name=op.f("fk_plans_base_id"), ondelete="SET NULL"),
        sa.ForeignKeyConstraint(["parent_id"], ["plans.id"], name=op.f("fk_plans_parent_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plans")),
    )
    op.create_index(op.f("ix_plans_base_id"), "plans", ["base_id"])
    op.create_index(op.f("ix_plans_ended_ms"), "plans", ["ended_ms"])
    op.create_index(op.f("ix_plans_parent_id"), "plans", ["parent_id"])
    op.create_index(op.f("ix_plans_state_tenant"), "plans", ["state", "tenant"])
    op.create_index(op.f("ix_plans_tenant_created_ms_id"), "plans", ["tenant", "created_ms", "id"])
    op.create_index(op.f("ix_plans_tenant_request_hash_created_ms"), "plans", ["tenant", "request_hash", "created_ms"])
    op.create_index(op.f("ix_plans_tenant_shop_id_created_ms_id"), "plans", ["tenant", "shop_id", "created_ms", "id"])

    op.create_table(
        "webhook_endpoints",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("tenant", sa.String(length=64), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("secret", sa.Text(), nullable=False),
        sa.Column("events", sa.Text(), nullable=False),
        sa.Column("enabled", sa.Boolean(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("updated_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_webhook_endpoints")),
    )
    op.create_index(op.f("ix_webhook_endpoints_tenant_created_ms_id"), "webhook_endpoints", ["tenant", "created_ms", "id"])

    op.create_table(
        "idempotency_records",
        sa.Column("tenant", sa.String(length=64), nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("operation", sa.String(length=255), nullable=False),
        sa.Column("body_hash", sa.String(length=64), nullable=False),
        sa.Column("plan_id", sa.String(length=64), nullable=True),
        sa.Column("status", sa.BigInteger(), nullable=True),
        sa.Column("headers", sa.Text(), nullable=True),
        sa.Column("body", sa.Text(), nullable=True),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name=op.f("fk_idempotency_records_plan_id"), ondelete="SET NULL"),
        sa.PrimaryKeyConstraint("tenant", "key", name=op.f("pk_idempotency_records")),
    )
    op.create_index(op.f("ix_idempotency_records_expires_ms"), "idempotency_records", ["expires_ms"])
    op.create_index(op.f("ix_idempotency_records_plan_id"), "idempotency_records", ["plan_id"])

    op.create_table(
        "shops",
        sa.Column("tenant", sa.String(length=64), nullable=False),
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("version", sa.BigInteger(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("released_plan_id", sa.String(length=64), nullable=True),
        sa.Column("released_ms", sa.BigInteger(), nullable=True),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("updated_ms", sa.BigInteger(), nullable=False),
        sa.Column("tables", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["released_plan_id"], ["plans.id"], name=op.f("fk_shops_released_plan_id"), ondelete="SET NULL"),
        sa.PrimaryKeyConstraint("tenant", "id", name=op.f("pk_shops")),
    )
    op.create_index(op.f("ix_shops_released_plan_id"), "shops", ["released_plan_id"])
    op.create_index(op.f("ix_shops_tenant_created_ms_id"), "shops", ["tenant", "created_ms", "id"])

    op.create_table(
        "webhook_deliveries",
        sa.Column("id", sa.String(length=64), nullable=False),
        sa.Column("tenant", sa.String(length=64), nullable=False),
        sa.Column("endpoint_id", sa.String(length=64), nullable=False),
        sa.Column("plan_id", sa.String(length=64), nullable=True),
        sa.Column("event", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("attempts", sa.BigInteger(), nullable=False),
        sa.Column("next_ms", sa.BigInteger(), nullable=True),
        sa.Column("last_status", sa.BigInteger(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
        sa.Column("payload", sa.Text(), nullable=False),
        sa.CheckConstraint("state IN ('waiting', 'delivered', 'failed')", name=op.f("ck_webhook_deliveries_state")),
        sa.ForeignKeyConstraint(
            ["endpoint_id"], ["webhook_endpoints.id"], name=op.f("fk_webhook_deliveries_endpoint_id"), ondelete="CASCADE",
        ),
        sa.ForeignKeyConstraint(["plan_id"], ["plans.id"], name=op.f("fk_webhook_deliveries_plan_id"), ondelete="SET NULL"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_webhook_deliveries")),
    )
    op.create_index(op.f("ix_webhook_deliveries_endpoint_id_created_ms_id"), "webhook_deliveries", ["endpoint_id", "created_ms", "id"])
    op.create_index(op.f("ix_webhook_deliveries_plan_id"), "webhook_deliveries", ["plan_id"])
    op.create_index(op.f("ix_webhook_deliveries_state_next_ms"), "webhook_deliveries", ["state", "next_ms"])
