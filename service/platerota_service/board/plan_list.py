"""The page that lists plans: what there is, how far it is, and the way to each board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from platerota_service.board.board_page import STATES
from platerota_service.board.frame import Page, render
from platerota_service.pictures.week import shown
from platerota_shared.plan import Quality, Status


@dataclass(frozen=True, slots=True)
class PlanRow:
    """A plan as the list shows it.

    Attributes
    ----------
    id, status, quality
        As the plan has them.
    name
        What people call it; empty where it has no name.
    begins
        When it begins, on the shop's clock, in words.
    orders, late, unplaced
        How many orders there are, are late, are not placed.
    total, gap
        Points and the gap to the bound, from 0 to 1; None before the first plan.
    base
        The id of the plan it is a variation of; None: of none.
    """

    id: str
    status: Status
    quality: Quality
    name: str
    begins: str
    orders: int
    late: int
    unplaced: int
    total: float | None
    gap: float | None
    base: str | None = None


def plans_page(rows: Sequence[PlanRow], *, following: str | None = None) -> Page:
    """The list.

    Parameters
    ----------
    rows
        The plans in the order to show them.
    following
        The address of the next page of the list; None where there is none.
    """
    return render("plans", styles=("paper.css",), title="Plans", rows=[_cells(row) for row in rows], following=following)


def _cells(row: PlanRow) -> dict[str, str]:
    """The words of a row."""
    gap = "" if row.gap is None else "proved best" if row.quality == "optimal" else f"{row.gap:.0%}"
    return {
        "id": row.id, "name": shown(row.name) or row.id, "state": STATES[row.status].split(";")[0],
        "begins": row.begins, "orders": str(row.orders),
        "late": str(row.late), "unplaced": str(row.unplaced), "score": "" if row.total is None else f"{row.total:,.0f}", "gap": gap,
        "base": row.base or "", "bad": "yes" if row.late or row.unplaced else "",
    }
