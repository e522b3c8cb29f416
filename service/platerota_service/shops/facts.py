"""What a plan has to do with its stored shop: which version it was made from, whether that has changed, whether the shop works by it."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.orm import Session

from platerota_service.store import PlanRow, ShopRow, Store


class PlanShop(BaseModel):
    """The stored shop that a plan was made from."""

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_serialization_defaults_required=True)

    id: str = Field(description="The shop's id.")
    version: int = Field(description="The version of the shop that the plan was made from.")
    stale: bool = Field(description="Whether the shop has changed since, or is gone: the plan may no longer fit it.")
    released: bool = Field(description="Whether this is the plan that the shop works by.")


def shops_of(store: Store, tenant: str, plan_ids: Sequence[str]) -> dict[str, PlanShop]:
    """The shops of those of a tenant's plans that were made from a stored one, by plan; work for a thread."""
    with store.reading() as session:
        return shops_in(session, tenant, plan_ids)


def shops_in(session: Session, tenant: str, plan_ids: Sequence[str]) -> dict[str, PlanShop]:
    """The same as the transaction of `session` sees it."""
    same = sa.and_(ShopRow.tenant == PlanRow.tenant, ShopRow.id == PlanRow.shop_id)
    wanted = (
        sa.select(
            PlanRow.id, PlanRow.shop_id, PlanRow.shop_version, PlanRow.created_ms, ShopRow.version.label("now"),
            ShopRow.created_ms.label("since"), ShopRow.released_plan_id,
        )
        .outerjoin(ShopRow, same).where(PlanRow.id.in_(plan_ids), PlanRow.tenant == tenant, PlanRow.shop_id.is_not(None))
    )
    rows = session.execute(wanted).all()
    return {
        row.id: PlanShop(
            id=row.shop_id, version=row.shop_version, released=row.released_plan_id == row.id,
            # A shop deleted and made anew counts its versions from 1 again.
            stale=row.now != row.shop_version or row.since > row.created_ms,
        )
        for row in rows
    }
