"""The floor at a later now, by hand: where every plate is, what is done, and what a caller may say of it."""

from __future__ import annotations

import copy
from collections import Counter
from typing import Any

import pytest

from platerota_shared import PlanRequest, RequestRefused
from platerota_shared.audit import audit
from platerota_shared.instants import local_text
from platerota_shared.plan import Plan
from platerota_shared.replanning import Replanning, floor_at

from . import audit_weeks
from .audit_plans import NOW, ZONE, Document, completed, drafted, read, run, task
from .single_change_faults import HAPPENED_FAULTS


def document_of(request: PlanRequest) -> Document:
    """A request as JSON values."""
    return request.model_dump(mode="json", by_alias=True, exclude_defaults=True, context={"zone": ZONE}) | {"now": at(0)}


def at(seconds: int) -> str:
    return local_text(NOW + seconds, ZONE)


def week(name: str) -> tuple[Document, Plan]:
    request, plan = audit_weeks.WEEKS[name]()
    raw = document_of(request)
    for shift, row in zip(raw["shop"]["shifts"], request.shop.shifts, strict=True):
        shift.update(start=clock(row.start), end=clock(row.end), breaks=["-".join(map(clock, pair)) for pair in row.breaks])
    if name == "staying":
        del raw["shop"]["plates"][1]  # the mill has no position for it
    return raw, plan


def clock(minutes: int) -> str:
    return f"{minutes // 60:02}:{minutes % 60:02}"


def floor(name: str, seconds: int, happened: Any = None) -> Replanning:
    raw, plan = week(name)
    before = copy.deepcopy(raw)
    found = floor_at(raw, plan, at(seconds), happened)
    assert raw == before
    assert found.request.now == NOW + seconds
    return found


def plates(found: Replanning) -> dict[str, tuple[Any, ...]]:
    """Where each plate is: stage, machine, pieces by order and op; a cut with the seconds at which it ends."""
    held: dict[str, tuple[Any, ...]] = {}
    for row in found.request.floor.running:
        held[row.plate] = ("cutting", row.machine, (row.order, row.op, row.pieces), row.cut_end - NOW)
    for row in found.request.floor.waiting:
        held[row.plate] = (row.stage, row.machine, (row.order, row.op, row.pieces))
    return held


def pieces(found: Replanning) -> dict[tuple[str, int], int]:
    return {(row.order, row.op): row.pieces for row in found.request.floor.pieces}


def refused(name: str, seconds: int, happened: Any) -> list[tuple[str, str]]:
    with pytest.raises(RequestRefused) as error:
        floor(name, seconds, happened)
    return [(fault.pointer, fault.code) for fault in error.value.faults]


FOUR = ("O1", 10, 4)
# Of two_plates: R1 on P1 loads 0-120, place -130, cut 130-2530, pull -2540; R2 on P2 loads 130-250, place 2540-2550, cut 2550-4950,
# R1 unloads 2550-2610, R3 on P1 loads 2610-2730, place 4960-4970 …
INSTANTS: list[tuple[int, dict[str, tuple[Any, ...]], dict[tuple[str, int], int]]] = [
    (0, {}, {}),
    (1, {"P1": ("loaded", None, FOUR)}, {}),
    (120, {"P1": ("loaded", None, FOUR)}, {}),
    (130, {"P1": ("placed", "M1", FOUR)}, {}),
    (131, {"P1": ("cutting", "M1", FOUR, 2530), "P2": ("loaded", None, FOUR)}, {}),
    (250, {"P1": ("cutting", "M1", FOUR, 2530), "P2": ("loaded", None, FOUR)}, {}),
    (2530, {"P1": ("cut", "M1", FOUR), "P2": ("loaded", None, FOUR)}, {}),
    (2539, {"P1": ("pulled", None, FOUR), "P2": ("loaded", None, FOUR)}, {}),
    (2540, {"P1": ("pulled", None, FOUR), "P2": ("loaded", None, FOUR)}, {}),
    (2600, {"P2": ("cutting", "M1", FOUR, 4950)}, {("O1", 10): 4}),
    (2610, {"P2": ("cutting", "M1", FOUR, 4950)}, {("O1", 10): 4}),
    (2730, {"P1": ("loaded", None, FOUR), "P2": ("cutting", "M1", FOUR, 4950)}, {("O1", 10): 4}),
    (5030, {"P1": ("cutting", "M1", FOUR, 7370)}, {("O1", 10): 8}),
]


@pytest.mark.parametrize(("seconds", "held", "done"), INSTANTS)
def test_every_stage_of_a_plate(seconds: int, held: dict[str, tuple[Any, ...]], done: dict[tuple[str, int], int]) -> None:
    found = floor("two_plates", seconds)
    assert plates(found) == held
    assert pieces(found) == done


def test_an_order_that_is_finished_leaves_the_request() -> None:
    found = floor("two_plates", 7440)
    assert (found.request.orders, found.request.floor.pieces) == ((), ())


def test_pieces_loaded_for_the_next_op_wait_no_more() -> None:
    # R1 is unloaded at 2600 and has 4 pieces through op 10; R3 loads them at 3620-3740.
    assert pieces(floor("two_ops", 3620)) == {("O1", 10): 4}
    assert pieces(floor("two_ops", 3700)) == {}
    assert pieces(floor("two_ops", 3740)) == {}
    assert plates(floor("two_ops", 3740))["P2"] == ("loaded", None, ("O1", 20, 4))


def test_the_last_fixture_is_that_of_the_last_cut_or_setup() -> None:
    def held(seconds: int) -> list[tuple[str, str]]:
        return [(row.machine, row.fixture) for row in floor("setups", seconds).request.floor.last_fixtures]

    assert [held(seconds) for seconds in (0, 359, 360, 2900, 3000, 4000)] == [
        [], [("M1", "F1")], [("M1", "F1")], [("M1", "F1")], [("M1", "F2")], [("M1", "F2")],
    ]


def test_a_fixture_that_is_built_is_on_its_plate() -> None:
    assert floor("pauses", 16199).request.shop.plates[0].fixture is None
    assert floor("pauses", 16200).request.shop.plates[0].fixture == "F1"


def test_a_plate_that_stays_is_loaded_or_cut_and_never_placed() -> None:
    assert plates(floor("staying", 120)) == {"P1": ("loaded", None, FOUR)}
    assert plates(floor("staying", 2520)) == {"P1": ("cut", "M1", FOUR)}


def test_what_was_under_way_before_goes_on() -> None:
    # At the plan's now P1 is cut until 1000 s, P2 is loaded, P3 pulled, 4 of 16 pieces are done.
    found = floor("under_way", 60)
    assert plates(found) == {"P1": ("cutting", "M1", FOUR, 1000), "P2": ("loaded", None, FOUR)}
    assert pieces(found) == {("O1", 10): 8}
    assert plates(floor("under_way", 1080)) == {"P2": ("cutting", "M1", FOUR, 3420)}


@pytest.mark.parametrize("name", sorted(set(audit_weeks.WEEKS) - {"nobody"}))  # nobody has a shift there: no request is read
def test_at_every_edge_of_every_task_the_pieces_add_up(name: str) -> None:
    raw, plan = week(name)
    loads = {task.run: task for task in plan.tasks if task.kind == "load"}
    edges = {edge + by for task in plan.tasks for edge in (task.start, task.end) for by in (-1, 0, 1)}
    placed = {result.id for result in plan.orders if result.placed}
    for now in sorted(edge for edge in edges if plan.now <= edge < plan.horizon_end):
        request = floor_at(raw, plan, local_text(now, ZONE)).request
        to_come: Counter[tuple[str, int]] = Counter()
        for trip in plan.runs:
            load = loads.get(trip.id)
            if load is not None and not load.start < now:
                to_come.update({(row.order, row.op): row.pieces for row in trip.pieces})
        rows = (*request.floor.pieces, *request.floor.running, *request.floor.waiting)
        for order in request.orders:
            for op in {row.op for row in request.shop.operations if row.part == order.part} if order.id in placed else ():
                there = sum(row.pieces for row in rows if row.order == order.id and row.op >= op)
                assert there + to_come.pop((order.id, op), 0) == order.quantity, (now - NOW, order.id, op)
        assert not to_come


def notes(found: Replanning) -> list[str]:
    return [note.code for note in found.notes]


def test_what_the_floor_cannot_say_is_noted() -> None:
    assert notes(floor("two_plates", 60)) == ["goes-on"]
    assert notes(floor("two_plates", 2000)) == []
    assert notes(floor("two_ops", 2700)) == ["bench-not-planned", "first-article-not-planned"]
    assert sorted(notes(floor("two_ops", 3100))) == ["goes-on", "wait-not-planned"]
    assert notes(floor("pauses", 14000)) == ["starts-again"]
    assert notes(floor("setups", 100)) == ["goes-on"]


@pytest.mark.parametrize(("seconds", "happened", "expected"), [
    (2530, None, []), (2570, None, ["first-article-not-planned", "goes-on", "wait-not-planned"]),
    (2530, {"runs": [{"run": "R1", "stage": "unloaded"}]}, ["first-article-not-planned", "wait-not-planned"]),
    (3000, None, ["wait-not-planned"]), (3300, None, []),
])
def test_a_first_article_is_not_waived_without_a_word(seconds: int, happened: Any, expected: list[str]) -> None:
    """Neither while its plate is being unloaded, nor where that is said to be over."""
    raw = audit_weeks.shop()
    raw["shop"]["operations"][0] |= {"first_article_seconds": 300, "after_seconds": 600}
    raw["orders"][0]["quantity"] = 4
    request = read(raw)
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.pull", 2530, 2540, "Ann"),
        task("R1.unload", 2540, 2600, "Ann"), task("R1.first_article.10", 2600, 2900, "Ann"),
    ]
    plan = completed(request, drafted(request, [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))], tasks))
    assert not audit(request, plan)
    assert sorted(notes(floor_at(raw, plan, at(seconds), happened))) == expected


@pytest.mark.parametrize(("name", "seconds", "held"), [
    ("staying", 60, [("operator", "Ann"), ("plate", "P1"), ("machine", "M1")]),
    ("two_plates", 60, [("operator", "Ann"), ("plate", "P1")]),
    ("two_plates", 125, [("operator", "Ann"), ("plate", "P1"), ("machine", "M1")]),
    ("two_plates", 2600, [("operator", "Ann"), ("plate", "P1")]), ("setups", 100, [("operator", "Ann"), ("machine", "M1")]),
])
def test_who_and_what_finishes_work_by_hand_is_closed_until_it_is_over(name: str, seconds: int, held: list[tuple[str, str]]) -> None:
    found = floor(name, seconds)
    task = next(one for one in week(name)[1].tasks if one.kind != "cut" and one.start < NOW + seconds < one.end)
    rows = found.request.shop.closures
    assert [(what, getattr(row, what)) for row in rows for what in ("operator", "plate", "machine") if getattr(row, what)] == held
    assert {(row.start, row.end, row.reason) for row in rows} == {(NOW + seconds, task.end, f"{task.id} is being finished")}
    assert [row.present for row in rows] == [what == "operator" for what, _ in held]


def test_who_finishes_a_load_is_in_the_shop_and_a_mill_need_not_wait_for_that() -> None:
    """Ann loads P2 until 250 s, and M1, which may not cut alone, begins at 200 s as it was planned to."""
    raw = audit_weeks.shop()
    raw["shop"]["machines"] = [raw["shop"]["machines"][0] | {"id": name, "unattended_minutes": 0} for name in ("M1", "M2")]
    raw["orders"][0]["quantity"] = 8
    request, runs = read(raw), [run(f"R{n}", f"P{n}", "F1", f"M{n}", ("O1", "A", 10, 4)) for n in (1, 2)]
    begun = [task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R2.load", 130, 250, "Ann")]
    tasks = [
        task("R1.cut", 200, 2600), task("R2.place", 250, 260, "Ann"), task("R2.cut", 260, 2660), task("R1.pull", 2600, 2610, "Ann"),
        task("R1.unload", 2610, 2670, "Ann"), task("R2.pull", 2670, 2680, "Ann"), task("R2.unload", 2680, 2740, "Ann"),
    ]
    plan = completed(request, drafted(request, runs, [*begun, *tasks]))
    assert not audit(request, plan)
    found = floor_at(raw, plan, at(190)).request
    assert not audit(found, completed(found, drafted(found, runs, tasks)))


@pytest.mark.parametrize("closed", [{"operator": "Ann"}, {"plate": "P1"}, {}])
def test_work_by_hand_that_cannot_go_on_is_not_begun(closed: Document) -> None:
    found = floor("two_plates", 60, {"closed": [closed | {"until": at(1000)}]})
    assert (plates(found), notes(found), len(found.request.shop.closures)) == ({}, ["starts-again"], 1)
    assert plates(floor("two_plates", 60, {"closed": [{"operator": "Ann", "until": at(1000)}], "runs": [{"run": "R1", "stage": "loaded"}]}))


def test_a_running_cut_ends_when_it_is_said_to() -> None:
    found = floor("two_plates", 1000, {"runs": [{"run": "R1", "stage": "cutting", "cut_end": at(3000)}]})
    assert plates(found)["P1"] == ("cutting", "M1", FOUR, 3000)


@pytest.mark.parametrize(("stage", "held", "done"), [
    ("not_loaded", None, 0), ("loaded", ("loaded", None, FOUR), 0), ("placed", ("placed", "M1", FOUR), 0),
    ("cut", ("cut", "M1", FOUR), 0), ("pulled", ("pulled", None, FOUR), 0), ("unloaded", None, 4),
])
def test_a_run_is_where_it_is_said_to_be(stage: str, held: tuple[Any, ...] | None, done: int) -> None:
    found = floor("two_plates", 1000, {"runs": [{"run": "R1", "stage": stage}]})
    assert plates(found).get("P1") == held
    assert pieces(found).get(("O1", 10), 0) == done


def test_counted_pieces_replace_what_the_plan_says() -> None:
    assert pieces(floor("two_plates", 3000, {"pieces": [{"order": "O1", "op": 10, "pieces": 3}]})) == {("O1", 10): 3}
    assert pieces(floor("two_plates", 3000, {"pieces": [{"order": "O1", "op": 10, "pieces": 0}]})) == {}


def test_a_late_operator_is_away_from_now_on() -> None:
    found = floor("two_plates", 1000, {"closed": [{"operator": "Ann", "until": at(4600), "reason": "late"}]})
    closure = found.request.shop.closures[-1]
    assert (closure.operator, closure.start, closure.end, closure.reason) == ("Ann", NOW + 1000, NOW + 4600, "late")
    assert plates(found)["P1"][0] == "cutting"


@pytest.mark.parametrize("what", [{"machine": "M1"}, {"plate": "P1"}, {}])
def test_a_cut_on_what_is_broken_stands_still_and_is_cut_again(what: Document) -> None:
    found = floor("two_plates", 1000, {"closed": [what | {"until": at(4600)}]})
    assert plates(found)["P1"] == ("placed", "M1", FOUR)
    assert notes(found) == ["cut-again"]
    assert [(row.machine, row.fixture) for row in found.request.floor.last_fixtures] == [("M1", "F1")]


@pytest.mark.parametrize("code", HAPPENED_FAULTS)
def test_one_contradiction_gives_one_fault_in_its_place(code: str) -> None:
    seconds, happened, pointer = HAPPENED_FAULTS[code]
    name = "two_ops" if code == "pieces-missing" else "two_plates"
    assert refused(name, seconds, happened) == [(pointer, code)]


CONTRADICTIONS: list[tuple[int, Any, list[tuple[str, str]]]] = [
    (1000, {"runs": [{"run": "R9", "stage": "cut"}]}, [("/happened/runs/0/run", "unknown-id")]),
    (1000, {"runs": [{"run": "R1", "stage": "gone"}]}, [("/happened/runs/0/stage", "unknown-choice")]),
    (1000, {"runs": [{"run": "R1", "stage": "cutting"}]}, [("/happened/runs/0/cut_end", "missing-field")]),
    (1000, {"runs": [{"run": "R1", "stage": "cutting", "cut_end": at(900)}]}, [("/happened/runs/0/cut_end", "cut-end-past")]),
    (1000, {"runs": [{"run": "R1", "stage": "cut"}, {"run": "R1", "stage": "cut"}]}, [("/happened/runs/1/run", "duplicate-row")]),
    (3000, {"runs": [{"run": "R1", "stage": "pulled"}]}, [("/happened/runs/0/stage", "plate-twice")]),
    (1000, {"runs": [{"run": "R2", "stage": "placed"}]}, [("/happened/runs/0", "too-many-plates")]),
    (1000, {"runs": [{"run": "R2", "stage": "cutting", "cut_end": at(4000)}]}, [("/happened/runs/0", "two-cuts")]),
    (1000, {"pieces": [{"order": "O9", "op": 10, "pieces": 1}]}, [("/happened/pieces/0/order", "unknown-id")]),
    (1000, {"pieces": [{"order": "O1", "op": 20, "pieces": 1}]}, [("/happened/pieces/0/op", "unknown-op")]),
    (1000, {"pieces": [{"order": "O1", "op": 10, "pieces": 11}]}, [("/happened/pieces/0", "too-many-pieces")]),
    (1000, {"pieces": [{"order": "O1", "op": 10, "pieces": 1}, {"order": "O1", "op": 10, "pieces": 2}]},
     [("/happened/pieces/1/op", "duplicate-row")]),
    (1000, {"closed": [{"machine": "M7", "until": at(2000)}]}, [("/happened/closed/0/machine", "unknown-id")]),
    (1000, {"closed": [{"machine": "M1", "until": at(900)}]}, [("/happened/closed/0/until", "ends-before-start")]),
    (1000, {"closed": [{"machine": "M1", "plate": "P1", "until": at(2000)}]}, [("/happened/closed/0", "closure-names-several")]),
    (1000, {"broken": []}, [("/happened/broken", "unknown-field")]),
    (1000, [], [("/happened", "wrong-type")]),
    (1000, {"runs": [{"run": "R1", "stage": "gone"}, {"run": "R9", "stage": "cut"}], "closed": [{"machine": "M7", "until": at(2000)}]},
     [("/happened/runs/0/stage", "unknown-choice"), ("/happened/runs/1/run", "unknown-id"), ("/happened/closed/0/machine", "unknown-id")]),
]


@pytest.mark.parametrize(("seconds", "happened", "expected"), CONTRADICTIONS)
def test_a_contradiction_is_refused_at_the_row_that_brings_it(seconds: int, happened: Any, expected: list[tuple[str, str]]) -> None:
    assert refused("two_plates", seconds, happened) == expected


def test_a_run_that_came_pulled_can_only_be_pulled_or_unloaded() -> None:
    assert refused("under_way", 10, {"runs": [{"run": "R3", "stage": "loaded"}]}) == [("/happened/runs/0/stage", "machine-missing")]


@pytest.mark.parametrize("now", [None, 46_449.5, "soon"])
def test_now_is_an_instant(now: Any) -> None:
    raw, plan = week("two_plates")
    with pytest.raises(RequestRefused) as error:
        floor_at(raw, plan, now)
    assert [fault.pointer for fault in error.value.faults] == ["/now"]
