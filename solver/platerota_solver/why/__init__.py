"""Why an order is late or left out: facts first (:class:`Wait`, :class:`Obstacle`), then one sentence a planner can act on."""

from platerota_solver.why.late import late_reasons, order_waits
from platerota_solver.why.waits import Cause, Wait

__all__ = ["Cause", "Wait", "late_reasons", "order_waits"]
