"""Which single change helps a plan most.

>>> from platerota_shared.levers import levers_of, again, levers_answer
"""

from platerota_shared.levers.answer import LeversAnswer, Outcome, Try, control_after, levers_answer, outcome, outcome_without
from platerota_shared.levers.choosing import MOST_LEVERS, levers_of
from platerota_shared.levers.halving import FIRST, ROUNDS, Reached, Solved, Standing, again, further_times, margin, noise, standings
from platerota_shared.levers.lever import KINDS, FoundKind, Lever, LeverKind

__all__ = [
    "FIRST", "KINDS", "MOST_LEVERS", "ROUNDS", "FoundKind", "Lever", "LeverKind", "LeversAnswer", "Outcome", "Reached", "Solved",
    "Standing", "Try", "again", "control_after", "further_times", "levers_answer", "levers_of", "margin", "noise", "outcome",
    "outcome_without", "standings",
]
