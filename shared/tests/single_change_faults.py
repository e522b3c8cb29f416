"""The whole floor with one thing wrong in a list of changes, or in what has happened, once for each code that only they can provoke."""

from __future__ import annotations

from typing import Any, Final

from .tiny_shop import Document

CHANGE_FAULTS: Final[dict[str, tuple[list[Document], str]]] = {
    "changes-nothing": ([{"kind": "change_order", "order": "O1"}], "/changes/0"),
    "changes-contradict": (
        [{"kind": "change_order", "order": "O1", "quantity": 9}, {"kind": "change_order", "order": "O1", "quantity": 10}],
        "/changes/1/quantity",
    ),
    "order-under-way": ([{"kind": "drop_order", "order": "O1"}], "/changes/0/order"),
}
"""Code → a list of changes on the whole floor, and the pointer of its one fault."""

HAPPENED_FAULTS: Final[dict[str, tuple[int, Any, str]]] = {
    "now-outside-plan": (-60, None, "/now"),
    "cut-end-not-due": (1000, {"runs": [{"run": "R1", "stage": "cut", "cut_end": "2027-03-01T07:00:00"}]}, "/happened/runs/0/cut_end"),
    "cuts-while-closed": (
        1000,
        {"runs": [{"run": "R1", "stage": "cutting", "cut_end": "2027-03-01T07:00:00"}],
         "closed": [{"machine": "M1", "until": "2027-03-01T09:00:00"}]},
        "/happened/runs/0/stage",
    ),
    "pieces-missing": (
        3740, {"runs": [{"run": "R1", "stage": "pulled"}, {"run": "R2", "stage": "not_loaded"}]}, "/happened/runs/0",
    ),
}
"""Code → seconds from the plan's begin to the new now, what has happened, and the pointer of the fault.

The week is two_plates; two_ops for pieces-missing, where R3 has loaded by 3740 s what R1 unloads.
"""
