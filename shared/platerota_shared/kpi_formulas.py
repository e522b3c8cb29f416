"""Key figures of a plan by name, and what each means: uses of a spindle's time, the elements and ratios of ISO 22400-2, and ours.

Element names as in the standard (formulas read in a public ontology of it, not in the ISO text). Every ratio of the standard is a
quotient of sums of elements, and a plan carries both. The solver counts by these names, the audit recomputes by them, and the API
description shows them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
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

MACHINE_ELEMENTS: Final[dict[str, str]] = {
    "PBT": "Planned busy time (ISO 22400-2), seconds: all but closed.",
    "AUBT": "Unit busy time (ISO 22400-2), seconds: AUPT + ADET.",
    "AUPT": "Processing time (ISO 22400-2), seconds: APT + AUST.",
    "APT": "Production time (ISO 22400-2), seconds: cutting.",
    "AUST": "Setup time (ISO 22400-2), seconds: setup.",
    "ADET": "Delay time (ISO 22400-2), seconds: exchange + nobody + no_loaded_plate + operator_busy.",
}
"""Element of a machine -> what it is, by the uses of its spindle."""

OPERATOR_ELEMENTS: Final[dict[str, str]] = {
    "APWT": "Personnel work time (ISO 22400-2), seconds: tasks.",
    "APAT": "Personnel attendance time (ISO 22400-2), seconds: working time from now to the last task; an overtime shift counts only"
            " where its operator has a task in it.",
}
"""Element of an operator -> what it is."""

SHOP_ELEMENTS: Final[dict[str, str]] = MACHINE_ELEMENTS | OPERATOR_ELEMENTS | {
    "AOET": "Order execution time (ISO 22400-2), seconds: from first load's start to finish, of all placed orders that have a load in"
            " the plan together.",
    "AOET_all": "Order execution time of all orders as one, seconds: from the plan's first task's start to its last task's end.",
    "PQ": "Produced quantity (ISO 22400-2): pieces that the plan unloads from their last op.",
}
"""Element of the whole shop, its machines and people added up -> what it is."""


@dataclass(frozen=True, slots=True)
class Quotient:
    """A ratio of the standard: the sum of the elements above over the sum of those below, per hour where these are counted in hours."""

    above: tuple[str, ...]
    below: tuple[str, ...]
    per_hour: bool = False

    def value(self, elements: Mapping[str, int]) -> float | None:
        """The ratio, None where the divisor is 0."""
        divisor = sum(elements[name] for name in self.below)
        return sum(elements[name] for name in self.above) * (3_600 if self.per_hour else 1) / divisor if divisor else None


ISO_RATIOS: Final[dict[str, Quotient]] = {
    "planned_allocation_efficiency": Quotient(("AUBT",), ("PBT",)),
    "planned_utilization_efficiency": Quotient(("APT",), ("AUBT",)),
    "planned_availability": Quotient(("APT",), ("PBT",)),
    "planned_technical_efficiency": Quotient(("APT",), ("APT", "ADET")),
    "planned_setup_ratio": Quotient(("AUST",), ("AUPT",)),
    "planned_worker_efficiency": Quotient(("APWT",), ("APAT",)),
    "planned_allocation_ratio": Quotient(("AUBT",), ("AOET",)),
    "planned_throughput_rate": Quotient(("PQ",), ("AOET_all",), per_hour=True),
}
"""Ratio of the standard -> its formula; every one whose elements a machine, an operator or the shop has is among its figures."""

_UNIT_RATIOS: Final[dict[str, str]] = {
    "planned_allocation_efficiency": "AUBT / PBT (ISO 22400-2): cutting + setup + delay over all seconds but closed",
    "planned_utilization_efficiency": "APT / AUBT (ISO 22400-2): cutting over cutting + setup + delay; no_work and closed left out",
    "planned_availability": "APT / PBT (ISO 22400-2): cutting over all seconds but closed",
    "planned_technical_efficiency": "APT / (APT + ADET) (ISO 22400-2): cutting over cutting + delay",
    "planned_setup_ratio": "AUST / AUPT (ISO 22400-2): setup over cutting + setup",
}
_WORKER_EFFICIENCY: Final[dict[str, str]] = {
    "planned_worker_efficiency": "APWT / APAT (ISO 22400-2): seconds of tasks over seconds of working time from now to the last task",
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
    "planned_allocation_ratio": "AUBT / AOET (ISO 22400-2), sums over all machines and orders; overlapping orders bring it below 1",
    "planned_throughput_rate": "PQ / AOET_all (ISO 22400-2), pieces per hour",
    "planned_cost": "money, ours: planned_cutting_cost of all machines + planned_work_cost of all operators",
}
"""Ratio of the whole shop, its machines and people added up -> its formula in words."""


def money(seconds: float, hour_cost: float) -> float:
    """What cutting or work of so many seconds costs at a cost per hour."""
    return seconds * hour_cost / 3_600


def machine_elements(seconds: Mapping[str, int]) -> dict[str, int]:
    """The elements of a machine from the uses of its spindle (:data:`SPINDLE_USES`), seconds."""
    production, setup = seconds["cutting"], seconds["setup"]
    delay = seconds["exchange"] + seconds["nobody"] + seconds["no_loaded_plate"] + seconds["operator_busy"]
    return {
        "PBT": sum(seconds.values()) - seconds["closed"], "AUBT": production + setup + delay, "AUPT": production + setup,
        "APT": production, "AUST": setup, "ADET": delay,
    }


def operator_elements(seconds: Mapping[str, int]) -> dict[str, int]:
    """The elements of an operator from seconds by kind of task and `free`."""
    attended = sum(seconds.values())
    return {"APWT": attended - seconds["free"], "APAT": attended}


def added(rows: Iterable[Mapping[str, int]], names: Iterable[str]) -> dict[str, int]:
    """The elements `names` of several machines or operators together."""
    every = list(rows)
    return {name: sum(row[name] for row in every) for name in names}


def iso_ratios(elements: Mapping[str, int]) -> dict[str, float | None]:
    """Every ratio of the standard that follows from `elements`."""
    return {
        name: quotient.value(elements) for name, quotient in ISO_RATIOS.items() if {*quotient.above, *quotient.below} <= elements.keys()
    }
