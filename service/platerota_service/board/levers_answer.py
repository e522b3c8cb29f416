"""The answer to which single change helps most, as people read it: a ranking with what each brings and what it takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from platerota_service.board.asked_question import AskedQuestion, answer_page, plan_links
from platerota_service.board.effect_words import few, points, signed, signed_time
from platerota_service.board.frame import Page, Viewer
from platerota_service.board.views import Link
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.week import duration, shown

_SAME_SECONDS = 60


@dataclass(frozen=True, slots=True)
class LeverRow:
    """A lever in the table; one without a plan has no figures."""

    name: str
    verdict: str
    helps: bool
    saved: str = ""
    sooner: str = ""
    better: tuple[str, ...] = ()
    worse: tuple[str, ...] = ()
    mills: str = ""
    hands: str = ""
    overtime: str = ""
    money: str = ""
    overtime_money: str = ""
    links: tuple[Link, ...] = ()


def levers_answer_page(asked: AskedQuestion, viewer: Viewer) -> Page:
    """The changes that were tried, the one that saves most first."""
    answer = asked.answer or {}
    levers = answer.get("levers", ())
    rows = [_row(asked, row, levers[0], viewer) for row in levers] or [
        LeverRow(clean(one["name"]), _standing(asked, None, None), helps=False) for one in asked.asked["levers"]
    ]
    return answer_page(
        "levers_answer", asked, viewer, title="Which single change helps most", rows=rows, found=asked.answer is not None,
        best=_best(answer), before=points(answer["controls"][-1]["score"]) if answer else "",
        noise=points(answer["noise"]) if answer else "", margin=points(answer["margin"]) if answer else "",
        overtime=any(row["overtime_seconds"] for row in levers),
        money=any(row["cost"] is not None for row in levers), bought=any(row["overtime_cost"] for row in levers),
        caution=asked.caution,
    )


def _best(answer: Mapping[str, Any]) -> str:
    """The lever that helps most, in words, and how many may be as good; empty where none does."""
    near = [row for row in answer.get("levers", ()) if row["near_best"]]
    if not near:
        return ""
    name, others = clean(near[0]["name"]), len(near) - 1
    said = f"; {'another one' if others == 1 else f'{others} others'} may be as good" if others else ""
    return f"{name[:1].upper()}{name[1:]}: it saves {points(near[0]['saved'])} points{said}"


def _row(asked: AskedQuestion, row: Mapping[str, Any], first: Mapping[str, Any], viewer: Viewer) -> LeverRow:
    if row["saved"] is None:
        return LeverRow(clean(row["name"]), _standing(asked, row["status"], row["problem"]), helps=False)
    return LeverRow(
        clean(row["name"]), _verdict(row, first), row["helps"], points(row["saved"]), signed_time(row["late_seconds_saved"]),
        few([_gain(one, "sooner") for one in row["better"]]), few([_gain(one, "later") for one in row["worse"]]),
        signed_time(row["spindle_seconds"]), signed_time(row["operator_seconds"]), signed_time(row["overtime_seconds"]),
        signed(row["cost"], 2), signed(row["overtime_cost"], 2), plan_links(asked, row["plan"], viewer, sheets=False),
    )


def _standing(asked: AskedQuestion, status: str | None, problem: str | None) -> str:
    if status is None:
        return "not planned" if asked.ended else "not planned yet"
    return f"{status}: {clean(problem)}" if problem else status


def _verdict(row: Mapping[str, Any], first: Mapping[str, Any]) -> str:
    if not row["helps"]:
        return "no help that can be told from luck"
    near = "; may be as good as the first" if row["near_best"] and row is not first else ""
    return ("helps: proved, no plan without it is as good" if row["certain"] else "helps") + near


def _gain(row: Mapping[str, Any], word: str) -> str:
    """An order that a lever moves; `word` says which way."""
    name, late = shown(row["id"]), row["late_seconds"]
    if late is None:
        return f"{name} {'is planned too' if row['finish'] is not None else 'is no longer planned'}"
    if abs(late) >= _SAME_SECONDS:
        return f"{name} {duration(abs(late))} {'less' if late > 0 else 'more'} late"
    return f"{name} {duration(abs(row['finish_seconds']))} {word}"
