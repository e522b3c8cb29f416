"""The risk of whole plans: at no spread the plan itself, in every simulated week the rules of the floor, closed forms where there are."""

from collections import Counter
from functools import cache

import numpy as np
import pytest
from scipy.stats import gamma

from benchmarks.generator import make_request, read_features
from platerota_shared import RequestRefused, read_request
from platerota_shared.audit import audit
from platerota_shared.calendars import clip, subtract
from platerota_shared.plan import TaskSpan
from platerota_shared.risks import RisksQuestion, Spread, Stops
from platerota_solver import due_date_plan
from platerota_solver.describe.book import open_book
from platerota_solver.risk import assessing, risks, tracing
from platerota_solver.risk.network import network_of
from platerota_solver.risk.running import run_weeks

from .shops import DAY, HOUR, NOW, add_part, order, plate, shift, tiny_shop

STILL = {"hand": Spread(variation=0), "cut": Spread(variation=0), "stops": Stops(per_cutting_hour=0), "samples": 100}
EXPONENTIAL = Spread(variation=1, distribution="gamma")
WEEKS = [("small", 1, "full"), ("small", 2, "full"), ("small", 3, "basic"), ("medium", 1, "full")]


@cache
def planned(family, seed, features):
    request = read_request(make_request(family, seed, read_features(features), 1.0))
    return request, due_date_plan(request)


def tiny_plan(raw):
    request = read_request(raw)
    return request, due_date_plan(request)


@pytest.mark.parametrize("week", WEEKS)
def test_without_spread_and_stops_the_plan_itself_comes_out_to_the_second(week):
    request, plan = planned(*week)
    network = network_of(open_book(request, plan.runs, plan.tasks, [row.id for row in plan.orders if not row.placed]), stay=0, ahead=False)
    done = run_weeks(network, RisksQuestion(**STILL), 2, np.random.default_rng(1))
    assert [(a - request.now, b - request.now) for a, b in ((task.start, task.end) for task in plan.tasks)] == [
        (a, b) for a, b in zip(done.starts[:, 0].tolist(), done.ends[:, 0].tolist(), strict=True)
    ]
    answer = risks(request, plan, RisksQuestion(**STILL))
    assert [row.planned_finish for row in answer.orders] == [row.finish for row in plan.orders]
    for found, result in zip(answer.orders, plan.orders, strict=True):
        if result.placed:
            assert {found.finish.early, found.finish.middle, found.finish.late, found.promise} == {result.finish}
            assert found.on_time == (result.late_seconds == 0)
    assert answer.tasks == answer.resources == ()
    for machine in answer.machines:
        assert machine.mean_share == machine.low_share == machine.high_share == machine.planned_share


@pytest.mark.parametrize("week", WEEKS)
def test_who_works_ahead_without_spread_is_never_later_than_planned(week):
    request, plan = planned(*week)
    answer = risks(request, plan, RisksQuestion(**STILL, work_ahead=True))
    for found, result in zip(answer.orders, plan.orders, strict=True):
        assert (found.finish is None) == (not result.placed)
        assert found.finish is None or found.finish.late <= result.finish


def audited(request, plan, done, week, cut_end):
    """The audit's findings on a simulated week, by rule; `cut_end` says where the end of a cut is shown."""
    book = open_book(request, plan.runs, plan.tasks, [row.id for row in plan.orders if not row.placed])
    moved = []
    for index, task in enumerate(book.tasks):
        start, end = (request.now + int(times[index, week]) for times in (done.starts, done.ends))
        spans = None
        if task.kind == "cut":
            end = cut_end(task, start, end)
        elif task.kind in ("bench", "build"):
            closures = [(row.start, row.end) for row in request.shop.closures if row.plate is not None and row.plate == task.plate]
            parts = clip(subtract(book.presence[task.operator].here, closures), start, end)
            spans = tuple(TaskSpan(start=a, end=b) for a, b in parts) if len(parts) > 1 else None
        moved.append(task.model_copy(update={"start": start, "end": end, "spans": spans, "float_seconds": 0}))
    return Counter(finding.rule for finding in audit(request, plan.model_copy(update={"tasks": tuple(moved)})))


@pytest.mark.parametrize("week", WEEKS)
@pytest.mark.parametrize("ahead", [False, True])
def test_every_simulated_week_keeps_the_rules_of_the_floor(week, ahead):
    # The audit shares no scheduling code with the simulator. Stops alone, so that only a cut's length differs from F1; shown at its
    # planned length, a cut must also lie within F9, F17 and F18. What follows from the times (F19, F20) is another plan's.
    request, plan = planned(*week)
    network = network_of(open_book(request, plan.runs, plan.tasks, [row.id for row in plan.orders if not row.placed]), stay=0, ahead=ahead)
    question = RisksQuestion(**{**STILL, "stops": Stops(per_cutting_hour=0.01)})
    done = run_weeks(network, question, 60, np.random.default_rng(4))
    inside = [k for k in range(60) if done.ends[:, k].max() < network.horizon and done.stood[:, k].any()][:12]
    assert len(inside) >= 6
    for k in inside:
        as_planned = audited(request, plan, done, k, lambda task, start, end: start + task.end - task.start)
        assert set(as_planned) <= {"F19", "F20"}, as_planned
        as_happened = audited(request, plan, done, k, lambda task, start, end: end)
        assert set(as_happened) <= {"F1", "F9", "F17", "F18", "F19", "F20"}, as_happened
        assert as_happened["F1"] == int((done.stood[:, k] > 0).sum())


def test_the_same_seed_gives_the_same_answer_to_the_byte_and_another_seed_another():
    request, plan = planned("small", 1, "full")
    answers = [risks(request, plan, RisksQuestion(samples=300, seed=seed)).model_dump_json() for seed in (5, 5, 6)]
    assert answers[0] == answers[1]
    assert answers[0] != answers[2]


def test_weeks_simulated_in_blocks_are_all_counted(monkeypatch):
    request, plan = planned("small", 3, "basic")
    monkeypatch.setattr(assessing, "BLOCK_CELLS", 37 * len(plan.tasks))
    answer = risks(request, plan, RisksQuestion(samples=500))
    for row in answer.orders:
        assert round(row.on_time * 500, 6).is_integer()
    whole = risks(request, plan, RisksQuestion(samples=500, seed=2))
    assert np.mean([row.on_time for row in answer.orders]) == pytest.approx(np.mean([row.on_time for row in whole.orders]), abs=0.1)


def test_one_run_finishes_as_the_sum_of_two_exponential_times_says():
    # Load 600 s and unload 300 s exponential, the cut 2,400 s as it is. P(L + U > t) = (a e^(−t/a) − b e^(−t/b)) ÷ (a − b), a 600, b 300
    # (hypoexponential distribution; any textbook on probability).
    raw = tiny_shop(due=2_400 + 1_200)
    raw["shop"]["machines"][0].update(place_seconds=0, pull_seconds=0)
    request, plan = tiny_plan(raw)
    question = RisksQuestion(**{**STILL, "hand": EXPONENTIAL, "samples": 10_000}, work_ahead=True)
    (found,) = risks(request, plan, question).orders

    def later(t):
        return (600 * np.exp(-t / 600) - 300 * np.exp(-t / 300)) / 300

    assert found.on_time == pytest.approx(1 - later(1_200), abs=0.015)
    for instant, share in ((found.finish.early, 0.1), (found.finish.middle, 0.5), (found.finish.late, 0.9), (found.promise, 0.9)):
        assert 1 - later(instant - NOW - 2_400) == pytest.approx(share, abs=0.015)


def test_the_promise_is_the_quantile_at_the_wanted_certainty():
    # Only the cut spreads: gamma with v = .5 is shape 4, scale 600 s; 610 s of load and place before it, 310 s of pull and unload after.
    request, plan = tiny_plan(tiny_shop())
    for certainty in (0.5, 0.8, 0.99):
        asked = {**STILL, "cut": Spread(variation=0.5, distribution="gamma"), "samples": 10_000, "certainty": certainty}
        question = RisksQuestion(**asked, work_ahead=True)
        (found,) = risks(request, plan, question).orders
        assert found.promise - NOW == pytest.approx(610 + gamma.ppf(certainty, 4, scale=600) + 310, rel=0.02)


def test_a_missed_shift_costs_the_night_and_the_operator_is_named():
    # 600 + 10 s before the cut, 10 + 300 s after it; Ana leaves a minute after the planned pull and unload would end.
    raw = tiny_shop(due=2 * HOUR)
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "06:57")]
    request, plan = tiny_plan(raw)
    stops = Stops(per_cutting_hour=1, mean_seconds=600, variation=0, needs_person=False)
    answer = risks(request, plan, RisksQuestion(**{**STILL, "stops": stops, "samples": 5_000}, stay_minutes=0))
    # No stop in 2,400 s of cutting at one an hour: e^(−2/3); every stop makes the pull miss the shift.
    assert answer.all_on_time == answer.orders[0].on_time == pytest.approx(np.exp(-2 / 3), abs=0.02)
    assert answer.orders[0].finish.late - NOW == DAY + 310
    (away,) = answer.resources
    assert (away.resource, away.id, away.cause, away.share) == ("operator", "Ana", "away", 1.0)
    assert answer.orders[0].tasks[0].id == answer.tasks[0].id == "R1.cut"
    assert answer.tasks[0].adds_seconds == pytest.approx(600 * (2 / 3) / (1 - np.exp(-2 / 3)), rel=0.03)
    # Whoever stays long enough saves it.
    stays = risks(request, plan, RisksQuestion(**{**STILL, "stops": stops, "samples": 5_000}, stay_minutes=120))
    assert stays.all_on_time == 1.0


def test_the_machine_that_another_order_occupies_is_named():
    raw = tiny_shop(due=3_320 + 60)
    add_part(raw, "V", "G")
    raw["orders"].append(order("Q", due=8_000, part="V"))
    request, plan = tiny_plan(raw)
    answer = risks(request, plan, RisksQuestion(**{**STILL, "cut": Spread(variation=0.5), "samples": 1_000}))
    second = max(answer.orders, key=lambda row: row.planned_finish)
    assert second.resources[0].cause == "busy"
    assert {"machine", "operator"} >= {row.resource for row in second.resources}
    assert {row.id for row in second.tasks} >= {"R1.cut", "R2.cut"}


def test_an_order_that_is_not_placed_has_no_chance_and_the_plan_none_of_being_on_time():
    raw = tiny_shop()
    raw["orders"].append(order("Big", quantity=2_000))
    request, plan = tiny_plan(raw)
    answer = risks(request, plan, RisksQuestion(**STILL))
    unplaced = [row for row in answer.orders if row.planned_finish is None]
    assert [row.id for row in unplaced] == ["Big"]
    assert (unplaced[0].on_time, unplaced[0].finish, unplaced[0].promise, answer.all_on_time) == (None, None, None, 0.0)


def test_what_no_longer_fits_the_horizon_is_late_and_has_no_date():
    raw = tiny_shop(due=3 * DAY)
    raw["settings"]["horizon_days"] = 1
    raw["shop"]["shifts"] = [shift("Ana", "06:00", "06:57")]
    request, plan = tiny_plan(raw)
    stops = Stops(per_cutting_hour=60, mean_seconds=600)
    answer = risks(request, plan, RisksQuestion(**{**STILL, "stops": stops}, stay_minutes=0))
    assert answer.orders[0].on_time == 0.0
    assert answer.orders[0].promise is answer.orders[0].finish.early is None


def test_a_request_without_orders_is_answered():
    raw = tiny_shop()
    raw["orders"] = []
    request, plan = tiny_plan(raw)
    answer = risks(request, plan, RisksQuestion())
    assert (answer.all_on_time, answer.orders, answer.tasks) == (1.0, (), ())
    assert answer.machines[0].mean_share == 0.0


def test_the_plan_of_another_request_is_refused():
    request, plan = tiny_plan(tiny_shop())
    other = tiny_shop()
    other["orders"][0]["id"] = "Else"
    with pytest.raises(ValueError, match="not one of this request"):
        risks(read_request(other), plan, RisksQuestion())
    moved = tiny_shop()
    moved["shop"]["plates"] = [plate("P9")]
    with pytest.raises(ValueError, match="not one of this request"):
        risks(read_request(moved), plan, RisksQuestion())
    assert risks(request, plan, RisksQuestion(samples=100)).orders[0].id == "O"


def test_more_stops_than_can_be_simulated_are_refused_with_a_pointer():
    raw = tiny_shop(quantity=80)
    raw["shop"]["operations"][0]["cut_seconds"] = 6_000
    request, plan = tiny_plan(raw)
    with pytest.raises(RequestRefused) as refused:
        risks(request, plan, RisksQuestion(samples=10_000, stops=Stops(per_cutting_hour=60)))
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/stops/per_cutting_hour", "out-of-range")]


def test_what_drives_lateness_is_the_same_whether_orders_are_looked_at_together_or_one_by_one(monkeypatch):
    """Many orders and simulated weeks at once would need tables of many gigabytes, so they are taken in groups."""
    request, plan = planned("small", 3, "basic")
    whole = risks(request, plan, RisksQuestion(samples=200))
    monkeypatch.setattr(tracing, "_CELLS", 1)
    assert risks(request, plan, RisksQuestion(samples=200)) == whole
    assert whole.tasks
