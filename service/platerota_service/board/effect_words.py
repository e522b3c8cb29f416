"""What a plan does to the week of another one, in words: who pays, who gets later, what it takes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, Final

from platerota_service.board.tables import late_words
from platerota_service.pictures.week import duration, shown

_SAME_SECONDS: Final = 60
"""Less than this counts as no difference."""
_SAME_MONEY: Final = 0.005
_FEW_POINTS: Final = 10
_NAMED: Final = 4
"""Orders that are named one by one; those beyond are counted."""

Effect = Mapping[str, Any]
"""An effect as JSON values; see :mod:`platerota_shared.effects`."""


def when(text: str | None, *, by: bool = False) -> str:
    """An instant of an answer, in the shop's own time as it stands there: Mon 1 Mar 07:11. `by`: the first whole minute from it on."""
    if text is None:
        return "not at all"
    stamp = dt.datetime.fromisoformat(text)
    if by and stamp.second:
        stamp += dt.timedelta(seconds=60 - stamp.second)
    return f"{stamp:%a} {stamp.day} {stamp:%b %H:%M}"


def payers(effect: Effect) -> tuple[str, ...]:
    """Who pays, and how much."""
    return tuple(map(_payer, effect["pays"]))


def later_in_time(effect: Effect) -> tuple[str, ...]:
    """Who gets later and does not pay."""
    paying = {payer["id"] for payer in effect["pays"]}
    return tuple(_by(one) for one in effect["worse"] if one["id"] not in paying)


def prices(effect: Effect) -> tuple[str, ...]:
    """What a plan takes beside the others' time, where that differs from the plan before."""
    told: list[str] = []
    for words, figure in (("at the mills", "spindle_seconds"), ("of hand work", "operator_seconds"), ("of overtime", "overtime_seconds")):
        if abs(change := effect[figure]["change"]) >= _SAME_SECONDS:
            told.append(f"{duration(round(abs(change)))} {'more' if change > 0 else 'less'} {words}")
    if (setups := round(effect["setups"]["change"])) != 0:
        told.append(f"{abs(setups)} {'setup' if abs(setups) == 1 else 'setups'} {'more' if setups > 0 else 'fewer'}")
    if effect["cost"] is not None and abs(cost := effect["cost"]["change"]) >= _SAME_MONEY:
        told.append(f"{abs(cost):,.2f} {'more' if cost > 0 else 'less'} in money")
    if effect["comparable"]:
        score = effect["score"]["change"]
        told.append(f"{points(abs(score))} points {'more' if score > 0 else 'less'}")
    return tuple(told)


def signed_time(seconds: float | None) -> str:
    """How much more (+) or less (−) of a time there is: +1 h 04 min; a dash where nothing is known."""
    if seconds is None:
        return "–"
    if abs(seconds) < _SAME_SECONDS:
        return "0"
    return _sign(seconds) + duration(round(abs(seconds)))


def signed(number: float | None, digits: int) -> str:
    """How much more (+) or less (−) of something there is; a dash where nothing is known."""
    if number is None:
        return "–"
    words = f"{abs(number):,.{digits}f}"
    return words if not float(words.replace(",", "")) else _sign(number) + words


def signed_points(number: float) -> str:
    """How many points more (+) or less (−): to a tenth where they are few."""
    return signed(number, 1 if abs(number) < _FEW_POINTS else 0)


def points(number: float) -> str:
    """Points as they are told: to a tenth where they are few."""
    return signed_points(number).removeprefix("+")


def few(words: Sequence[str]) -> tuple[str, ...]:
    """The first of many, and how many there are besides."""
    return tuple(words) if len(words) <= _NAMED else (*words[: _NAMED - 1], f"and {len(words) - _NAMED + 1} more")


def _payer(row: Mapping[str, Any]) -> str:
    name = shown(row["id"])
    if row["late_seconds"] is None:
        return f"{name} is no longer planned"
    return f"{name}: {late_words(row['late_seconds'], placed=True)}, {duration(row['later_seconds'])} more than before"


def _by(row: Mapping[str, Any]) -> str:
    return f"{shown(row['id'])} by {duration(row['finish_seconds'])}" if row.get("finish_seconds") is not None else shown(row["id"])


def _sign(number: float) -> str:
    return "+" if number > 0 else "−"
