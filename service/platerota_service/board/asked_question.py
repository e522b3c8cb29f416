"""What the pages of all questions share: how a question stands, its head, and the ways to its plans."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from platerota_service.board.frame import Page, Viewer, render
from platerota_service.board.views import Link
from platerota_service.pictures.lettering import clean

_STATES: Final = {
    "waiting": "waits for its turn", "solving": "being planned", "ready": "answered", "failed": "not answered",
    "stopped": "stopped before there was a plan",
}


@dataclass(frozen=True, slots=True)
class AskedQuestion:
    """A question as its page shows it.

    Attributes
    ----------
    id, kind, status, base
        Its id, what is asked, how far it is, and the id of the plan it is about.
    base_there
        Whether that plan still exists.
    problem
        Why it failed, in words.
    done, plans
        How many of its plans have ended, of how many.
    there
        The ids of those of its plans that still exist.
    asked
        What was asked, as JSON values.
    answer
        The answer so far as JSON values; None before the first plan.
    begun
        That the plan had begun when this was asked, in words; empty where it had not. It stands above all else.
    """

    id: str
    kind: str
    status: str
    base: str
    base_there: bool
    problem: str | None
    done: int
    plans: int
    there: frozenset[str]
    asked: Mapping[str, Any]
    answer: Mapping[str, Any] | None
    begun: str = ""

    @property
    def ended(self) -> bool:
        """Whether it is in an end state."""
        return self.status not in ("waiting", "solving")

    @property
    def caution(self) -> str:
        """What else the answer has people beware of; empty where there is none."""
        words: str = (self.answer or {}).get("caution") or ""
        return words.removeprefix(self.begun).lstrip()


def answer_page(template: str, asked: AskedQuestion, viewer: Viewer, *, title: str, again: Link | None = None, **values: Any) -> Page:
    """The page of an answer so far; it comes again by itself until the answer is whole.

    Parameters
    ----------
    again
        The form by which the like is asked, as an address below the base; None where there is none.
    values
        What the template of the kind shows.
    """
    state = _STATES[asked.status] + ("" if asked.ended else f": {asked.done} of {asked.plans} plans")
    base = f"/v1/plans/{asked.base}/board"
    links = [Link("The plan before", base), *([Link(again.text, base + again.href)] if again is not None else [])]
    return render(
        template, styles=("paper.css", "forms.css"), script="answer.js", viewer=viewer, title=title, state=state, ended=asked.ended,
        begun=asked.begun, problem=clean(asked.problem or ""), links=opening(links, viewer) if asked.base_there else (), **values,
    )


def plan_links(asked: AskedQuestion, plan: str, viewer: Viewer, *, sheets: bool = True) -> tuple[Link, ...]:
    """The ways to a plan of the question, as far as they open; with `sheets` to its load sheets too."""
    if plan not in asked.there:
        return ()
    here = f"/v1/plans/{plan}"
    links = [Link("Its board", f"{here}/board"), *([Link("Its load sheets", f"{here}/load-sheets")] if sheets else [])]
    if asked.base_there:
        links.insert(1, Link("Compare with the plan before", f"/v1/plans/{asked.base}/board/against/{plan}"))
    return opening(links, viewer)


def opening(links: list[Link], viewer: Viewer) -> tuple[Link, ...]:
    """Those of the links that the viewer may open."""
    ways = ((link.text, viewer.opens(link.href)) for link in links)
    return tuple(Link(text, way) for text, way in ways if way is not None)
