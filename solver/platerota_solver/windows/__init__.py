"""Windows of the plan solved by CP-SAT: a few runs free, all others where they are."""

from platerota_solver.windows.improving import Windows

__all__ = ["Windows"]
