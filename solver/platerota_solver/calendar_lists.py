"""Every calendar the kernel books from or looks into, as flat lists of spans in seconds from `now`."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from platerota_shared.calendars import (
    Span,
    attended_spans,
    clip,
    machine_closures,
    plate_closures,
    subtract,
    working_spans,
)
from platerota_shared.tables import Machine, PlanRequest

Ints = npt.NDArray[np.int64]


class _Lists:
    """Collects calendar lists into one flat array."""

    def __init__(self, begin: int, end: int) -> None:
        self.begin, self.end = begin, end
        self.spans: list[Span] = []
        self.offsets = [0]

    def add(self, spans: list[Span]) -> int:
        """Store spans of UTC seconds, clipped to the horizon; the number of the new list."""
        self.spans.extend((a - self.begin, b - self.begin) for a, b in clip(spans, self.begin, self.end))
        self.offsets.append(len(self.spans))
        return len(self.offsets) - 2


def calendar_lists(request: PlanRequest) -> dict[str, Ints]:
    """Every calendar the kernel books from or looks into, as flat span lists."""
    shop, begin, end = request.shop, request.now, request.horizon_end
    lists = _Lists(begin, end)
    whole = [(begin, end)]
    attended = attended_spans(shop, begin - 15 * 86_400, end)
    fields: dict[str, list[int]] = {
        name: [] for name in ("l_operator", "l_overtime", "l_spindle", "l_station", "l_table", "l_cut", "l_plate", "l_open")
    }
    for operator in shop.operators:
        fields["l_operator"].append(lists.add(working_spans(shop, operator.id, begin, end)))
    for operator in shop.operators:
        fields["l_overtime"].append(lists.add(working_spans(shop, operator.id, begin, end, overtime=True)))
    for machine in shop.machines:
        closed = machine_closures(shop, machine.id)
        spindle = lists.add(subtract(whole, closed))
        fields["l_spindle"].append(spindle)
        fields["l_station"].append(lists.add(subtract(whole, closed)) if machine.automatic else spindle)
        fields["l_table"].append(lists.add(whole))
        fields["l_cut"].append(lists.add(subtract(subtract(whole, closed), unattended_forbidden(machine, attended, begin, end))))
    for plate in shop.plates:
        closed = plate_closures(shop, plate.id)
        fields["l_plate"].append(lists.add(whole))
        # A closure of the whole shop closes people and machines too; only one of the plate's own says more than they do.
        own = any(closure.plate == plate.id for closure in shop.closures)
        fields["l_open"].append(lists.add(subtract(whole, closed)) if own else -1)
    arrays = {name: np.array(values, dtype=np.int64) for name, values in fields.items()}
    arrays["lists"] = np.array(lists.spans, dtype=np.int64).reshape(-1, 2)
    arrays["list_from"] = np.array(lists.offsets, dtype=np.int64)
    return arrays


def unattended_forbidden(machine: Machine, attended: list[Span], begin: int, end: int) -> list[Span]:
    """When no cut may lie on `machine`: later than unattended_minutes into a stretch nobody attends (F9).

    `attended` must reach back before `begin` so that a stretch already under way at `begin` is measured from its start.
    """
    if machine.unattended_minutes is None:
        return []
    limit = machine.unattended_minutes * 60
    first = min([begin - 15 * 86_400] + [span[0] for span in attended])
    return [
        (start + limit, stop)
        for start, stop in subtract([(first, end)], attended)
        if start + limit < stop
    ]
