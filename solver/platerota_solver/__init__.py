"""Request in, plan out: the optimiser of platerota.

>>> from platerota_solver import solve, due_date_plan, Listener
"""

from platerota_solver.listener import Listener
from platerota_solver.solving import due_date_plan, solve, warm

__all__ = ["Listener", "due_date_plan", "solve", "warm"]
