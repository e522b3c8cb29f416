"""The answer to a rush order as people read it: what can be done, in words, and who pays for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from platerota_service.board.asked_question import AskedQuestion, answer_page, plan_links
from platerota_service.board.effect_words import later_in_time, payers, prices, when
from platerota_service.board.frame import Page, Viewer
from platerota_service.board.tables import late_words
from platerota_service.board.views import Link
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.week import shown

_AGAIN: Final = Link("Ask for another one", "/rush-order")


@dataclass(frozen=True, slots=True)
class Choice:
    """A choice in words: its headings, who pays what, who else gets later, what it takes, where to look at it."""

    title: str
    finish: str
    payers: tuple[str, ...]
    later: tuple[str, ...]
    prices: tuple[str, ...]
    links: tuple[Link, ...]


def rush_answer_page(asked: AskedQuestion, viewer: Viewer) -> Page:
    """What can be done for a rush order."""
    answer = asked.answer or {}
    return answer_page(
        "rush_answer", asked, viewer, title=f"Rush order {shown(asked.asked['order'])}", again=_AGAIN,
        choices=[_choice(asked, row, viewer) for row in answer.get("choices", ())], due=when(answer["due"]) if answer else "",
        why=clean(answer.get("why") or ""),
    )


def _choice(asked: AskedQuestion, row: Mapping[str, Any], viewer: Viewer) -> Choice:
    effect = row["effect"]
    return Choice(
        _title(asked, row), f"done {when(row['finish'])}, {late_words(row['late_seconds'], placed=True) or 'in time'}",
        payers(effect), later_in_time(effect), prices(effect), plan_links(asked, row["plan"], viewer),
    )


def _title(asked: AskedQuestion, row: Mapping[str, Any]) -> str:
    """What a choice is, by what it came to and not by what it was asked for."""
    soonest = asked.answer is not None and asked.answer["soonest"] == row["plan"]
    if row["harmless"]:
        return "As soon as possible, and nobody pays" if soonest else "Nobody pays"
    return "As soon as possible" if soonest else "In between"
