"""How an order's plates are fetched (kernel.visits, kernel.holding): by hand on tiny shops, and the audit on any mix of habits."""

from __future__ import annotations

from random import Random

import pytest

from benchmarks.generator import FEATURES, make_request
from platerota_shared import read_request
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, SolverReport
from platerota_solver.constructing import sequences, split_tokens
from platerota_solver.decoding import Decoder, fitting
from platerota_solver.describe import describe
from platerota_solver.kernel.state import LATE_HABITS, Choices, first_choices
from platerota_solver.problem import Problem, build_problem
from platerota_solver.schedule import Schedule, runs_and_tasks

from .shops import Raw, add_part, mill, order, plate, shift, times, tiny_shop


def planned(problem: Problem, schedule: Schedule) -> Plan:
    """The plan of a schedule, nothing proved."""
    runs, tasks = runs_and_tasks(problem, schedule)
    left = {problem.request.orders[number].id: "left out" for number in schedule.unplaced}
    report = SolverReport(seconds=0.0, seed=1)
    return describe(problem.request, runs, tasks, bound=0.0, quality="feasible", unplaced=left, solver=report)


def decoded(raw: Raw, late: int, sequence: list[int]) -> Plan:
    """The plan of a sequence whose orders all have that habit, audited."""
    problem = build_problem(read_request(raw))
    choices = first_choices(problem, sequence)
    choices.late[:], choices.room[:] = late, 0
    decoder = Decoder(problem)
    assert decoder.run(choices) == -1
    plan = planned(problem, decoder.schedule(choices))
    assert audit(problem.request, plan) == []
    return plan


def two_plates(**fields: int) -> Raw:
    """The tiny shop with a second plate, so that the exchange counts."""
    raw = tiny_shop(**fields)
    raw["shop"]["plates"].append(plate("P2"))
    return raw


def test_the_operator_goes_to_the_mill_once() -> None:
    """Cut 610-3,010; P2 waits loaded since 1,210. Pull at 3,010, place at 3,020, and P1 is unloaded beside the cut."""
    plan = decoded(two_plates(quantity=2), 1, [0])
    assert times(plan, "pull")[0] == (3_010, 3_020)
    assert times(plan, "place")[1] == (3_020, 3_030)
    assert times(plan, "unload")[0] == (3_030, 3_330)
    assert times(plan, "cut")[1] == (3_030, 5_430)


def test_where_somebody_is_free_the_plate_is_pulled_before_the_next_is_ready() -> None:
    """Bo exchanges and unloads, Ana loads. Her second load waits for material until 3,000 and ends at 3,600: Bo has pulled P1 at 3,010."""
    raw = two_plates()
    raw["shop"]["operators"] = [{"id": "Ana", "skills": ["load"]}, {"id": "Bo", "skills": ["exchange", "unload"]}]
    raw["shop"]["shifts"] = [shift("Ana"), shift("Bo")]
    raw["orders"] = [order("A"), order("B", release="2027-03-01T06:50:00Z")]
    plan = decoded(raw, 2, [0, 1])
    assert times(plan, "pull")[0] == (3_010, 3_020)
    assert times(plan, "unload")[0] == (3_020, 3_320)
    assert times(plan, "cut")[1] == (3_610, 6_010)


@pytest.mark.parametrize(("late", "pulled"), [(0, 3_010), (1, 3_010), (2, 4_210)])
def test_the_last_plate_of_an_order_waits_only_where_its_habit_says_so(late: int, pulled: int) -> None:
    """Ana loads a plate for M2 from 2,400 to 4,200 and places it by 4,210: A's plate in M1 is pulled before that, or by and by."""
    raw = tiny_shop()
    raw["shop"]["machines"].append(mill("M2"))
    add_part(raw, "V", "G")
    raw["shop"]["fixtures"][0]["machines"], raw["shop"]["fixtures"][1]["machines"] = ["M1"], ["M2"]
    raw["shop"]["fixtures"][1]["load_seconds"] = 1_800
    raw["orders"] = [order("A"), order("B", part="V", release="2027-03-01T06:40:00Z")]
    plan = decoded(raw, late, [0, 1])
    first = next(task for task in plan.tasks if task.kind == "pull" and task.plate == "P1")
    assert first.start - read_request(raw).now == pulled


def test_a_visit_that_finds_no_end_is_its_own_order_s_fault() -> None:
    """Bo, who alone may unload, leaves at 3,300: A's piece is cut by 3,010, but its plate waits for B's, so A does not fit."""
    raw = two_plates()
    raw["settings"]["horizon_days"] = 1
    raw["shop"]["operators"] = [{"id": "Ana", "skills": ["load", "exchange"]}, {"id": "Bo", "skills": ["unload"]}]
    raw["shop"]["shifts"] = [shift("Ana"), shift("Bo", "06:00", "06:55")]
    raw["orders"] = [order("A"), order("B")]
    problem = build_problem(read_request(raw))
    choices = first_choices(problem, [0, 1])
    choices.late[:] = 2
    assert Decoder(problem).run(choices) == 0


def test_no_cut_is_held_back_while_somebody_is_there() -> None:
    """Two positions, Ana there day and night: the first cut begins at 610 and the second after an exchange at its end."""
    raw = two_plates(quantity=2)
    raw["shop"]["machines"] = [mill("M1", positions=2)]
    assert times(decoded(raw, 0, [0]), "cut")[0] == (610, 3_010)


def habits(problem: Problem, random: Random) -> Choices:
    """One of the plain sequences, shuffled half the time, with habits drawn for each order."""
    choices = split_tokens(problem, random.choice(list(sequences(problem).values())))
    if random.random() < 0.5:
        tokens = choices.tokens.tolist()
        random.shuffle(tokens)
        choices.tokens[:] = tokens
    for number in range(len(choices.late)):
        choices.late[number], choices.room[number] = random.randrange(LATE_HABITS), random.randrange(3)
        choices.wait[number], choices.share[number] = random.randrange(2), random.randrange(2)
    choices.overtime[:] = random.randrange(2)
    return choices


@pytest.mark.parametrize("seed", range(1, 41))
def test_any_mix_of_habits_gives_a_plan_the_audit_passes(seed: int) -> None:
    random = Random(seed)
    features = [name for name in FEATURES if random.random() < random.choice((0.2, 0.5, 0.9))] or ["plain"]
    raw = make_request(random.choice(("tiny", "small")), seed, features)
    raw["settings"]["horizon_days"] = random.choice((3, 7, 28))
    problem = build_problem(read_request(raw))
    decoder = Decoder(problem)
    for _ in range(2):
        choices = fitting(decoder, habits(problem, random))
        assert audit(problem.request, planned(problem, decoder.schedule(choices))) == []
