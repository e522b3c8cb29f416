"""The answer to a rush order as people read it: what can be done, in words, and who pays for it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from platerota_service.board.frame import Page, Viewer, render
from platerota_service.board.tables import late_words
from platerota_service.board.views import Link
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.week import duration, shown

_STATES: Final = {
    "waiting": "waits for its turn", "solving": "being planned", "ready": "answered", "failed": "not answered",
    "stopped": "stopped before there was a plan",
}
_SAME_SECONDS: Final = 60


@dataclass(frozen=True, slots=True)
class AskedRush:
    """A question as its page shows it.

    Attributes
    ----------
    id, status, base
        Its id, how far it is, and the id of the plan it is about.
    base_there
        Whether that plan still exists.
    order
        The name of the rush order.
    problem
        Why it failed, in words.
    done, plans
        How many of its plans have ended, of how many.
    answer
        The answer so far as JSON values; None before the first plan.
    """

    id: str
    status: str
    base: str
    base_there: bool
    order: str
    problem: str | None
    done: int
    plans: int
    answer: Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class Choice:
    """A choice in words: its headings, who pays what, who else gets later, what it takes, where to look at it."""

    title: str
    finish: str
    payers: tuple[str, ...]
    later: tuple[str, ...]
    prices: tuple[str, ...]
    links: tuple[Link, ...]


def rush_answer_page(asked: AskedRush, viewer: Viewer) -> Page:
    """The answer so far; the page comes again by itself until it is whole."""
    answer = asked.answer or {}
    choices = [_choice(asked, row, viewer) for row in answer.get("choices", ())]
    state = _STATES[asked.status] + (f": {asked.done} of {asked.plans} plans" if asked.status in ("waiting", "solving") else "")
    return render(
        "rush_answer", styles=("paper.css", "forms.css"), script="rush_answer.js", viewer=viewer, title=f"Rush order {shown(asked.order)}",
        state=state, ended=asked.status not in ("waiting", "solving"), problem=clean(asked.problem or ""), choices=choices,
        due=_when(answer["due"]) if answer else "", why=clean(answer.get("why") or ""),
        base=f"/v1/plans/{asked.base}/board" if asked.base_there else "", again=f"/v1/plans/{asked.base}/board/rush-order",
    )


def _choice(asked: AskedRush, row: Mapping[str, Any], viewer: Viewer) -> Choice:
    effect, plan = row["effect"], f"/v1/plans/{row['plan']}"
    links = [Link("Its board", f"{plan}/board"), Link("Its load sheets", f"{plan}/load-sheets")]
    if asked.base_there:
        links.insert(1, Link("Compare with the plan before", f"/v1/plans/{asked.base}/board/against/{row['plan']}"))
    ways = [(link.text, viewer.opens(link.href)) for link in links]
    payers = {payer["id"] for payer in row["pays"]}
    late = row["late_seconds"]
    return Choice(
        _title(asked, row),
        f"done {_when(row['finish'])}, {late_words(late, placed=True) or 'in time'}",
        tuple(map(_payer, row["pays"])), tuple(_later(one) for one in effect["worse"] if one["id"] not in payers),
        tuple(_prices(effect)), tuple(Link(text, way) for text, way in ways if way is not None),
    )


def _title(asked: AskedRush, row: Mapping[str, Any]) -> str:
    """What a choice is, by what it came to and not by what it was asked for."""
    soonest = asked.answer is not None and asked.answer["soonest"] == row["plan"]
    if row["harmless"]:
        return "As soon as possible, and nobody pays" if soonest else "Nobody pays"
    return "As soon as possible" if soonest else "In between"


def _payer(row: Mapping[str, Any]) -> str:
    name = shown(row["id"])
    if row["late_seconds"] is None:
        return f"{name} loses its place"
    return f"{name}: {late_words(row['late_seconds'], placed=True)}, {duration(row['later_seconds'])} more than before"


def _later(row: Mapping[str, Any]) -> str:
    return f"{shown(row['id'])} by {duration(row['finish_seconds'])}" if row.get("finish_seconds") is not None else shown(row["id"])


def _prices(effect: Mapping[str, Any]) -> Sequence[str]:
    """What a choice takes beside the others' time, where that differs from the plan before."""
    told: list[str] = []
    for words, figure in (("at the mills", "spindle_seconds"), ("of hand work", "operator_seconds"), ("of overtime", "overtime_seconds")):
        if abs(change := effect[figure]["change"]) >= _SAME_SECONDS:
            told.append(f"{duration(round(abs(change)))} {'more' if change > 0 else 'less'} {words}")
    if (setups := round(effect["setups"]["change"])) != 0:
        told.append(f"{abs(setups)} {'setup' if abs(setups) == 1 else 'setups'} {'more' if setups > 0 else 'fewer'}")
    if effect["cost"] is not None and abs(cost := effect["cost"]["change"]) >= 0.005:
        told.append(f"{abs(cost):,.2f} {'more' if cost > 0 else 'less'} in money")
    if effect["comparable"]:
        score = effect["score"]["change"]
        told.append(f"{abs(score):,.0f} points {'more' if score > 0 else 'less'}")
    return told


def _when(text: str | None) -> str:
    """An instant of an answer, in the shop's own time as it stands there: Mon 1 Mar 07:11."""
    if text is None:
        return "not at all"
    stamp = dt.datetime.fromisoformat(text)
    return f"{stamp:%a} {stamp.day} {stamp:%b %H:%M}"
