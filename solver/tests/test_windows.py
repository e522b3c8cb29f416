"""Windows of the plan solved by CP-SAT: what may move, and that what moves stays valid and gets better."""

from __future__ import annotations

from benchmarks.generator import make_request
from platerota_shared import read_request
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, SolverReport
from platerota_shared.tables import PlanRequest
from platerota_solver.clock import Clock
from platerota_solver.constructing import sequences
from platerota_solver.decoding import Decoder, fitting
from platerota_solver.describe import describe
from platerota_solver.kernel.state import first_choices
from platerota_solver.listener import Listener
from platerota_solver.problem import build_problem
from platerota_solver.schedule import runs_and_tasks
from platerota_solver.windows import Windows, movable_runs


def plans_before_and_after(request: PlanRequest) -> tuple[Plan, Plan, Windows]:
    """The due-date plan, and what windows alone make of it."""
    problem = build_problem(request)
    decoder = Decoder(problem)
    choices = fitting(decoder, first_choices(problem, sequences(problem)["due"]))
    windows = Windows(problem, decoder, choices, decoder.schedule(choices), Clock(request.settings, Listener()))

    def plan() -> Plan:
        runs, tasks = runs_and_tasks(problem, windows.schedule)
        return describe(
            request, runs, tasks, bound=0.0, quality="feasible", unplaced={}, solver=SolverReport(seconds=0.0, seed=request.settings.seed))

    before = plan()
    windows.run(1.0)
    return before, plan(), windows


def week(**settings: object) -> dict[str, object]:
    raw = make_request("small", 3, ("plain",), solve_seconds=2)
    raw["settings"].update(repeatable=True, **settings)
    return raw


def test_windows_make_a_due_date_plan_better_and_keep_it_valid() -> None:
    request = read_request(week())
    before, after, windows = plans_before_and_after(request)
    assert after.score.total < before.score.total
    assert audit(request, after) == []
    assert windows.better > 0
    assert windows.discarded == 0


def test_a_window_sees_the_makespan() -> None:
    """With points for the makespan alone, windows still find something to gain."""
    request = read_request(week(solve_seconds=8, score={"late_hour": 0, "finish_hour": 0, "makespan_hour": 1}))
    before, after, _ = plans_before_and_after(request)
    assert after.score.total < before.score.total
    assert audit(request, after) == []


def test_a_holiday_of_the_whole_shop_does_not_nail_the_plan_down() -> None:
    """People and mills are closed then anyhow; only a plate's own closure keeps its runs where they are."""
    raw = week()
    shop = raw["shop"]
    assert isinstance(shop, dict)
    shop["closures"] = [{"start": "2027-03-05T00:00:00", "end": "2027-03-06T00:00:00"}]
    problem = build_problem(read_request(raw))
    decoder = Decoder(problem)
    choices = fitting(decoder, first_choices(problem, sequences(problem)["due"]))
    schedule = decoder.schedule(choices)
    assert len(movable_runs(problem, schedule)) == len(schedule.runs)


def test_windows_held_to_the_clock_keep_the_plan_valid_and_never_make_it_worse() -> None:
    """How much better it gets in a second depends on the machine."""
    raw = make_request("small", 3, ("plain",), solve_seconds=2)
    raw["settings"]["repeatable"] = False
    request = read_request(raw)
    before, after, windows = plans_before_and_after(request)
    assert after.score.total <= before.score.total
    assert audit(request, after) == []
    assert windows.solved > 0
