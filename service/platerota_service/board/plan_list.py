"""The page that lists plans: what there is, how far it is, and the way to each board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from platerota_service.board.board_page import STATES
from platerota_service.board.frame import ANYBODY, Page, Viewer, render
from platerota_service.pictures.week import shown
from platerota_shared.plan import Quality, Status


@dataclass(frozen=True, slots=True)
class PlanRow:
    """A plan as the list shows it.

    Attributes
    ----------
    id, status, quality
        As the plan has them.
    created
        When it was asked for, in words.
    shop
        The stored shop it was made from, in words; empty where the request brought its own.
    score, gap
        Points, and the gap to the bound from 0 to 1; None before the first plan.
    rush
        Whether it goes before every plan that is not in a rush.
    base
        The id of the plan it varies or replans; None: of none.
    """

    id: str
    status: Status
    quality: Quality | None
    created: str
    shop: str = ""
    score: float | None = None
    gap: float | None = None
    rush: bool = False
    base: str | None = None


def plans_page(rows: Sequence[PlanRow], *, following: str | None = None, viewer: Viewer = ANYBODY) -> Page:
    """The list.

    Parameters
    ----------
    rows
        The plans in the order to show them.
    following
        The address of the next page of the list; None where there is none.
    viewer
        Who looks at it.
    """
    return render(
        "plans", styles=("paper.css",), title="Plans", viewer=viewer, rows=[_cells(row) for row in rows], following=following,
    )


def _cells(row: PlanRow) -> dict[str, str]:
    """The words of a row."""
    gap = "" if row.gap is None else "proved best" if row.quality == "optimal" else f"{row.gap:.0%}"
    return {
        "id": row.id, "state": STATES[row.status].split(";")[0] + (", rush" if row.rush else ""), "created": row.created,
        "shop": shown(row.shop), "score": "" if row.score is None else f"{row.score:,.0f}", "gap": gap, "base": row.base or "",
    }
