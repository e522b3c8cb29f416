"""The page of a question's answer, whatever is asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from platerota_service.board.asked_question import AskedQuestion
from platerota_service.board.frame import Page, Viewer
from platerota_service.board.levers_answer import levers_answer_page
from platerota_service.board.promise_answer import promise_answer_page
from platerota_service.board.rush_answer import rush_answer_page
from platerota_service.board.sweep_answer import sweep_answer_page

QUESTION_PAGES: Final[Mapping[str, Callable[[AskedQuestion, Viewer], Page]]] = {
    "rush-order": rush_answer_page, "promise": promise_answer_page, "what-if-sweep": sweep_answer_page, "levers": levers_answer_page,
}
"""How the answer to each kind of question is shown."""


def question_page(asked: AskedQuestion, viewer: Viewer) -> Page:
    """The answer so far; the page comes again by itself until it is whole."""
    return QUESTION_PAGES[asked.kind](asked, viewer)
