"""Which single change helps a plan most.

>>> from platerota_shared.levers import levers_of, again, levers_answer
"""

from platerota_shared.levers.answer import LeversAnswer, Outcome, Try, levers_answer, outcome, outcome_without
from platerota_shared.levers.choosing import MOST_LEVERS, levers_of
from platerota_shared.levers.halving import FIRST, LONGER, SECOND, Solved, Standing, again, most_again, noise, standings
from platerota_shared.levers.lever import KINDS, FoundKind, Lever, LeverKind

__all__ = [
    "FIRST", "KINDS", "LONGER", "MOST_LEVERS", "SECOND", "FoundKind", "Lever", "LeverKind", "LeversAnswer", "Outcome", "Solved", "Standing",
    "Try", "again", "levers_answer", "levers_of", "most_again", "noise", "outcome", "outcome_without", "standings",
]
