"""A plan's cautions as people read them: those that differ only in their first sentence share the advice that follows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from platerota_service.pictures.lettering import clean
from platerota_shared.plan import Warning_


@dataclass(slots=True)
class Caution:
    """What was found, each a sentence, and the advice on all of it (may be empty)."""

    findings: list[str] = field(default_factory=list[str])
    advice: str = ""


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
