"""What two plans differ in: orders by pain, tasks with their reasons, hours and money, and the same as rows."""

from __future__ import annotations

import csv
import io
from math import isclose
from zoneinfo import ZoneInfo

import pytest

from platerota_shared.differences import COLUMNS, Differences, difference_rows, differences
from platerota_shared.differences.answer import Figure
from platerota_shared.instants import local_text
from platerota_shared.plan import ScoreParts
from platerota_shared.tables import Closure

from .audit_drafts import Draft
from .audit_plans import NOW
from .audit_weeks import WEEKS
from .test_costs import priced


def compared(base: Draft, other: Draft) -> Differences:
    return differences(base.request, base.plan, other.request, other.plan)


def reasons(found: Differences) -> dict[str, str]:
    return {f"{row.change} {row.task or row.base_task}": row.reason for row in found.tasks.rows}


@pytest.mark.parametrize("week", WEEKS)
def test_a_plan_does_not_differ_from_itself(week: str) -> None:
    draft = priced(week)
    found = compared(draft, draft)
    assert (found.orders.worse, found.orders.better, found.orders.new, found.orders.gone, found.orders.done) == ((), (), (), (), ())
    assert set(found.orders.stayed) == {order.id for order in draft.request.orders}
    assert (found.tasks.rows, found.tasks.moved_for_score, found.tasks.kept) == ((), 0, len(draft.plan.tasks))
    assert found.tasks.kept_runs == found.tasks.runs == len(draft.plan.runs)
    assert found.score.comparable
    assert {figure.change for figure in (found.score.total, *found.score.parts.values(), found.spindle_seconds, found.setups)} == {0}
    assert found.money is not None
    assert (found.money.plan.change, found.money.orders) == (0, {})
    assert set(found.score.parts) == set(ScoreParts.model_fields)
    assert Differences.model_validate(found.model_dump()) == found


def later(draft: Draft, seconds: int) -> Draft:
    """The plan with every task that much later, and what follows from it."""
    tasks = tuple(task.model_copy(update={"start": task.start + seconds, "end": task.end + seconds}) for task in draft.plan.tasks)
    return draft.with_plan(tasks=tasks).described()


def test_orders_are_told_of_by_pain() -> None:
    # By hand: O1 finishes at 3330 of 7200 s, O2 at 5140 of 10800 s; 6000 s later O1 is 2130 s late, O2 340 s with weight 10.
    base = Draft.of("setups").asked("O2", weight=10.0)
    found = compared(base, later(base, 6000)).orders
    assert [(row.id, row.change, row.finish_seconds, row.late_seconds) for row in found.worse] == [
        ("O2", "later", 6000, 340), ("O1", "later", 6000, 2130),
    ]
    assert [row.pain for row in found.worse] == [10 * 340 / 3600, 2130 / 3600]
    back = compared(later(base, 6000), base).orders
    assert [(row.id, row.change, row.pain) for row in back.better] == [("O2", "earlier", -10 * 340 / 3600), ("O1", "earlier", -2130 / 3600)]


def test_an_order_that_loses_its_place_comes_before_any_that_is_late() -> None:
    base = Draft.of("setups")
    other = later(base, 6000)
    lost = other.order("O2", placed=False, start=None, finish=None, late_seconds=None, why="no operator is on shift")
    found = compared(base, lost).orders
    assert [(row.id, row.change, row.pain) for row in found.worse] == [("O2", "unplaced", None), ("O1", "later", 2130 / 3600)]
    assert found.worse[0].why == "no operator is on shift"
    assert [(row.id, row.change) for row in compared(lost, base).orders.better] == [("O2", "placed"), ("O1", "earlier")]


def test_an_order_whose_due_date_moves_is_told_of_though_it_finishes_when_it_did() -> None:
    base = Draft.of("setups")
    other = base.asked("O1", due=NOW + 1000).order("O1", due=NOW + 1000).described()
    row, = compared(base, other).orders.worse
    assert (row.id, row.changed, row.finish_seconds, row.late_seconds) == ("O1", ("due",), 0, 2330)


def only(draft: Draft, order: str, run: str) -> Draft:
    """The week with one order and its run alone."""
    rows = tuple(row for row in draft.request.orders if row.id == order)
    request = draft.request.model_copy(update={"orders": rows})
    plan = draft.with_plan(
        orders=tuple(row for row in draft.plan.orders if row.id == order), runs=tuple(row for row in draft.plan.runs if row.id == run),
        tasks=tuple(task for task in draft.plan.tasks if task.run == run),
    ).plan
    return Draft(request, plan).described()


def test_new_and_gone_orders_and_why_their_tasks_are() -> None:
    both, one = Draft.of("setups"), only(Draft.of("setups"), "O1", "R1")
    more = compared(one, both)
    assert [place.id for place in more.orders.new] == ["O2"]
    assert {reason for name, reason in reasons(more).items() if name.startswith("new R2")} == {"order O2 is new"}
    assert (more.setups.base, more.setups.plan) == (1, 2)
    less = compared(both, one)
    assert [place.id for place in less.orders.gone] == ["O2"]
    assert set(reasons(less).values()) == {"order O2 is not in this plan"}
    assert less.tasks.moved_for_score == 0
    assert less.spindle_seconds.change == -1800


def test_a_task_moves_for_a_closure_then_for_its_own_run_then_for_who_is_busy() -> None:
    base = Draft.of("two_plates")
    away = base.put("R3.load", start=2700).shop(closures=(Closure(operator="Ann", start=NOW + 2600, end=NOW + 2700, reason="a call"),))
    assert reasons(compared(base, away)) == {"moved R3.load": "Ann is away then: a call"}
    held = base.put("R3.cut", end=8000).put("R3.pull", start=8000).put("R3.unload", start=8010)
    assert reasons(compared(base, held)) == {
        "moved R3.pull": "R3.cut is not over then", "moved R3.unload": "R3.cut is not over then",
    }
    busy = base.put("R2.load", start=2560).put("R1.unload", start=2700)
    assert reasons(compared(base, busy))["moved R1.unload"] == "Ann is at R2.load then, for order O1"


def test_a_task_goes_with_the_cut_of_its_run() -> None:
    base = Draft.of("two_plates")
    broken = base.put("R3.load", start=2800).closed(5000, 5100, machine="M1", reason="chips")
    assert reasons(compared(base, broken)) == {"moved R3.load": "M1 is closed when R3.cut was to run: chips"}
    later = base.put("R2.load", start=400).put("R2.cut", start=2650)
    assert reasons(compared(base, later)) == {
        "moved R2.load": "it goes with R2.cut, which is later",
        "moved R2.cut": "nothing is in its way there; it was moved for the plan as a whole",
    }


def test_a_task_is_earlier_where_somebody_is_free_earlier() -> None:
    base = Draft.of("two_plates")
    found = compared(base, base.put("R1.unload", start=7500).put("R3.load", start=2550))
    assert reasons(found)["moved R3.load"] == "Ann is free earlier: R1.unload of the plan before is not there"


def test_work_that_only_one_plan_has_is_done_otherwise_in_the_other() -> None:
    base = Draft.of("two_plates")
    found = reasons(compared(base, base.pieces("R3", pieces=3)))
    assert set(found) == {f"{change} R3.{kind}" for change in ("gone", "new") for kind in ("load", "place", "cut", "pull", "unload")}
    assert set(found.values()) == {"pieces of order O1 are put together to runs otherwise"}
    base = Draft.of("setups")
    assert reasons(compared(base, base.drop("R2.setup"))) == {"gone R2.setup": "fixtures follow each other otherwise on M1"}


def test_a_task_under_way_when_the_plan_begins_says_so() -> None:
    base = Draft.of("two_plates")
    begun = base.put("R1.load", start=100).with_plan(now=NOW + 60)
    row, = compared(base, begun).tasks.rows
    assert (row.base_task, row.reason) == ("R1.load", "it was under way and not over when the plan begins")
    away = begun.closed(60, 90, operator="Ann", reason="a call")
    row, = compared(base, away).tasks.rows
    assert row.reason == "Ann is away then: a call"


def test_orders_done_by_the_new_now_are_done_and_only_the_rest_is_compared() -> None:
    base = priced("setups")
    rest = only(base, "O2", "R2")
    found = compared(base, rest.with_plan(now=NOW + 4000))
    assert found.orders.done == ("O1",)
    assert not found.score.comparable
    assert (found.spindle_seconds.base, found.spindle_seconds.plan) == (1070, 1070)
    assert found.tasks.done == 9
    assert found.money is not None
    assert isclose(found.money.plan.base, found.money.plan.plan)


def test_a_total_without_the_points_of_moved_tasks_says_so_in_its_row() -> None:
    plain, replanned = Draft.of("setups"), Draft.of("setups").part("moved_task")
    (total, *_), (told, *parts) = (
        [row for row in difference_rows(compared(base, plain)) if row["section"] == "score"] for base in (plain, replanned)
    )
    assert (total["change"], total["detail"], told["change"]) == (0, None, pytest.approx(0))
    assert told["detail"] == "without moved_task, which each of the two plans counts against another one"
    assert [(row["base"], row["plan"]) for row in parts if row["what"] == "moved_task"] == [(10, 0)]


def test_money_needs_hour_costs_on_both_sides_and_names_the_orders_that_differ() -> None:
    base, other = priced("setups"), priced("setups", mill=120.0)
    found = compared(base, other).money
    assert found is not None
    assert {name: round(figure.change, 6) for name, figure in found.orders.items()} == {"O1": 40.0, "O2": 30.0}
    assert isclose(found.plan.change, 70.0)
    assert compared(Draft.of("setups"), other).money is None


def test_a_machine_of_one_side_only_does_nothing_on_the_other() -> None:
    base = Draft.of("two_plates")
    more = base.twin("machines", "M1", id="M2")
    assert [(row.id, row.busy_seconds.base, row.busy_seconds.plan) for row in compared(base, more).hours] == [
        ("M1", 7200, 7200), ("M2", 0, 0), ("Ann", 600, 600),
    ]


def test_the_rows_say_the_same_and_can_be_written_as_csv() -> None:
    base = Draft.of("setups")
    found = compared(base, later(base, 6000))
    rows = difference_rows(found)
    assert all(tuple(row) == COLUMNS for row in rows)
    assert [row["change"] for row in rows if row["section"] == "order"] == [6000, 6000]
    assert [row["id"] for row in rows if row["section"] == "task"] == [row.task for row in found.tasks.rows]
    assert next(row for row in rows if row["section"] == "order")["base"].startswith("2027-03-01T06:55:30")
    assert {row["what"] for row in rows if row["section"] == "score"} == {"total", *ScoreParts.model_fields}
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerows(rows)
    assert len(list(csv.reader(io.StringIO(out.getvalue())))) == len(rows) + 1


def test_rows_tell_of_orders_that_came_and_went_of_hours_and_of_money() -> None:
    both, one = priced("setups"), only(priced("setups"), "O1", "R1")
    came = difference_rows(compared(one, both))
    finish = both.plan.orders[1].finish
    assert finish is not None
    assert [(row["id"], row["what"], row["base"], row["plan"]) for row in came if row["section"] == "order"] == [
        ("O2", "new", None, local_text(finish, ZoneInfo(both.plan.timezone))), ("O1", "stayed", None, None),
    ]
    went = difference_rows(compared(both, one))
    assert [(row["id"], row["what"], row["plan"]) for row in went if row["section"] == "order"] == [
        ("O2", "gone", None), ("O1", "stayed", None),
    ]
    # R2 cuts 1800 s on M1; its hand work is Ann's.
    hours = {(row["section"], row["what"]): row["change"] for row in went if row["section"] in ("machine", "operator", "shop")}
    assert hours["machine", "busy_seconds"] == hours["shop", "spindle_seconds"] == -1800
    assert hours["operator", "busy_seconds"] < 0
    assert {(row["id"], row["what"]) for row in went if row["section"] == "money"} == {
        (None, "plan"), (None, "overtime"), ("O2", "order"),
    }
    dearer = difference_rows(compared(both, priced("setups", mill=120.0)))
    assert {row["id"]: round(row["change"], 6) for row in dearer if row["what"] == "order" and row["section"] == "money"} == {
        "O1": 40.0, "O2": 30.0,
    }


def test_rows_tell_of_overtime_and_that_scores_of_other_times_do_not_compare() -> None:
    base = priced("setups")
    rest = only(base, "O2", "R2").with_plan(now=NOW + 4000)
    rows = difference_rows(compared(base, rest))
    assert "begin at different times" in next(row["detail"] for row in rows if (row["section"], row["what"]) == ("score", "total"))
    assert [row["id"] for row in rows if row["what"] == "done"] == ["O1"]
    found = compared(base, base)
    figure = Figure(base=0, plan=60, change=60)
    longer = found.model_copy(update={"hours": (found.hours[-1].model_copy(update={"overtime_seconds": figure}),)})
    rows = [row for row in difference_rows(longer) if row["what"] == "overtime_seconds" and row["section"] != "shop"]
    assert [(row["section"], row["id"], row["change"]) for row in rows] == [("operator", "Ann", 60)]
