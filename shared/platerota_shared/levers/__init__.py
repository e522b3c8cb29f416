"""Which single change helps a plan most.

>>> from platerota_shared.levers import levers_of, Lever
"""

from platerota_shared.levers.choosing import MOST_LEVERS, levers_of
from platerota_shared.levers.lever import Lever, LeverKind

__all__ = ["MOST_LEVERS", "Lever", "LeverKind", "levers_of"]
