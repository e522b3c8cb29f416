"""The pages to ask by form: whether a rush order can be taken, what date can be promised, which single change would help most."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final
from urllib.parse import quote

from platerota_service.board.frame import Page, Viewer, render
from platerota_service.board.promise_answer import share
from platerota_service.board.standing import Standing
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.week import Week, shown
from platerota_shared.levers import KINDS, FoundKind
from platerota_shared.tables import PlanRequest

RUSH_FIELDS: Final = ("id", "part", "quantity", "due", "release", "weight")
"""The fields of the form for a rush order, named as those of an order."""
PROMISE_FIELDS: Final = ("part", "quantity", "certainty", "due", "release")
"""The fields of the form for a promise, named as those of its body."""
LEVERS_FIELDS: Final = ("kinds",)
"""The field of the form for levers, named as that of its body."""
EVERY_KIND: Final = "all"
"""What stands in that field where every kind of lever is tried; the body has none then."""

_KINDS: Final[dict[FoundKind, str]] = {
    "plate": "one more plate like one that is there", "operator": "somebody more", "shift": "a further shift of somebody",
    "machine": "a fixture allowed on another machine", "nests": "one more row of nests on a fixture", "due": "a late order due a day later",
}
_CERTAINTIES: Final = ("0.5", "0.75", "0.8", "0.9", "0.95", "0.99")
_STAYS: Final = "Nothing is released by asking; this plan stays as it is."
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
    begun
        That the plan has begun, in words; empty where it has not. It stands above all else.
    """

    token: str = ""
    values: Mapping[str, str] = field(default_factory=lambda: _NOTHING)
    wrong: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: dict[str, tuple[str, ...]]())
    begun: str = ""


def rush_page(state: Standing, request: PlanRequest, asked: Asked, viewer: Viewer) -> Page:
    """The form for a rush order.

    Parameters
    ----------
    state, request
        The plan that the order would come on top of, and the request it answers.
    asked
        What stands in the form.
    viewer
        Who looks at it.
    """
    values = {**dict.fromkeys(RUSH_FIELDS, ""), "id": _free_name(request), "weight": "5", **asked.values}
    return _page("rush", "rush-order", state, request, replace(asked, values=values), viewer, title="Ask for a rush order", below=_STAYS)


def promise_page(state: Standing, request: PlanRequest, asked: Asked, viewer: Viewer) -> Page:
    """The form for a promise; what is given is as for :func:`rush_page`."""
    values = {**dict.fromkeys(PROMISE_FIELDS, ""), "certainty": "0.9", **asked.values}
    return _page(
        "promise", "promise", state, request, replace(asked, values=values), viewer, title="Ask what date can be promised",
        below=f"You get the earliest date found that makes no other order late as planned, and which orders become less sure. {_STAYS}",
        certainties=[(one, share(float(one))) for one in _CERTAINTIES],
    )


def levers_page(state: Standing, request: PlanRequest, asked: Asked, viewer: Viewer) -> Page:
    """The form for levers; what is given is as for :func:`rush_page`."""
    return _page(
        "levers", "levers", state, request, replace(asked, values={"kinds": EVERY_KIND, **asked.values}), viewer,
        title="Ask what would help most", above="For a better week than the plan from",
        below=f"Each change is planned for real and compared with the same week without it. {_STAYS}",
        kinds=[(EVERY_KIND, "anything"), *((kind, _KINDS[kind]) for kind in KINDS)],
    )


def _page(template: str, name: str, state: Standing, request: PlanRequest, asked: Asked, viewer: Viewer, **values: Any) -> Page:
    """A form; `name` is how its address ends."""
    values = {"above": "On top of the plan from"} | values
    week, board = Week(state.plan, request), f"/v1/plans/{quote(state.plan.id, safe='')}/board"
    wrong = {field: tuple(map(clean, words)) for field, words in asked.wrong.items()}
    return render(
        template, styles=("paper.css", "forms.css"), viewer=viewer, plan_id=state.plan.id, board=board, here=f"{board}/{name}",
        planned=week.full_date(state.plan.now), clock=shown(state.plan.timezone), asked=replace(asked, wrong=wrong),
        parts=[(part, clean(part)) for part in sorted({row.part for row in request.shop.operations})],
        earliest=dt.datetime.fromtimestamp(state.plan.now, request.shop.zone).strftime("%Y-%m-%dT%H:%M"), **values,
    )


def _free_name(request: PlanRequest) -> str:
    """A name that no order has."""
    taken = {order.id for order in request.orders}
    return next(name for name in (f"rush {number}" for number in range(1, len(taken) + 2)) if name not in taken)
