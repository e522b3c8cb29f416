"""The ratios of ISO 22400-2 over a plan, and ours beside them; their formulas are in :mod:`platerota_shared.kpi_formulas`.

A ratio whose divisor is 0 has no value.
"""

from __future__ import annotations

from dataclasses import dataclass

from platerota_solver.describe.spindle import SpindleTime

_HOUR = 3_600


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
        """The ratios of a unit by name."""
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
