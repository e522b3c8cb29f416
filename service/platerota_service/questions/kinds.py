"""The kinds of question that there are."""

from __future__ import annotations

from collections.abc import Mapping

from platerota_service.questions.asking import Question
from platerota_service.questions.promises import PROMISE, Promise
from platerota_service.questions.rush_orders import RUSH_ORDER, RushOrder
from platerota_service.questions.sweeps import SWEEP, Sweep
from platerota_service.risk_process import Simulations


def question_kinds(simulations: Simulations) -> Mapping[str, Question]:
    """Every kind by its name; `simulations` runs weeks for those that need it."""
    return {SWEEP: Sweep(), RUSH_ORDER: RushOrder(), PROMISE: Promise(simulations)}
