"""The answer to what date can be promised, as people read it: the date, how sure it is, and what the order takes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from platerota_service.board.asked_question import AskedQuestion, answer_page, plan_links
from platerota_service.board.effect_words import later_in_time, payers, prices, when
from platerota_service.board.frame import Page, Viewer
from platerota_service.board.views import Link
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.week import duration, shown

_AGAIN: Final = Link("Ask for another date", "/promise")
_NOTHING: Final[Mapping[str, Any]] = {"found": False, "date": "", "why": "", "cells": ()}
"""What is shown before there is an answer."""


def promise_answer_page(asked: AskedQuestion, viewer: Viewer) -> Page:
    """The date that can be promised."""
    told = _NOTHING if asked.answer is None else _told(asked, asked.answer, viewer)
    what = f"{asked.asked['quantity']} × {shown(asked.asked['part'])}"
    return answer_page(
        "promise_answer", asked, viewer, title=f"A date for {what}", again=_AGAIN, sure=share(asked.asked["risks"]["certainty"]), **told,
    )


def _told(asked: AskedQuestion, answer: Mapping[str, Any], viewer: Viewer) -> dict[str, Any]:
    """What the page shows of an answer; each name is one of its template."""
    effect = answer["effect"]
    return {
        "found": True, "date": when(answer["promise"], by=True) if answer["promise"] is not None else "", "why": clean(answer["why"] or ""),
        "cells": _cells(asked, answer), "payers": payers(effect), "later": later_in_time(effect), "less_sure": _less_sure(answer),
        "prices": prices(effect), "plan_links": plan_links(asked, answer["plan"], viewer), "order": shown(answer["order"]),
        "caution": asked.caution,
    }


def share(chance: float) -> str:
    """A chance in per cent, with as many digits as it has: 90 %, 97.5 %; 0 and 100 only where it is that."""
    words = f"{100 * chance:.1f}".removesuffix(".0")
    if words == "100" and chance < 1:
        return "more than 99.9 %"
    return "less than 0.1 %" if words == "0" and chance > 0 else f"{words} %"


def _cells(asked: AskedQuestion, answer: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The figures: a label, and what it says."""
    likely, takes, due = answer["likely"], answer["takes"], asked.asked["due"]
    cells = [("done in the plan", when(answer["finish"]))]
    if likely is not None:
        cells.append(("done in 8 of 10 weeks", f"{when(likely['early'])} to {_end(likely['late'])}"))
    if answer["gap_seconds"] is not None:
        cells.append(("kept back for what goes wrong", duration(max(0, answer["gap_seconds"]))))
    if answer["on_time"] is not None and due is not None:
        cells.append((f"chance to be done by {when(due)}", share(answer["on_time"])))
    if answer["slack_seconds"] is not None:
        cells.append(("may slip before any order gets later", duration(answer["slack_seconds"])))
    if takes is not None:
        cells += [("at the mills", duration(takes["spindle_seconds"])), ("hand work", duration(takes["operator_seconds"]))]
        if takes["cost"] is not None:
            cells.append(("money", f"{takes['cost']:,.2f}"))
        if takes["piece_cost"] is not None:
            cells.append(("money for a piece", f"{takes['piece_cost']:,.2f}"))
    return cells


def _less_sure(answer: Mapping[str, Any]) -> tuple[str, ...]:
    """Who is less surely in time than before, with both chances; nobody where no week was simulated."""
    return tuple(f"{shown(one['id'])}: {share(one['after'])}, before {share(one['before'])}" for one in answer.get("less_sure") or ())


def _end(late: str | None) -> str:
    return when(late) if late is not None else "beyond the horizon"
