"""Key figures of a plan by name, and what each means: uses of a spindle's time, the ratios of ISO 22400-2, and ours beside them.

Element names as in the standard (formulas read in a public ontology of it, not in the ISO text). A ratio whose divisor is 0 has
no value. The solver counts by these names, and the API description shows them.
"""

from __future__ import annotations

from typing import Final

SPINDLE_USES: Final[dict[str, str]] = {
    "cutting": "The spindle cuts.",
    "exchange": "Place and pull by hand; the automatic wait, right after the cut it follows.",
    "setup": "Tools and offsets for another fixture.",
    "closed": "The machine, or the whole shop, is closed.",
    "no_work": "No cut is left here.",
    "nobody": "Nobody with the skill exchange is in working time; overtime without a task counts as away.",
    "no_loaded_plate": "The next run here is not loaded yet.",
    "operator_busy": "None of these: a loaded plate waits for somebody who is at other work.",
}
"""Use of a spindle's second -> what it means; of several that hold the first one counts."""

_UNIT_RATIOS: Final[dict[str, str]] = {
    "planned_allocation_efficiency":
        "AUBT / PBT (ISO 22400-2): AUBT unit busy time = AUPT + ADET, where AUPT = APT + AUST; APT production time = cutting; AUST setup"
        " time = setup; ADET delay = exchange + nobody + no_loaded_plate + operator_busy; PBT planned busy time = all seconds but closed",
    "planned_utilization_efficiency": "APT / AUBT (ISO 22400-2): cutting over cutting + setup + delay; no_work and closed left out",
    "planned_availability": "APT / PBT (ISO 22400-2): cutting over all seconds but closed",
    "planned_technical_efficiency": "APT / (APT + ADET) (ISO 22400-2): cutting over cutting + delay",
    "planned_setup_ratio": "AUST / AUPT (ISO 22400-2): setup over cutting + setup",
}
_WORKER_EFFICIENCY: Final[dict[str, str]] = {
    "planned_worker_efficiency":
        "APWT / APAT (ISO 22400-2): seconds of tasks over seconds of working time from now to the last task; an overtime shift counts in"
        " both only where its operator has a task in it",
}

MACHINE_FORMULAS: Final[dict[str, str]] = _UNIT_RATIOS | {
    "planned_cutting_cost": "money, ours: cutting hours × the machine's hour_cost",
}
"""Ratio of a machine -> its formula in words."""

OPERATOR_FORMULAS: Final[dict[str, str]] = _WORKER_EFFICIENCY | {
    "planned_work_cost": "money, ours: hours of tasks × the operator's hour_cost",
}
"""Ratio of an operator -> its formula in words."""

SHOP_FORMULAS: Final[dict[str, str]] = _UNIT_RATIOS | _WORKER_EFFICIENCY | {
    "planned_allocation_ratio":
        "ΣAUBT / ΣAOET (ISO 22400-2): unit busy time of all machines over order execution time (first load's start to finish) of all"
        " placed orders that have a load in the plan; overlapping orders bring it below 1",
    "planned_throughput_rate":
        "PQ / AOET (ISO 22400-2), pieces per hour: pieces that the plan unloads from their last op, over the time from its first task's"
        " start to its last task's end",
    "planned_cost": "money, ours: planned_cutting_cost of all machines + planned_work_cost of all operators",
}
"""Ratio of the whole shop, its machines and people added up -> its formula in words."""
