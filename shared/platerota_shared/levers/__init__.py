"""Which single change helps a plan most.

>>> from platerota_shared.levers import levers_of, again, levers_answer
"""

from platerota_shared.levers.answer import LeversAnswer, Outcome, Try, levers_answer, outcome
from platerota_shared.levers.choosing import MOST_LEVERS, levers_of
from platerota_shared.levers.halving import LONGER, Solved, again, noise, standings
from platerota_shared.levers.lever import KINDS, FoundKind, Lever, LeverKind

__all__ = [
    "KINDS", "LONGER", "MOST_LEVERS", "FoundKind", "Lever", "LeverKind", "LeversAnswer", "Outcome", "Solved", "Try", "again",
    "levers_answer", "levers_of", "noise", "outcome", "standings",
]
