"""`python -m benchmarks.measure FAMILY SEED FEATURES SECONDS`: the figures of one request, as one line of JSON."""

from __future__ import annotations

import json
import resource
import sys
from collections.abc import Callable
from statistics import median
from time import perf_counter
from typing import TypeVar

from benchmarks.generator import make_request, read_features
from benchmarks.goals import Figures
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, Stage
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest
from platerota_solver import Listener, due_date_plan, solve
from platerota_solver.describe import describe

T = TypeVar("T")


class Watch(Listener):
    """Keeps what each stage reached."""

    def __init__(self) -> None:
        self.stages: list[Stage] = []

    def stage(self, stage: Stage) -> None:
        """Keep a stage."""
        self.stages.append(stage)


def measure(family: str, seed: int, features: str, seconds: float) -> Figures:
    """The figures of one request; the compiled parts are warmed up on a tiny one first."""
    solve(read_request(make_request("tiny", 1, read_features(features), solve_seconds=0.5)))
    body = json.dumps(make_request(family, seed, read_features(features), seconds)).encode()
    request, reading = _timed(lambda: read_request(body))
    dispatched = due_date_plan(request)
    watch = Watch()
    began = perf_counter()
    plan = solve(request, watch)
    solving = perf_counter() - began
    findings, auditing = _timed(lambda: audit(request, plan))
    first = next(stage for stage in watch.stages if stage.name == "constructive")
    return {
        "around_ms": reading + _timed(plan.text)[1], "constructive_ms": 1_000 * first.seconds,
        "describe_ms": _timed(lambda: _describe_again(request, plan))[1], "audit_ms": auditing,
        "runs": len(plan.runs), "dispatcher_late": _late(dispatched), "dispatcher_busy": _busy(dispatched),
        "constructive_ratio": (first.total or 0.0) / dispatched.score.total, "ratio": plan.score.total / dispatched.score.total,
        "late": _late(plan), "gap": plan.score.gap, "proved": float(plan.quality == "optimal"), "solve_s": solving,
        "memory_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "findings": len(findings) + len(audit(request, dispatched)),
    }


def _describe_again(request: PlanRequest, plan: Plan) -> Plan:
    unplaced = {order.id: order.why or "" for order in plan.orders if not order.placed}
    return describe(
        request, plan.runs, plan.tasks, bound=plan.score.bound, quality=plan.quality, unplaced=unplaced, solver=plan.solver,
    )


def _timed(work: Callable[[], T]) -> tuple[T, float]:
    """What the work gives, and the median of its milliseconds in three goes."""

    def once() -> tuple[T, float]:
        began = perf_counter()
        result = work()
        return result, 1_000 * (perf_counter() - began)

    goes = [once() for _ in range(3)]
    return goes[0][0], median(duration for _, duration in goes)


def _late(plan: Plan) -> float:
    """The share of orders that are late or unplaced."""
    return sum(not order.placed or bool(order.late_seconds) for order in plan.orders) / len(plan.orders)


def _busy(plan: Plan) -> float:
    """The share of the operators' working time that goes into tasks, until the last task ends."""
    total = sum(sum(one.seconds.values()) for one in plan.kpis.operators)
    return 1 - sum(one.seconds.get("free", 0) for one in plan.kpis.operators) / total


if __name__ == "__main__":
    family, seed, features, seconds = sys.argv[1:]
    print(json.dumps(measure(family, int(seed), features, float(seconds))))
