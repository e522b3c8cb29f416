"""The kinds of question that there are."""

from __future__ import annotations

from collections.abc import Mapping

from platerota_service.questions.asking import Question
from platerota_service.questions.sweeps import Sweep


def question_kinds() -> Mapping[str, Question]:
    """Every kind by its name."""
    return {"what-if-sweep": Sweep()}
