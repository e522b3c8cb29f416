"""Putting changes upon a request document, in the order given, and saying which change brought which fault."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

from platerota_shared.changes.kinds import MAX_CHANGES
from platerota_shared.changes.making import Maker
from platerota_shared.document import duplicate_keys, is_list, is_object
from platerota_shared.faults import Fault, RequestRefused, pointer, shown
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest

MOST_TRACED: Final = 10
"""Faults that are traced to their change by reading part of the changes; others are said of the list as a whole."""

_FIELDS: Final[dict[str, str]] = {"too-many-pieces": "quantity"}
"""Code of a fault elsewhere in the changed week -> the field of the change that brings it."""


_ROW: Final = re.compile(r"^row \d+ of \w+")
"""How a sentence names a row without an id; one that a change added is better named by the change."""


class Changed(NamedTuple):
    """A changed request: as JSON values and as read."""

    document: dict[str, Any]
    request: PlanRequest


def apply_changes(document: Mapping[str, Any], changes: Any) -> Changed:
    """The request in `document` with `changes` made.

    Parameters
    ----------
    document
        A request that was accepted, as JSON values; it is not touched, and what no change names stays as the caller wrote it.
    changes
        What came as the list of changes, JSON values; each is made upon what the ones before it left.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault of the changes and of the changed week, pointers into ``/changes/N``.
    """
    if not is_list(changes):
        raise _refused("wrong-type", f"changes must be a list, not {shown(changes)}", "give a list of changes")
    if not changes:
        raise _refused("changes-nothing", "the list of changes is empty", "give at least one change")
    if len(changes) > MAX_CHANGES:
        raise _refused("too-many-rows", f"changes has {len(changes):,} entries; the most is {MAX_CHANGES}", "ask with fewer at once")
    made, request, week = _made(document, changes)
    faults = [*duplicate_keys({"changes": changes}), *made.faults, *_placed(document, changes, made, week)]
    if request is None or faults:
        raise RequestRefused(_in_order(faults))
    return Changed(made.draft.document, request)


def _refused(code: str, detail: str, mend: str) -> RequestRefused:
    return RequestRefused([Fault("/changes", code, detail, mend)])


def _made(document: Mapping[str, Any], changes: Sequence[Any]) -> tuple[Maker, PlanRequest | None, tuple[Fault, ...]]:
    """The changes made, and the changed week as read, with the faults found in it."""
    maker = Maker(document, ZoneInfo(document["shop"]["timezone"]))
    for index, change in enumerate(changes):
        maker.make(index, change)
    try:
        return maker, read_request(maker.draft.document), ()
    except RequestRefused as refused:
        return maker, None, refused.faults


def _placed(document: Mapping[str, Any], changes: Sequence[Any], made: Maker, week: Sequence[Fault]) -> Iterator[Fault]:
    """The faults of the changed week, each at the change that made what is at its pointer, else at the first without which it is not."""

    @cache
    def after(count: int) -> frozenset[tuple[str, str]]:
        return frozenset((fault.code, fault.detail) for fault in _made(document, changes[:count])[2])

    traced = 0
    for fault in week:
        place = made.draft.place(fault.pointer)
        if place is not None:
            yield replace(fault, pointer=place, detail=_ROW.sub(f"change {_number(place) + 1}", fault.detail))
            continue
        traced += 1
        index = _first_with(after, (fault.code, fault.detail), len(changes)) if traced <= MOST_TRACED else None
        where = "/changes" if index is None else _field(index, changes[index], fault.code)
        yield replace(fault, pointer=where, detail=f"{fault.detail} ({fault.pointer} of the changed week)")


def _first_with(after: Any, wanted: tuple[str, str], count: int) -> int:
    """The index of the change with which the fault `wanted` begins, by bisection: a fault once there mostly stays."""
    low, high = 0, count
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if wanted in after(middle) else (middle, high)
    return high - 1


def _field(index: int, change: Any, code: str) -> str:
    name = _FIELDS.get(code)
    return pointer("changes", index, name) if name is not None and is_object(change) and name in change else pointer("changes", index)


def _in_order(faults: Sequence[Fault]) -> list[Fault]:
    """Faults by change; of those with one code at one place only the first, because a value may be refused by change and table."""
    first = {(fault.pointer, fault.code): fault for fault in reversed(faults)}
    kept = [fault for fault in faults if first[fault.pointer, fault.code] is fault]
    return sorted(kept, key=lambda fault: _number(fault.pointer))


def _number(place: str) -> int:
    """The index of the change that a pointer leads into; -1 for the list as a whole."""
    steps = place.split("/")
    return int(steps[2]) if len(steps) > 2 and steps[2].isdigit() else -1
