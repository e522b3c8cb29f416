"""A question about one order more: its body, read with every fault at its place, and the week with the order in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final
from zoneinfo import ZoneInfo

from platerota_service.bases import Base
from platerota_service.solve_settings import read_around
from platerota_service.variations import Settings, apply, refuse, said_twice
from platerota_shared.changes import MAX_CHANGES, Changed
from platerota_shared.document import is_list
from platerota_shared.faults import Fault, RequestRefused, pointer, shown
from platerota_shared.suggestions import Suggestions

MOST_CHANGES: Final = MAX_CHANGES - 1
"""Changes beside the order, which is one too."""


def read_beside(given: Mapping[str, Any], base: Base, fields: Sequence[str], words: str) -> tuple[Settings, list[Fault]]:
    """What a body says of how its plans are solved, and everything that is wrong with it outside its order and changes.

    Parameters
    ----------
    fields
        The fields of the body.
    words
        How sentences call it.
    """
    changes = given.get("changes", ())
    settings, faults = read_around(given, fields, words, ZoneInfo(base.document["shop"]["timezone"]), Suggestions())
    faults += said_twice(settings, changes)
    if not is_list(changes):
        faults.append(Fault("/changes", "wrong-type", f"changes must be a list, not {shown(changes)}", "give a list of changes"))
    elif len(changes) > MOST_CHANGES:
        words = f"changes has {len(changes):,} entries; the most is {MOST_CHANGES}"
        faults.append(Fault("/changes", "too-many-rows", words, "ask with fewer at once"))
    return settings, faults


def with_order(
    base: Base, settings: Settings, given: Mapping[str, Any], order: Mapping[str, Any] | None, place: str, words: str,
    faults: Sequence[Fault],
) -> Changed:
    """The base's week with the changes of a body and then the order in it.

    Parameters
    ----------
    order
        The row; None where the body has none that could be looked at, which is among `faults`.
    place
        Where it stands in the body; its id, where the caller gave none, at the body itself.
    words
        How sentences call it.
    faults
        What is wrong with the body besides.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    changes = given.get("changes", ())
    listed = list(changes) if is_list(changes) and len(changes) <= MOST_CHANGES else []
    added = [{**order, "kind": "add_order"}] if order is not None else []
    if not listed and not added:
        refuse(faults)
    try:
        changed = apply(base, settings, [*listed, *added])
    except RequestRefused as refused:
        refuse([*faults, *(_in_body(fault, len(listed), place, words) for fault in refused.faults)])
        raise
    refuse(faults)
    return changed


def _in_body(fault: Fault, index: int, place: str, words: str) -> Fault:
    """A fault of the changes where the caller sees it: the order was not written as one."""
    here, label = pointer("changes", index), f"change {index + 1}"
    if fault.pointer != here and not fault.pointer.startswith(here + "/"):
        return fault
    detail = fault.detail.replace(f"{label} (add_order)", words).replace(label, words)
    return replace(fault, pointer=place + fault.pointer.removeprefix(here), detail=detail)
