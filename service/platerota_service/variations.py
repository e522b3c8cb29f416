"""A base with changes: how the variation is solved, the changed request, and every fault of both at its place in the call's body."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from platerota_service.bases import Base
from platerota_service.engine import Submission
from platerota_service.shops.book import written
from platerota_service.solve_settings import with_settings
from platerota_shared.changes import Changed, apply_changes
from platerota_shared.document import is_list, is_object
from platerota_shared.faults import Fault, RequestRefused, pointer
from platerota_shared.starts import Start

Settings = dict[str, Any]


def said_twice(settings: Mapping[str, Any], changes: Any, place: str = "") -> Iterator[Fault]:
    """Settings that a change of the list at `place` + `/changes` gives too."""
    for index, change in enumerate(changes if is_list(changes) else ()):
        if is_object(change) and change.get("kind") == "change_settings":
            for name in settings.keys() & change.keys():
                words = f"{name} is given in settings, and in change {index + 1} too"
                yield Fault(place + pointer("changes", index, name), "changes-contradict", words, "say it in one of the two")


def refuse(faults: Sequence[Fault]) -> None:
    """Nothing where there are no faults.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault, of those with one code at one place the first.
    """
    first = {(fault.pointer, fault.code): fault for fault in reversed(faults)}
    if faults:
        raise RequestRefused(fault for fault in faults if first[fault.pointer, fault.code] is fault)


def apply(base: Base, settings: Settings, changes: Any, place: str = "") -> Changed:
    """The base's request with other settings, then with the changes of the list at `place` + `/changes`.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    try:
        return apply_changes(with_settings(base.document, settings), changes)
    except RequestRefused as refused:
        raise RequestRefused(replace(fault, pointer=place + fault.pointer) for fault in refused.faults) from None


def submission(base: Base, changed: Changed, start: Start | None = None) -> Submission:
    """What is planned; `start` is the base where it is not given. It has a shop where the changes leave the shop's tables alone."""
    made = Submission(
        written(changed.document).encode(), changed.request, base_id=base.plan.id, start=start if start is not None else Start(base.plan),
    )
    same_shop = changed.document["shop"] == base.document["shop"]
    return replace(made, shop_id=base.shop_id, shop_version=base.shop_version) if same_shop else made
