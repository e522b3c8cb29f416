"""A plan as this service answers it: the contract's plan, with what its solve has reached and why it failed, if it did."""

from __future__ import annotations

import json
from importlib.metadata import version
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field

from platerota_service.engine import PlanState
from platerota_service.shops.facts import PlanShop
from platerota_service.solve_lines import Progress
from platerota_shared.differences import Differences
from platerota_shared.plan import Kpis, Plan, Score, ScoreParts, SolverReport, Warning_
from platerota_shared.tables import PlanRequest


class PlanProblem(BaseModel):
    """Why a plan failed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    title: str = Field(description="What went wrong, in few words.")
    detail: str = Field(description="What went wrong with this plan.")


class PlanAnswer(Plan):
    """A plan and its solve. Until the first plan is found the lists are empty."""

    problem: PlanProblem | None = Field(default=None, description="Why the plan failed; null in every other state.")
    progress: Progress | None = Field(default=None, description="What the solve reached last; null before its first word.")
    shop: PlanShop | None = Field(default=None, description="The stored shop it was made from; null where the request brought its own.")
    base: str | None = Field(
        default=None, description="The plan that this one varies or replans; null where there is none, or it was deleted.",
    )
    compare: Differences | None = Field(
        default=None, description="What it does differently from its base; null where it has none, or is not ready.",
    )

    def plan(self) -> Plan:
        """The plan alone."""
        return Plan.model_construct(**{name: getattr(self, name) for name in Plan.model_fields})


def plan_answer(state: PlanState, shop: PlanShop | None = None, compare: str | None = None) -> bytes:
    """The JSON of a plan's state, UTF-8, with what it does differently from its base (JSON).

    The stored text is put in as it is: reading a large plan takes longer than sending it.
    """
    progress = state.progress.model_dump(exclude={"event"}) if state.progress is not None else None
    problem = {"title": "the plan could not be made", "detail": state.problem} if state.problem is not None else None
    head, tail = _json({"id": state.id, "status": state.status}), _json({
        "problem": problem, "progress": progress, "shop": shop.model_dump() if shop is not None else None,
        "base": state.base_id,
    })
    return f'{head[:-1]},{state.text[1:-1]},{tail[1:-1]},"compare":{compare or "null"}}}'.encode()


def stored_text(plan: Plan) -> str:
    """A plan as JSON text without `id` and `status`, which belong to its state."""
    return _json({name: value for name, value in plan.document().items() if name not in ("id", "status")})


def stored_notes(notes: tuple[Warning_, ...]) -> str | None:
    """The notes of a submission as JSON text; None where there are none."""
    return _json([note.model_dump() for note in notes]) if notes else None


def read_notes(text: str | None) -> tuple[Warning_, ...]:
    """What :func:`stored_notes` wrote."""
    return tuple(Warning_.model_validate(note) for note in json.loads(text or "[]"))


def _json(document: Any) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def blank_plan(request: PlanRequest) -> Plan:
    """The plan of a request before its first one is found: no orders, runs and tasks, and a score of 0."""
    return Plan(
        now=request.now, timezone=ZoneInfo(request.shop.timezone).key, horizon_end=request.horizon_end,
        score=Score(total=0, bound=0, gap=0, parts=ScoreParts()), orders=(), runs=(), tasks=(), lanes=(), load_windows=(),
        kpis=Kpis(), solver=SolverReport(seconds=0, seed=request.settings.seed, version=version("platerota")),
    )
