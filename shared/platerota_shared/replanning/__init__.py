"""From a plan that is under way to the request for a replan.

>>> from platerota_shared.replanning import floor_at, Happened
"""

from platerota_shared.replanning.flooring import Replanning, floor_at
from platerota_shared.replanning.happened import Happened

__all__ = ["Happened", "Replanning", "floor_at"]
