"""`python -m benchmarks.measure PART FAMILY FEATURES SEED SECONDS [SOLVER_SEED]`: one job, measured; its row as one line of JSON."""

from __future__ import annotations

import hashlib
import json
import resource
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any, TypeVar

from benchmarks.generator import make_request, read_features
from benchmarks.jobs import Job, Row
from benchmarks.monolith import WORKERS, solve_monolith
from benchmarks.trips import CannotExpress, constructive_plan
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, Stage
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest
from platerota_solver import Listener, due_date_plan, solve, warm
from platerota_solver.describe import describe

T = TypeVar("T")
Request = dict[str, Any]
MOST_SECONDS = 600.0
"""The longest budget that a request may ask for."""
LONG_SECONDS = 2.0
"""What takes longer is timed once instead of three times."""
FIRST_PART = 1 / 3
"""The share of the budget in which most of the improvement should be there."""


class Watch(Listener):
    """Keeps what each stage reached, and the least points known at each time."""

    def __init__(self) -> None:
        self.began = perf_counter()
        self.stages: list[Stage] = []
        self.progress: list[tuple[float, float]] = []

    def stage(self, stage: Stage) -> None:
        """Keep a stage."""
        self.stages.append(stage)
        if stage.total is not None:
            self.progress.append((perf_counter() - self.began, stage.total))

    def improved(self, plan: Plan) -> None:
        """Keep its points."""
        self.progress.append((perf_counter() - self.began, plan.score.total))


def improved_by(progress: list[tuple[float, float]], seconds: float) -> float:
    """The share of the whole improvement (first points to least) that was shown until `seconds`; 1 where nothing improved."""
    if not progress:
        return 1.0
    first, last = progress[0][1], min(total for _, total in progress)
    then = min((total for at, total in progress if at <= seconds), default=first)
    return 1.0 if first <= last else (first - then) / (first - last)


def digest(raw: Request) -> str:
    """What a request is known by, whatever its settings: 12 hex digits."""
    body = {name: value for name, value in raw.items() if name != "settings"}
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()[:12]


def generated(job: Job) -> Request:
    """The request of a job."""
    raw = make_request(job.family, job.seed, read_features(job.features), min(job.seconds, MOST_SECONDS))
    if job.solver_seed is not None:
        raw["settings"]["seed"] = job.solver_seed
    return raw


def read_with_budget(raw: Request, seconds: float) -> PlanRequest:
    """The checked request, with a budget that may be longer than a caller's: a night."""
    request = read_request(raw)
    return request.model_copy(update={"settings": request.settings.model_copy(update={"solve_seconds": seconds})})


def measure(job: Job) -> Row:
    """The row of a job; the compiled parts are loaded first."""
    warm()
    figures, how = MEASURES[job.part](job)
    figures["memory_mib"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {**asdict(job), "figures": figures, "how": {"version": version("platerota"), "commit": commit(), **how}}


def commit() -> str:
    """The short id of the commit that was measured, with a + where files of the solver differ from it; "unknown" outside a checkout."""
    here = Path(__file__).parent
    named = _git("rev-parse", "--short", "HEAD", cwd=here)
    same = _git("diff", "--quiet", "HEAD", "--", "../platerota_solver", "../../shared", cwd=here)
    return "unknown" if named.returncode else named.stdout.strip() + "+" * bool(same.returncode)


def _git(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = ["git", *arguments]
    try:
        return subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    except FileNotFoundError:  # a machine needs no git to measure
        return subprocess.CompletedProcess(command, 127, "", "")


Measured = tuple[dict[str, float], dict[str, Any]]


def _solve(job: Job) -> Measured:
    """Everything about one solve, the due-date dispatcher beside it."""
    raw = generated(job)
    body = json.dumps(raw).encode()
    request, reading = _timed(lambda: read_request(body))
    dispatched = due_date_plan(request)
    watch, plan, solving = _watched(request)
    findings, auditing = _timed(lambda: audit(request, plan))
    first = next(stage for stage in watch.stages if stage.name == "constructive")
    return {
        "around_ms": reading + _timed(plan.text)[1], "constructive_ms": 1_000 * first.seconds,
        "describe_ms": _timed(lambda: _describe_again(request, plan))[1], "audit_ms": auditing,
        "runs": len(plan.runs), "dispatcher_late": _late(dispatched), "dispatcher_busy": _busy(dispatched),
        "constructive_ratio": (first.total or 0.0) / dispatched.score.total, "ratio": plan.score.total / dispatched.score.total,
        "late": _late(plan), "score": plan.score.total, "gap": plan.score.gap, "proved": float(plan.quality == "optimal"),
        "anytime": improved_by([*watch.progress, (solving, plan.score.total)], FIRST_PART * job.seconds),
        "solve_s": solving, "findings": len(findings) + len(audit(request, dispatched)),
    }, _how("solver", raw, plan)


def _once(job: Job) -> Measured:
    """One solve: its score alone."""
    raw = generated(job)
    request = read_with_budget(raw, job.seconds)
    _, plan, solving = _watched(request)
    figures = {"score": plan.score.total, "solve_s": solving, "findings": float(len(audit(request, plan)))}
    return figures | {"proved": float(plan.quality == "optimal")}, _how("solver", raw, plan)


def _reference(job: Job) -> Measured:
    """Monolith or PyJobShop; no figures where the request uses what it cannot express."""
    from benchmarks.pyjobshop_model import solve_pyjobshop

    raw = generated(job)
    request = read_request(raw)
    solver = solve_monolith if job.part == "monolith" else solve_pyjobshop
    try:
        found = solver(request, job.seconds)
    except CannotExpress as refused:
        return {}, {"refused": str(refused)}
    how = {"by": job.part, "workers": WORKERS, "stage": found.status, "solver_seed": raw["settings"]["seed"], "request": digest(raw)}
    return {"score": found.plan.score.total, "solve_s": found.seconds, "findings": 0.0}, how


def _published(job: Job) -> Measured:
    from benchmarks.published import solve_published

    return solve_published(job.family, job.seconds), {}


def _scale(job: Job) -> Measured:
    """Milliseconds and memory of each step that is not search, medians of three."""
    raw = generated(job)
    body = json.dumps(raw).encode()
    request, reading = _timed(lambda: read_request(body))
    plan = constructive_plan(request)
    seconds = [stage.seconds for stage in plan.solver.stages if stage.name == "constructive"]
    while len(seconds) < 3 and max(seconds) < LONG_SECONDS:
        seconds += [stage.seconds for stage in constructive_plan(request).solver.stages if stage.name == "constructive"]
    findings, auditing = _timed(lambda: audit(request, plan))
    return {
        "runs": len(plan.runs), "read_ms": reading, "constructive_ms": 1_000 * median(seconds),
        "describe_ms": _timed(lambda: _describe_again(request, plan))[1], "audit_ms": auditing,
        "write_ms": _timed(plan.text)[1], "findings": len(findings),
    }, {}


def _decisions(job: Job) -> Measured:
    from benchmarks.decisions import measure_decisions

    return measure_decisions(generated(job), job.seconds)


def _levers(job: Job) -> Measured:
    from benchmarks.levers import measure_levers

    return measure_levers(generated(job), job.seconds)


MEASURES: dict[str, Callable[[Job], Measured]] = {
    "solve": _solve, "seeds": _once, "night": _once, "monolith": _reference, "pyjobshop": _reference,
    "published": _published, "scale": _scale, "decisions": _decisions, "levers": _levers,
}


def _watched(request: PlanRequest) -> tuple[Watch, Plan, float]:
    watch = Watch()
    plan = solve(request, watch)
    return watch, plan, perf_counter() - watch.began


def _how(by: str, raw: Request, plan: Plan) -> dict[str, Any]:
    """How a plan of our solver was reached: the stage after which it got no better."""
    stages = [stage for stage in plan.solver.stages if stage.total is not None]
    best = next((stage.name for stage in stages if (stage.total or 0.0) <= plan.score.total + 1e-6), "")
    return {
        "by": by, "workers": 2, "stage": best, "solver_seed": plan.solver.seed, "request": digest(raw), "bound": plan.score.bound,
    }


def _describe_again(request: PlanRequest, plan: Plan) -> Plan:
    unplaced = {order.id: order.why or "" for order in plan.orders if not order.placed}
    return describe(
        request, plan.runs, plan.tasks, bound=plan.score.bound, quality=plan.quality, unplaced=unplaced, solver=plan.solver,
    )


def _timed(work: Callable[[], T]) -> tuple[T, float]:
    """What the work gives, and the median of its milliseconds in three goes; in one where that takes long."""

    def once() -> tuple[T, float]:
        began = perf_counter()
        result = work()
        return result, 1_000 * (perf_counter() - began)

    result, taken = once()
    goes = [taken] if taken > LONG_SECONDS * 1_000 else [taken, once()[1], once()[1]]
    return result, median(goes)


def _late(plan: Plan) -> float:
    """The share of orders that are late or unplaced."""
    return sum(not order.placed or bool(order.late_seconds) for order in plan.orders) / len(plan.orders)


def _busy(plan: Plan) -> float:
    """The share of the operators' working time that goes into tasks, until the last task ends."""
    total = sum(sum(one.seconds.values()) for one in plan.kpis.operators)
    return 1 - sum(one.seconds.get("free", 0) for one in plan.kpis.operators) / total


if __name__ == "__main__":
    part, family, features, seed, seconds, *rest = sys.argv[1:]
    print(json.dumps(measure(Job(part, family, features, int(seed), float(seconds), int(rest[0]) if rest else None))))
