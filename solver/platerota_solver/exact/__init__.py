"""Small weeks, exactly: the best plan there is and the proof that none is better."""

from platerota_solver.exact.coverage import left_out
from platerota_solver.exact.proving import Proof, by_single_runs, provable, prove

__all__ = ["Proof", "by_single_runs", "left_out", "provable", "prove"]
