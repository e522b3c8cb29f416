"""Small weeks, exactly: the best plan there is and the proof that none is better."""

from platerota_solver.exact.coverage import left_out
from platerota_solver.exact.proving import Proof, provable, prove

__all__ = ["Proof", "left_out", "provable", "prove"]
