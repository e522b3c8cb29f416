"""The steady rhythm of plates, mills and one operator who serves them: all times in seconds, each cycle like the one before.

Source: the worker–machine chart (Niebel & Freivalds, Methods, Standards and Work Design; Groover, Automation, Production Systems
and Computer-Integrated Manufacturing; ILO, Introduction to Work Study), with service l while the machine stands, machine time m
and walking w: one operator serves n′ = (l + m) ÷ (l + w) machines. With two plates for each mill loads and unloads go on beside
the cut, and only the exchange stops the spindle (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf


@dataclass(frozen=True, slots=True)
class Cycle:
    """One mill's cycle and what it takes of the operator.

    Attributes
    ----------
    mill
        The shortest time from one cut's start to the next, were the operator always there.
    service
        Hand work and walking of the operator in each of these.
    """

    mill: float
    service: float

    @property
    def served(self) -> float:
        """n′: how many such mills one operator serves before mills wait; infinite where they need no hand work."""
        return self.mill / self.service if self.service else inf

    def length(self, mills: int) -> float:
        """The cycle of each of `mills` like mills with one operator: the longer of the mill's own and the round of all services."""
        return max(self.mill, mills * self.service)

    def operator_free(self, mills: int) -> float:
        """What is left to the operator in each round of `mills` mills."""
        return self.length(mills) - mills * self.service

    def mill_waits(self, mills: int) -> float:
        """What each mill waits for the operator in each cycle."""
        return self.length(mills) - self.mill


def one_plate(cut: float, hand: float, exchange: float, walk: float = 0.0) -> Cycle:
    """One plate on each mill: l = unload, load and exchange while the spindle stands, m = cut; the cycle is l + m.

    Parameters
    ----------
    cut, hand, exchange, walk
        The cut; unload and load; place and pull; the way to the mill and back to the next one.
    """
    return Cycle(cut + exchange + hand, hand + exchange + walk)


def two_plates(cut: float, hand: float, exchange: float, walk: float = 0.0) -> Cycle:
    """Two plates for each mill: unload and load go on beside the cut; the mill's own cycle is cut + exchange.

    With one mill and no way to walk that makes max(cut, unload + load) + exchange.
    """
    return Cycle(cut + exchange, hand + exchange + walk)


def spread(changes: int, seconds: float, pieces: int) -> float:
    """Tool changes for each piece: M·t ÷ k for M changes of t seconds in a cut of k pieces."""
    return changes * seconds / pieces
