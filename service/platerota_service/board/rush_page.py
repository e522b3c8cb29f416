"""The page to ask whether a rush order can be taken, by form."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from platerota_service.board.frame import Page, Viewer, render
from platerota_service.board.standing import Standing
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.week import Week, shown
from platerota_shared.tables import PlanRequest

FIELDS = ("id", "part", "quantity", "due", "release", "weight")
"""The fields of the form, named as those of an order."""

_NOTHING: Mapping[str, str] = {}


@dataclass(frozen=True, slots=True)
class Asked:
    """What a form holds when it is shown.

    Attributes
    ----------
    token
        What makes it a form of the caller's session; empty where there is none.
    values
        What was given before, by field.
    wrong
        What is wrong with it, by field; under an empty name what belongs to no field.
    """

    token: str = ""
    values: Mapping[str, str] = field(default_factory=lambda: _NOTHING)
    wrong: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: dict[str, tuple[str, ...]]())


def rush_page(state: Standing, request: PlanRequest, asked: Asked, viewer: Viewer) -> Page:
    """The form.

    Parameters
    ----------
    state, request
        The plan that the order would come on top of, and the request it answers.
    asked
        What stands in the form.
    viewer
        Who looks at it.
    """
    week = Week(state.plan, request)
    parts = sorted({row.part for row in request.shop.operations})
    values = {"id": _free_name(request), "part": "", "quantity": "", "due": "", "release": "", "weight": "5", **asked.values}
    wrong = {name: tuple(map(clean, words)) for name, words in asked.wrong.items()}
    return render(
        "rush", styles=("paper.css", "forms.css"), viewer=viewer, title="Ask for a rush order", plan_id=state.plan.id,
        planned=week.full_date(state.plan.now), clock=shown(state.plan.timezone), parts=parts, values=values, wrong=wrong,
        token=asked.token,
        earliest=dt.datetime.fromtimestamp(state.plan.now, request.shop.zone).strftime("%Y-%m-%dT%H:%M"),
    )


def _free_name(request: PlanRequest) -> str:
    """A name that no order has."""
    taken = {order.id for order in request.orders}
    return next(name for name in (f"rush {number}" for number in range(1, len(taken) + 2)) if name not in taken)
