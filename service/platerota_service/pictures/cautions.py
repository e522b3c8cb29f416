"""A plan's cautions as people read them: those that differ only in their first sentence share the advice that follows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from platerota_service.pictures.lettering import clean
from platerota_shared.plan import Warning_
from platerota_shared.tables import PlanRequest

About = str | tuple[str, int]
"""What a warning is about: a plate by its id, or an operation by part and op."""
STANDING_CAUTION: Final = (
    "Before you reach or lean into a mill, stop it and make sure that it cannot start, as its manual says; never bypass guards or"
    " interlocks. Lift a plate only as your instructions and local rules allow, with a hoist or a second person where it is heavy."
    " Planned times are no targets. This plan replaces neither the manual nor the rules."
)
"""Printed on every sheet for the floor and in every event of a calendar."""


@dataclass(slots=True)
class Caution:
    """What was found, each a sentence, and the advice on all of it (may be empty)."""

    findings: list[str] = field(default_factory=list[str])
    advice: str = ""


def warnings_about(warnings: Iterable[Warning_], request: PlanRequest) -> defaultdict[About, list[Warning_]]:
    """The warnings about each plate and each operation; whoever handles these is told."""
    subjects: dict[str, About] = {f"/shop/plates/{number}": row.id for number, row in enumerate(request.shop.plates)}
    subjects |= {f"/shop/operations/{number}": (row.part, row.op) for number, row in enumerate(request.shop.operations)}
    found: defaultdict[About, list[Warning_]] = defaultdict(list)
    for warning in warnings:
        if warning.pointer in subjects:
            found[subjects[warning.pointer]].append(warning)
    return found


def split_caution(warning: Warning_) -> tuple[str, str]:
    """A warning's first sentence with its full stop, and the rest."""
    first, _, rest = clean(warning.detail).partition(". ")
    return (f"{first}." if rest else first), rest


def cautions_of(warnings: Iterable[Warning_]) -> list[Caution]:
    """The cautions by kind and advice, in the order of the warnings; nothing is said twice."""
    found: dict[tuple[str, str], Caution] = {}
    for warning in warnings:
        first, rest = split_caution(warning)
        caution = found.setdefault((warning.code, rest), Caution(advice=rest))
        if first not in caution.findings:
            caution.findings.append(first)
    return list(found.values())
