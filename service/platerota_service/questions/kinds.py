"""The kinds of question that there are."""

from __future__ import annotations

from collections.abc import Mapping

from platerota_service.questions.asking import Question
from platerota_service.questions.levers import LEVERS, Levers
from platerota_service.questions.sweeps import SWEEP, Sweep


def question_kinds() -> Mapping[str, Question]:
    """Every kind by its name."""
    return {SWEEP: Sweep(), LEVERS: Levers()}
