"""Why an order is late or left out: facts first (:class:`Wait`, :class:`Obstacle`), then one sentence a planner can act on."""

from platerota_solver.why.late import late_reasons, order_waits
from platerota_solver.why.obstacles import Obstacle, Obstacles, Obstruction
from platerota_solver.why.unplaced import unplaced_reasons, unplaced_sentence
from platerota_solver.why.waits import Cause, Wait

__all__ = [
    "Cause", "Obstacle", "Obstacles", "Obstruction", "Wait", "late_reasons", "order_waits", "unplaced_reasons", "unplaced_sentence",
]
