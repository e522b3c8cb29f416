"""The ratios of ISO 22400-2 over a plan, and ours beside them, each with its formula.

Element names as in the standard (formulas read in a public ontology of it, not in the ISO text). A ratio whose divisor is 0 has
no value.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from platerota_solver.describe.spindle import SpindleTime

_HOUR = 3_600

FORMULAS: Final[dict[str, str]] = {
    "planned_allocation_efficiency":
        "AUBT / PBT (ISO 22400-2): AUBT unit busy time = AUPT + ADET, where AUPT = APT + AUST; APT production time = cutting; AUST setup"
        " time = setup; ADET delay = exchange + nobody + no_loaded_plate + operator_busy; PBT planned busy time = all seconds but closed",
    "planned_utilization_efficiency": "APT / AUBT (ISO 22400-2): cutting over cutting + setup + delay; no_work and closed left out",
    "planned_availability": "APT / PBT (ISO 22400-2): cutting over all seconds but closed",
    "planned_technical_efficiency": "APT / (APT + ADET) (ISO 22400-2): cutting over cutting + delay",
    "planned_setup_ratio": "AUST / AUPT (ISO 22400-2): setup over cutting + setup",
    "planned_worker_efficiency":
        "APWT / APAT (ISO 22400-2): seconds of tasks over seconds of working time from now to the last task; an overtime shift counts in"
        " both only where its operator has a task in it",
    "planned_allocation_ratio":
        "ΣAUBT / ΣAOET (ISO 22400-2): unit busy time of all machines over order execution time (first load's start to finish) of all"
        " placed orders that have a load in the plan; overlapping orders bring it below 1",
    "planned_throughput_rate":
        "PQ / AOET (ISO 22400-2), pieces per hour: pieces that the plan unloads from their last op, over the time from its first task's"
        " start to its last task's end",
    "planned_cutting_cost": "money, ours: cutting hours × the machine's hour_cost",
    "planned_work_cost": "money, ours: hours of tasks × the operator's hour_cost",
    "planned_cost": "money, ours: planned_cutting_cost of all machines + planned_work_cost of all operators",
}
"""Ratio key -> its formula in words."""


@dataclass(frozen=True, slots=True)
class UnitTimes:
    """The elements of ISO 22400-2 for a machine, or added up for several, in seconds.

    `production` APT, `setup` AUST, `delay` ADET, `planned` PBT.
    """

    production: int
    setup: int
    delay: int
    planned: int

    @property
    def busy(self) -> int:
        """AUBT = APT + AUST + ADET."""
        return self.production + self.setup + self.delay

    def ratios(self) -> dict[str, float | None]:
        """The unit ratios by key of :data:`FORMULAS`."""
        return {
            "planned_allocation_efficiency": share(self.busy, self.planned),
            "planned_utilization_efficiency": share(self.production, self.busy),
            "planned_availability": share(self.production, self.planned),
            "planned_technical_efficiency": share(self.production, self.production + self.delay),
            "planned_setup_ratio": share(self.setup, self.production + self.setup),
        }


def unit_times(spindle: SpindleTime) -> UnitTimes:
    """The elements of one machine from where its spindle's time goes."""
    seconds = spindle.seconds
    return UnitTimes(
        production=seconds["cutting"], setup=seconds["setup"],
        delay=seconds["exchange"] + seconds["nobody"] + seconds["no_loaded_plate"] + seconds["operator_busy"],
        planned=sum(seconds.values()) - seconds["closed"],
    )


def added(units: list[UnitTimes]) -> UnitTimes:
    """The elements of several machines together."""
    return UnitTimes(
        sum(unit.production for unit in units), sum(unit.setup for unit in units),
        sum(unit.delay for unit in units), sum(unit.planned for unit in units),
    )


def share(part: float, whole: float) -> float | None:
    """The quotient, None where the divisor is 0."""
    return part / whole if whole else None


def cost(seconds: int, hour_cost: float) -> float:
    """Money for `seconds` at `hour_cost` per hour."""
    return seconds * hour_cost / _HOUR


def per_hour(count: int, seconds: int) -> float | None:
    """`count` per hour over `seconds`, None where no time passes."""
    return share(count * _HOUR, seconds)
