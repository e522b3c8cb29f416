"""The answer to several what-ifs as people read it: a table, a row for each, against the plan before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from platerota_service.board.asked_question import AskedQuestion, answer_page, plan_links
from platerota_service.board.effect_words import few, later_in_time, payers, points, signed, signed_points, signed_time
from platerota_service.board.frame import Page, Viewer
from platerota_service.board.views import Link
from platerota_service.pictures.lettering import clean
from platerota_service.pictures.week import shown


@dataclass(frozen=True, slots=True)
class WhatIfRow:
    """A what-if in the table; `told` says how it stands where there is no plan, and then it has no figures."""

    name: str
    told: str = ""
    points: str = ""
    change: str = ""
    payers: tuple[str, ...] = ()
    later: tuple[str, ...] = ()
    earlier: int = 0
    mills: str = ""
    hands: str = ""
    overtime: str = ""
    setups: str = ""
    money: str = ""
    links: tuple[Link, ...] = ()


def sweep_answer_page(asked: AskedQuestion, viewer: Viewer) -> Page:
    """What each what-if does to the week."""
    answered = {row["name"]: row for row in (asked.answer or {}).get("what_ifs", ())}
    names: list[str] = asked.asked["what_ifs"]
    rows = [_row(asked, answered[name], viewer) if name in answered else WhatIfRow(shown(name), _open(asked)) for name in names]
    effects = [row["effect"] for row in answered.values() if row["effect"] is not None]
    return answer_page(
        "sweep_answer", asked, viewer, title=f"{len(names)} what-ifs side by side", rows=rows,
        before=points(effects[0]["score"]["base"]) if effects else "", money=any(effect["cost"] is not None for effect in effects),
        setups=any(effect["setups"]["base"] or effect["setups"]["plan"] for effect in effects),
        overtime=any(effect["overtime_seconds"]["base"] or effect["overtime_seconds"]["plan"] for effect in effects),
    )


def _open(asked: AskedQuestion) -> str:
    return "not planned" if asked.ended else "not planned yet"


def _row(asked: AskedQuestion, row: Mapping[str, Any], viewer: Viewer) -> WhatIfRow:
    effect, name = row["effect"], shown(row["name"])
    if effect is None:
        return WhatIfRow(name, f"{row['status']}: {clean(row['problem'])}" if row["problem"] else row["status"])
    return WhatIfRow(
        name, points=points(effect["score"]["plan"]),
        change=signed_points(effect["score"]["change"]) if effect["comparable"] else "counted otherwise",
        payers=few(payers(effect)), later=few(later_in_time(effect)), earlier=len(effect["better"]),
        mills=signed_time(effect["spindle_seconds"]["change"]), hands=signed_time(effect["operator_seconds"]["change"]),
        overtime=signed_time(effect["overtime_seconds"]["change"]), setups=signed(effect["setups"]["change"], 0),
        money=signed(effect["cost"]["change"] if effect["cost"] is not None else None, 2),
        links=plan_links(asked, row["plan"], viewer, sheets=False),
    )
