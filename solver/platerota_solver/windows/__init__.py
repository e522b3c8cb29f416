"""Windows of the plan solved by CP-SAT: a few runs free, all others where they are."""

from platerota_solver.windows.improving import Windows, movable_runs

__all__ = ["Windows", "movable_runs"]
