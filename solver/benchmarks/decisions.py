"""The questions between Mondays, asked of one week's plan: a what-if, a rush order, a replan with a mill down, the risk of the plan.

Each is solved as the service's child solves it: the request and its start as text, every plan audited before it counts. What is not
counted is the start of that process, since the service keeps one ready, and the way through the store.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from time import perf_counter, process_time
from typing import Any, Final

from platerota_shared.audit import audit
from platerota_shared.changes import apply_changes
from platerota_shared.differences import differences
from platerota_shared.effects import effect
from platerota_shared.moves import moved_tasks
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.replanning import floor_at
from platerota_shared.risks import RisksQuestion
from platerota_shared.starts import Aim, Start
from platerota_shared.tables import PlanRequest
from platerota_solver import Listener, solve
from platerota_solver.risk import risks

Request = dict[str, Any]
HOUR: Final = 3_600
WHAT_IF, RUSH_END, REPLAN, FULL = 0.2, 0.1, 0.25, 3.0
"""Budgets of each solve in budgets of the base; of a medium week 4, 2, 5 and 60 s: what the service gives, and the full solve. A rush
order's plan by score has that of the base."""
HARMLESS_HOUR, ANY_PRICE_HOUR = 1e5, 1e6
"""Points for an hour of the rush order that nobody may pay for, and at any price: what the service asks with."""
RUSH: Final = "RUSH"
CALM: Final = 10.0
"""Points for a moved task where a planner asks for few changes: a run of five tasks for half an hour of a late order, where it is six
minutes by the default."""
FROZEN_SECONDS: Final = HOUR
"""What starts so soon after `now` stays in a replan."""
PASSED: Final = 0.2
"""The share of the plan's cuts that have begun when the mill breaks."""


@dataclass
class Audited(Listener):
    """Audits every plan that it hears of; notes when each had passed, seconds from `began`, and how many did not pass."""

    request: PlanRequest
    base: Plan | None
    began: float
    passed: list[float] = field(default_factory=list[float])
    findings: int = 0

    def improved(self, plan: Plan) -> None:
        """Audit it."""
        self.findings += len(audit(self.request, plan, self.base))
        self.passed.append(perf_counter() - self.began)


@dataclass(frozen=True)
class Answered:
    """A plan, and how it came: seconds to the first plan that passed the audit and to the last one; findings of the audit in all."""

    plan: Plan
    first: float
    last: float
    findings: int


def answered(order: tuple[str, str, float]) -> Answered:
    """Request, start (JSON text) and seconds of the optimiser: solved as a child of the service does it, its reading counted in."""
    began = perf_counter()
    text, start_text, seconds = order
    request, start = _budgeted(read_request(text.encode()), seconds), Start.from_document(json.loads(start_text))
    listener = Audited(request, start.replanned, began)
    plan = solve(request, listener, start)
    listener.improved(plan)
    return Answered(plan, listener.passed[0], listener.passed[-1], listener.findings)


def measure_decisions(raw: Request, seconds: float) -> tuple[dict[str, float], dict[str, Any]]:
    """Figures of every question on one generated week, and how they were reached; `seconds`: budget of the plan that they are asked of."""
    request = _budgeted(read_request(raw), seconds)
    base = solve(request)
    began = process_time()
    risks(request, base, RisksQuestion())
    figures: dict[str, float] = {"risks_s": process_time() - began, "base_score": base.score.total}
    how: dict[str, Any] = {}
    findings = len(audit(request, base))
    for ask in (_what_ifs, _rush, _replan):
        found, words, faults = ask(raw, base, seconds)
        figures |= found
        how |= words
        findings += faults
    return figures | {"findings": float(findings)}, how


Found = tuple[dict[str, float], dict[str, Any], int]
"""Figures, how they were reached, and findings of the audit."""


def one_change(raw: Request, base: Plan) -> dict[str, list[Request]]:
    """What-ifs of one change each: an order twice as large, a mill that is serviced, one more shift."""
    order, machine = raw["orders"][0], raw["shop"]["machines"][0]["id"]
    shift = raw["shop"]["shifts"][0]
    spans = [(task.start, task.end) for task in base.tasks if task.kind == "cut" and task.machine == machine]
    return {
        "order": [{"kind": "change_order", "order": order["id"], "quantity": 2 * order["quantity"]}],
        "service": [{"kind": "close", "machine": machine, "start": _text(spans[0][0]), "end": _text(spans[0][0] + 4 * HOUR)}],
        "shift": [{"kind": "add_shift", "operator": shift["operator"], "days": ["sat"], "start": "06:00", "end": "14:00"}],
    }


def _what_ifs(raw: Request, base: Plan, seconds: float) -> Found:
    """Seconds to the first and the last audited answer, the longest of three what-ifs."""
    made: dict[str, Answered] = {}
    for name, changes in one_change(raw, base).items():
        changed = apply_changes(raw, changes)
        made[name] = answered((json.dumps(changed.document), Start(base).text(), WHAT_IF * seconds))
    how = {"what_ifs": {name: [round(one.first, 3), round(one.last, 3), one.plan.score.total] for name, one in made.items()}}
    figures = {"what_if_first_s": max(one.first for one in made.values()), "what_if_s": max(one.last for one in made.values())}
    return figures, how, sum(one.findings for one in made.values())


def rush_order(raw: Request) -> Request:
    """The order that comes in between: as much as the week's first one of the same part, due before three quarters of the others."""
    due = sorted(order["due"] for order in raw["orders"])[len(raw["orders"]) // 4]
    return {"id": RUSH, "part": raw["orders"][0]["part"], "quantity": raw["orders"][0]["quantity"], "due": due}


def _rush(raw: Request, base: Plan, seconds: float) -> Found:
    """Both ends of a rush order, one after the other as one slot solves them, and the plan by score, against a solve from nothing."""
    changed = apply_changes(raw, [{"kind": "add_order", **rush_order(raw)}])
    text = json.dumps(changed.document)
    starts = {
        "harmless": Start(base, aim=Aim(RUSH, HARMLESS_HOUR, harmless=True)), "soonest": Start(base, aim=Aim(RUSH, ANY_PRICE_HOUR)),
        "by-score": Start(base),
    }
    began = perf_counter()
    made = {name: answered((text, starts[name].text(), RUSH_END * seconds)) for name in ("harmless", "soonest")}
    taken = perf_counter() - began
    made["by-score"] = answered((text, starts["by-score"].text(), seconds))
    full = solve(_budgeted(changed.request, FULL * seconds))
    finish = {name: _finish(one.plan) for name, one in made.items()}
    pays = {name: len(effect(read_request(raw), base, changed.request, one.plan).pays) for name, one in made.items()}
    figures = {
        "rush_s": taken, "rush_against_full": min(one.plan.score.total for one in made.values()) / full.score.total,
        "rush_harmless": float(pays["harmless"] == 0),
    }
    if (soonest := finish["soonest"]) is not None and (with_harm := _finish(full)) is not None:
        figures["rush_soonest_h"] = (soonest - base.now) / HOUR
        figures["rush_full_h"] = (with_harm - base.now) / HOUR
    how = {
        "rush": {name: [round(one.last, 3), one.plan.score.total, finish[name], pays[name]] for name, one in made.items()},
        "full": [full.score.total, _finish(full)],
    }
    return figures, how, sum(one.findings for one in made.values()) + len(audit(changed.request, full))


def _finish(plan: Plan) -> int | None:
    return next(result.finish for result in plan.orders if result.id == RUSH)


def breakdown(base: Plan) -> tuple[int, str]:
    """When a mill breaks, and which: the one that then has cut for the shortest time of those that cut."""
    cuts = sorted((task for task in base.tasks if task.kind == "cut"), key=lambda task: task.start)
    last = cuts[int(PASSED * len(cuts))]
    return last.start + 60, last.machine or ""


def untouched(base: Plan, now: int, machine: str, until: int) -> set[str]:
    """Ids of the tasks of the base that a replan might leave as they are: of runs that have nothing to do with the broken mill."""
    at_it = {task.run for task in base.tasks if task.machine == machine and task.end > now and task.start < until}
    return {task.id for task in base.tasks if task.start >= now and not task.frozen and task.run not in at_it}


def _replan(raw: Request, base: Plan, seconds: float) -> Found:
    """A mill is down for three hours: the share of the tasks that it does not touch which are moved, at the default price of a move and at
    the dearer one of a planner who wants few changes, and what moving them saves.
    """
    now, machine = breakdown(base)
    until = now + 3 * HOUR
    happened = {"closed": [{"machine": machine, "until": _text(until), "reason": "spindle"}]}
    floor = floor_at(raw, base, _text(now), happened)
    start = Start(base, counts_moves=True, frozen_until=now + FROZEN_SECONDS).text()
    free = untouched(base, now, machine, until)
    made = {
        "replan": answered((json.dumps(floor.document), start, REPLAN * seconds)),
        "replan_calm": answered((json.dumps(_calm(floor.document)), start, REPLAN * seconds)),
    }
    figures, how = {"replan_s": made["replan"].last}, dict[str, Any]()
    for name, one in made.items():
        moved = {move.task.id for move in moved_tasks(base, one.plan)} & free
        figures[f"{name}_moved"] = len(moved) / len(free) if free else 0.0
        reasons = _reasons(raw, base, floor.request, one)
        parts = one.plan.score.parts.model_dump()
        how[name] = {"machine": machine, "free": len(free), "moved": len(moved), "parts": parts, "reasons": reasons}
    more = how["replan_calm"]["parts"]["late_hour"] - how["replan"]["parts"]["late_hour"]
    figures["replan_calm_late_h"] = more / floor.request.settings.score.late_hour
    return figures, how, sum(one.findings for one in made.values())


def _calm(document: Request) -> Request:
    """The request with the price of a move that keeps most where it is."""
    settings = document["settings"]
    return {**document, "settings": {**settings, "score": {**settings.get("score", {}), "moved_task": CALM}}}


def _reasons(raw: Request, base: Plan, request: PlanRequest, made: Answered) -> Mapping[str, int]:
    """How many tasks moved for each reason."""
    rows = differences(read_request(raw), base, request, made.plan).tasks.rows
    return dict(Counter(row.reason or "" for row in rows).most_common(5))


def _budgeted(request: PlanRequest, seconds: float) -> PlanRequest:
    return request.model_copy(update={"settings": request.settings.model_copy(update={"solve_seconds": seconds})})


def _text(instant: int) -> str:
    return datetime.fromtimestamp(instant, UTC).isoformat()
