"""Edges of the audit's rules: the second, the piece or the row at which each begins to speak, and whom it names.

Found by the faults sown into the audit (`proof_tools.mutants`): each test fails for one of them, and for none of the code as it is.
"""

from __future__ import annotations

from typing import Any

import pytest

from platerota_shared.audit import audit, could_be_worked
from platerota_shared.audit.book import clashes
from platerota_shared.audit.hours import hours
from platerota_shared.tables import FloorPieces, LastFixture, WaitingRun

from .audit_drafts import Draft
from .audit_plans import NOW, completed, drafted, read, run, task
from .audit_weeks import interrupted_by, shop
from .test_audit_corners import found, whole


def told(draft: Draft, rule: str) -> list[str]:
    """What the audit says under a rule."""
    return [words for name, words in found(draft) if name == rule]


def waiting(plate: str, op: int, stage: str, order: str = "O1", pieces: int = 1, **more: Any) -> WaitingRun:
    return WaitingRun.model_validate({"plate": plate, "order": order, "op": op, "pieces": pieces, "stage": stage, **more})


def three_ops() -> Draft:
    """Op 20 asks for a first article, too, and there is an op 30."""
    return Draft.of("two_ops").row("operations", 1, first_article_seconds=300).twin("operations", 1, op=30)


# -- whether it could be worked -----------------------------------------------------------------------------------------------------


def test_one_broken_rule_of_work_or_of_pieces_is_enough_not_to_be_workable() -> None:
    draft = Draft.of("two_plates")
    assert could_be_worked(draft.request, draft.plan)
    longer = draft.put("R3.unload", end=7441)
    assert {rule for rule, _ in found(longer.described())} == {"F1"}
    assert not could_be_worked(longer.request, longer.plan)
    short = draft.asked("O1", quantity=13)
    assert {rule for rule, _ in found(short.described())} == {"F13"}
    assert not could_be_worked(short.request, short.plan)


# -- F15 ----------------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ops", [(10, 20), (20, 10)])
def test_a_first_article_is_not_needed_where_pieces_wait_behind_a_later_op(ops: tuple[int, int]) -> None:
    words = "op 20 of order O1 has 0 first articles, it needs one"
    draft = three_ops().described()
    assert words in told(draft, "F15")
    assert words in told(draft.floor(pieces=(FloorPieces(order="O1", op=10, pieces=1),)), "F15")
    assert words not in told(draft.floor(pieces=tuple(FloorPieces(order="O1", op=op, pieces=1) for op in ops)), "F15")


@pytest.mark.parametrize("ops", [(20, 30), (30, 20)])
def test_a_first_article_is_not_needed_where_pieces_are_in_a_run_of_a_later_op(ops: tuple[int, int]) -> None:
    words = "op 20 of order O1 has 0 first articles, it needs one"
    draft = three_ops().described()
    one, other = (waiting(plate, op, "loaded") for plate, op in zip(("P1", "P2"), ops, strict=True))
    assert words in told(draft.floor(waiting=(waiting("P1", 20, "loaded"),)), "F15")
    assert words not in told(draft.floor(waiting=(one, other)), "F15")


def test_the_run_that_was_cut_before_now_is_the_first_and_not_the_one_being_cut() -> None:
    raw = shop()
    raw["shop"]["machines"][0]["positions"] = 2
    raw["shop"]["operations"][0]["first_article_seconds"] = 300
    raw["orders"][0]["quantity"] = 8
    held = {"order": "O1", "op": 10, "pieces": 4, "machine": "M1"}
    raw["floor"] = {
        "running": [held | {"plate": "P2", "cut_end": "2027-03-01T06:16:40"}], "waiting": [held | {"plate": "P1", "stage": "cut"}],
        "last_fixtures": [{"machine": "M1", "fixture": "F1"}],
    }
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R2.cut", 0, 1000, frozen=True), task("R1.pull", 1000, 1010, "Ann"), task("R2.pull", 1010, 1020, "Ann"),
        task("R1.unload", 1020, 1080, "Ann"), task("R2.unload", 1080, 1140, "Ann"),
    ]
    for name, faults in (("R1", []), ("R2", ["R2.first_article.10 does not check the run of op 10 of order O1 that is cut first"])):
        article = task(f"{name}.first_article.10", 1140, 1440, "Ann")
        plan = completed(request, drafted(request, runs, [*tasks, article]))
        assert found(Draft(request, plan)) == [("F15", words) for words in faults]
        assert plan.orders[0].finish == NOW + 1440


# -- F18, F19 -----------------------------------------------------------------------------------------------------------------------


def test_a_plate_of_the_floor_with_pieces_of_one_placed_order_goes_on() -> None:
    """P2 holds pieces of O1, which is placed, and of O2, which is not."""
    draft = Draft.of("nobody")
    assert [row.placed for row in draft.plan.orders] == [False, True]
    rows = (waiting("P2", 10, "loaded", "O1"), waiting("P2", 10, "loaded", "O2"))
    words = "plate P2 is loaded on the floor, but no run of the plan goes on with it"
    assert words in told(draft.floor(waiting=rows), "F18")
    assert words not in told(draft.floor(waiting=rows[:1]), "F18")


def test_what_is_done_already_on_the_floor_is_said_so() -> None:
    pulled = Draft.of("under_way").add(task("R3.pull", 0, 10, "Ann", plate="P3", machine="M1"))
    assert "pull of run R3 is done already on the floor" in told(pulled.described(), "F18")
    cut = Draft.of("staying").floor(waiting=(waiting("P1", 10, "cut", pieces=4, machine="M1"),)).drop("R1.load")
    assert "cut of run R1 is done already on the floor" in told(cut.described(), "F18")


@pytest.mark.parametrize(("end", "late"), [(86_400, False), (86_401, True)])
def test_a_task_may_end_with_the_horizon(end: int, late: bool) -> None:
    draft = Draft.of("night")
    short = draft.request.model_copy(update={"settings": draft.request.settings.model_copy(update={"horizon_days": 1})})
    bent = Draft(short, draft.plan).with_plan(horizon_end=short.horizon_end).put("R1.unload", start=end - 60)
    assert any("R1.unload ends at" in words for words in told(bent.described(), "F18")) is late


# -- F5, F6, F7, F10 ----------------------------------------------------------------------------------------------------------------


def test_only_what_the_plan_chose_must_fit_the_machine() -> None:
    """P1 stays in M1 and stands there loaded at `now`; it is too heavy: nobody can help it for R1, but R2 is loaded by the plan."""
    draft = Draft.of("staying").floor(waiting=(waiting("P1", 10, "loaded", pieces=4),)).drop("R1.load")
    heavy = draft.row("machines", "M1", max_mass=60.2).described()
    assert told(heavy, "F5") == ["run R2: the loaded plate weighs 60.3 kg, machine M1 bears 60.2 kg"]


def test_two_plates_cut_without_any_wait_between_them() -> None:
    draft = Draft.of("pool").put("R2.cut", start=2530)
    assert told(draft.described(), "F7") == ["machine M1 waits 0 s between two plates, its exchange takes 20 s"]
    draft = Draft.of("pool").put("R2.cut", start=2531)
    assert told(draft.described(), "F7") == ["machine M1 waits 1 s between two plates, its exchange takes 20 s"]


def test_cuts_that_overlap_are_no_wait_too_short() -> None:
    draft = Draft.of("pool").put("R2.cut", start=2529)
    assert told(draft.described(), "F7") == []
    assert told(draft.described(), "F6") == ["R1.cut and R2.cut collide at machine M1"]


def test_a_machine_without_a_free_position_names_the_task_that_brings_the_plate() -> None:
    draft = Draft.of("two_positions").row("machines", "M1", positions=1)
    (finding,) = (one for one in audit(draft.request, draft.plan) if one.rule == "F6")
    assert finding.tasks == ("R2.load",)


def test_a_plate_that_is_pulled_frees_one_position() -> None:
    """P2 takes the place that P1 left; there is none for P3 beside it."""
    draft = Draft.of("pool").row("machines", "M1", positions=1).put("R2.place", start=2_545).put("R3.place", start=2_600)
    assert [one.tasks for one in audit(draft.request, draft.plan) if one.rule == "F6"] == [("R3.load",)]


def test_a_cut_of_no_time_is_in_no_loads_way() -> None:
    """P9 is cut for 0 s while R2 is loaded into the same machine."""
    draft = Draft.of("staying").row("machines", "M1", positions=2).twin("plates", "P1", id="P9", stays_in=None)
    held = draft.plan.runs[0].model_copy(update={"id": "R3", "plate": "P9"})
    draft = draft.with_plan(runs=(*draft.plan.runs, held))
    for length, words in ((0, []), (1, ["R2.load happens in machine M1 while it cuts"])):
        assert told(draft.add(task("R3.cut", 2600, 2600 + length, plate="P9", machine="M1")).described(), "F10") == words


# -- F11, F12, overtime -------------------------------------------------------------------------------------------------------------


def test_whoever_keeps_a_thing_longest_is_in_the_way() -> None:
    taken = [(0, 10, "a"), (2, 4, "b"), (3, 10, "c"), (9, 12, "d"), (11, 13, "e"), (13, 13, "f")]
    assert list(clashes(taken)) == [("a", "b"), ("a", "c"), ("a", "d"), ("d", "e")]


def test_two_tasks_at_exactly_the_same_time_are_told_apart() -> None:
    draft = Draft.of("two_plates").put("R2.load", start=0)
    assert "operator Ann would do R1.load and R2.load at the same time" in told(draft.described(), "F11")


@pytest.mark.parametrize(
    ("starts", "ends", "overtime"),
    [
        ([28_740], [28_860], True), ([28_800], [28_860], True), ([28_740], [28_800], False), ([28_800], [28_800], False),
        ([36_000], [36_000], True), ([36_001], [36_001], False), ([28_000], [28_000], False), ([28_700, 28_800], [28_800, 28_900], True),
    ],
)
def test_overtime_is_what_reaches_into_time_that_only_overtime_covers(starts: list[int], ends: list[int], overtime: bool) -> None:
    """Ann's shift ends at 14:00 (28800 s), her overtime at 16:00 (36000 s)."""
    draft = Draft.of("overtime")
    spans = list(zip(starts, ends, strict=True))
    one = task("R1.bench.10", starts[0], ends[-1], "Ann", spans=spans if len(spans) > 1 else ())
    ann = hours(draft.request.shop, "Ann", [one], draft.plan.now, draft.plan.horizon_end)
    assert ann.is_overtime(one) is overtime
    assert len(ann.called_days) == overtime


# -- F14 --------------------------------------------------------------------------------------------------------------------------


def test_pieces_that_are_missing_name_the_loads_that_miss_them() -> None:
    """R3 takes four pieces at 3619, a second before the first four have cooled."""
    draft = Draft.of("two_ops").put("R3.load", start=3_619).described()
    (finding,) = audit(draft.request, draft.plan)
    assert finding.tasks == ("R3.load",)
    assert finding.detail == "order O1 is 4 pieces short before op 20 at 2027-03-01T07:00:19+00:00"


# -- F3, F13, F16, F18: counts and sizes ---------------------------------------------------------------------------------------------


def test_a_row_without_pieces_is_a_fault_beside_one_with_pieces() -> None:
    draft = Draft.of("shared_runs").pieces("R1", pieces=0)
    assert "run R1 needs at least one piece in every row" in told(draft.described(), "F3")


def test_a_single_piece_without_a_nest_is_one_too_many() -> None:
    draft = Draft.of("two_plates").shop(nests=()).pieces("R3", pieces=1)
    assert "run R3 holds 1 pieces of part A op 10; fixture F1 has 0 nests for it" in told(draft.described(), "F3")


def test_pieces_in_a_run_of_the_floor_count_for_their_own_op() -> None:
    """R1, loaded on the floor, is of op 10: no piece fewer of op 10 is needed for that."""
    draft = Draft.of("two_ops").drop("R1.load").floor(waiting=(waiting("P1", 10, "loaded", pieces=4),))
    assert told(draft.described(), "F13") == []


@pytest.mark.parametrize(
    ("size", "fits"),
    [((440, 300), True), ((300, 440), True), ((439.9, 300), False), ((440, 299.9), False), ((299.9, 440), False), ((300, 439.9), False)],
)
def test_a_blank_as_large_as_the_fixture_needs_will_do_either_way_round(size: tuple[float, float], fits: bool) -> None:
    """F1 needs 440 x 300 mm."""
    draft = Draft.of("pauses").row("plates", "P1", size_x=size[0], size_y=size[1])
    assert ("plate P1 is too small for fixture F1" not in told(draft, "F16")) is fits


def test_a_fixture_that_asks_for_no_size_goes_on_the_smallest_blank() -> None:
    draft = Draft.of("pauses").row("plates", "P1", size_x=0.5, size_y=0.5).row("fixtures", "F1", min_size_x=None, min_size_y=None)
    assert told(draft, "F16") == []


@pytest.mark.parametrize(("after", "words"), [(6 * 86_400, []), (6 * 86_400 + 1, ["order O1 finishes past the horizon"])])
def test_an_order_may_finish_with_the_horizon(after: int, words: list[str]) -> None:
    """The last unload ends with Monday (86400 s), the horizon of a week is six days later; outside work takes as long or longer."""
    draft = Draft.of("night").row("operations", 0, after_seconds=after).put("R1.unload", start=86_400 - 60)
    assert [one for one in told(draft.described(), "F18") if "finishes" in one] == words


def test_an_order_that_is_on_time_to_the_second_needs_no_reason() -> None:
    draft = Draft.of("staying").asked("O1", due=NOW + 5_160).described().order("O1", due=NOW + 5_160, why="the mill is busy")
    assert told(draft, "F19") == ["order O1 is placed and on time, so there is nothing to explain"]


def test_lateness_that_is_none_is_said_so() -> None:
    assert told(Draft.of("staying").order("O1", late_seconds=5), "F19") == ["order O1 is 0 s late, the plan says 5"]


def test_what_is_done_in_an_overtime_shift_left_out_ends_when_the_work_around_it_goes_on() -> None:
    """Ann leaves out Tuesday's overtime (05:00, 82800 s) in her bench work on R1; R2 is unloaded there just before 06:00 (86400 s)."""
    draft = Draft(*interrupted_by(
        {"days": ["tue"], "start": "05:00", "end": "06:00"},
        task("R2.load", 82900, 83020, "Ann"), task("R2.place", 83020, 83030, "Ann"), task("R2.cut", 83030, 85430),
        task("R2.pull", 85430, 85440, "Ann"), task("R2.unload", 86340, 86400, "Ann"), task("R2.bench.10", 87600, 89400, "Ann"),
    ))
    assert found(draft) == []
    assert [draft.task(f"R2.{kind}").float_seconds for kind in ("load", "place", "cut", "pull", "unload")] == [900, 900, 900, 900, 0]


# -- F20: the score ------------------------------------------------------------------------------------------------------------------


def rated(week: str, **rates: float) -> Draft:
    """A week by other rates of the score, all 0 that are not given."""
    draft = Draft.of(week)
    score = draft.request.settings.score
    score = score.model_copy(update=dict.fromkeys(type(score).model_fields, 0.0) | rates)
    settings = draft.request.settings.model_copy(update={"score": score})
    return Draft(draft.request.model_copy(update={"settings": settings}), draft.plan).described()


def test_a_score_of_no_points_leaves_no_gap() -> None:
    draft = rated("setups")
    assert (draft.plan.score.total, found(draft)) == (0, [])
    assert found(draft.score(gap=1.0)) == [("F20", "the gap is 0, the plan says 1")]


def test_the_makespan_is_that_of_the_last_order() -> None:
    draft = rated("setups", makespan_hour=36.0)
    assert draft.plan.score.parts.makespan_hour == pytest.approx(51.4)
    assert found(draft) == []


@pytest.mark.parametrize(("away", "rules"), [(1e-8, []), (-1e-8, []), (1e-5, ["F20"]), (-1e-5, ["F20"])])
def test_a_score_may_differ_by_what_rounding_does_and_no_more(away: float, rules: list[str]) -> None:
    draft = Draft.of("two_plates")
    total = draft.plan.score.total
    bent = draft.score(total=total + away, gap=(total + away - draft.plan.score.bound) / total)
    assert [rule for rule, _ in found(bent)] == rules


def test_only_the_machine_that_a_fixture_is_not_made_for_is_named() -> None:
    assert told(Draft.of("two_mills").row("fixtures", "F1", machines=("M1",)), "F5") == ["run R2: fixture F1 is not made for machine M2"]


def test_figures_of_the_shop_are_those_on_paper() -> None:
    """`night`: R1 is loaded from 28200 on and unloaded at 86470. `setups`: O1 takes 360 to 3330, O2 490 to 5140; nothing has a price."""
    night, setups = (Draft.of(week).plan.kpis.shop for week in ("night", "setups"))
    assert night is not None
    assert setups is not None
    assert night.elements["AOET_all"] == 86_470 - 28_200
    assert setups.elements["AOET"] == (3_330 - 360) + (5_140 - 490)
    assert (setups.on_time_orders, setups.on_time_share, setups.ratios["planned_cost"]) == (2, 1.0, 0.0)


def test_a_setup_of_one_second_is_missed() -> None:
    """Without tools to load, another fixture takes a second."""
    draft = Draft.of("setups").row("machines", "M1", setup_seconds=1, tool_load_seconds=0).drop("R2.setup")
    assert "R2.cut needs a setup of 1 s: the fixture before is F1" in told(draft.described(), "F8")


def test_what_is_not_needed_is_called_so() -> None:
    setup = Draft.of("setups").floor(last_fixtures=(LastFixture(machine="M1", fixture="F1"),))
    assert told(setup.described(), "F8") == ["R1.setup is not needed"]
    bench = Draft.of("two_ops").add(task("R4.bench.20", 8_240, 8_250, "Ann", order="O1"))
    assert told(bench.described(), "F1") == ["R4.bench.20 is not needed: op 20 has no bench work"]


def test_outside_work_after_the_last_unload_leaves_it_no_float() -> None:
    draft = whole(Draft.of("two_plates").row("operations", 0, after_seconds=600))
    assert draft.plan.orders[0].finish == NOW + 7_440 + 600
    assert draft.task("R3.unload").float_seconds == 0
