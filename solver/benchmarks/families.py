"""The sizes of shop that are measured, and the goals set for each."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Family:
    """One size of shop. Pairs are the ends of a uniform draw.

    Attributes
    ----------
    runs
        Runs of one order, over all of its ops.
    cut_minutes, load_minutes
        Of a full run.
    due_shift
        Calibration: the share of the shop's estimated work time by which the first due dates lie after `now`, where all
        parts are plain, routed, mixed, or of several structures. Set so that 20 to 35 % of the orders are late under
        the due-date dispatcher (mean over seeds).
    solve_seconds
        The budget of the optimiser.
    """

    name: str
    machines: int
    operators: int
    orders: int
    parts: int
    runs: tuple[int, int]
    cut_minutes: tuple[int, int]
    load_minutes: tuple[int, int]
    due_shift: tuple[float, float, float, float]
    solve_seconds: float


FAMILIES = {
    family.name: family
    for family in (
        Family("tiny", 1, 1, 3, 2, (2, 4), (10, 30), (8, 12), (0.70, 0.70, 0.45, 0.70), 10.0),
        Family("small", 3, 2, 8, 4, (3, 7), (10, 60), (7, 12), (0.48, 0.60, 0.40, 0.55), 20.0),
        Family("medium", 6, 3, 30, 12, (3, 8), (10, 78), (4, 10), (0.27, 0.35, 0.18, 0.35), 20.0),
        Family("large", 12, 5, 100, 40, (4, 8), (10, 78), (3, 9), (0.24, 0.23, 0.20, 0.23), 60.0),
        Family("huge", 40, 15, 500, 200, (4, 8), (10, 78), (3, 8), (0.26, 0.23, 0.23, 0.27), 120.0),
    )
}
