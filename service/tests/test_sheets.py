"""The load sheets and the machine sheets: what an operator needs to know, in the order of the day."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from platerota_service.board import NoSuchPart, Standing, load_sheets_page, machine_sheets_page
from platerota_shared.plan import Plan, Run, RunPieces, Task, Warning_
from platerota_shared.tables import PlanRequest

from .drawn_plans import HOUR, MINUTE, full_plan, long_plan, plan_of, small_request, trip


def state_of(plan: Plan, status: str = "ready") -> Standing:
    return Standing(plan.model_copy(update={"status": status}))


def rows(page: str) -> list[list[str]]:
    """The cells of every row of the sheets, as text, list items joined by a bar."""
    found: list[list[str]] = []
    for body in re.findall(r"<tbody>(.*?)</tbody>", page, re.S):
        for row in re.findall(r"<tr.*?</tr>", body, re.S):
            cells = re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)
            plain = [re.sub(r"<[^>]+>", "", cell.replace("</li>", "|").replace("<br>", " ")) for cell in cells]
            found.append([html.unescape(cell).strip("| ") for cell in plain])
    return found


def load_rows(plan: Plan, request: PlanRequest | None = None, **only: str) -> list[list[str]]:
    return rows(load_sheets_page(state_of(plan), request or small_request(), **only).html)


def named(found: list[list[str]], what: str) -> list[list[str]]:
    return [row for row in found if row[1].startswith(what)]


def test_every_hand_task_of_a_person_is_on_the_sheet_of_its_day_in_order() -> None:
    request = small_request()
    found = load_rows(full_plan(request), request, day="2027-03-01")
    assert [(row[0], row[1]) for row in found] == [
        ("06:00–16:00", "Build (overtime)"), ("08:00–08:25", "Setup"), ("08:30–08:40", "Load"), ("08:40–08:41", "Place"),
        ("09:22–09:23", "Pull"), ("09:23–09:28", "Unload"), ("09:30–09:50", "First article"), ("10:00–10:30", "Break"),
        ("10:20–10:30", "Load (under way)"), ("10:30–10:31", "Place (under way)"), ("11:12–11:13", "Pull (under way)"),
        ("11:13–11:18", "Unload (under way)"), ("12:40–13:10", "Bench work"),
    ]


def test_a_load_says_pieces_nests_clamps_where_to_and_when_it_must_be_ready() -> None:
    request = small_request()
    (row, _) = named(load_rows(full_plan(request), request), "Load")
    assert row[2:] == [
        "P1: name of F1", "X op 10: 4 pieces into 4 of 6 nests, raw stock; order O1 ×4|tighten 4 clamps", "bench → M1|placed 08:40 by Ana",
        "08:40", "08:40 M1", "loaded|clamped",
    ]


def test_pieces_of_several_orders_and_ops_say_from_where_they_come_and_nests_that_stay_empty() -> None:
    shop = small_request().shop
    nest = shop.nests[0]
    nests = (nest, nest.model_copy(update={"op": 20, "count": 2}), nest.model_copy(update={"part": "Y", "count": 3}))
    more = shop.operations[0].model_copy(update={"part": "Y"})
    shop = shop.model_copy(update={"nests": nests, "operations": (*shop.operations, more)})
    request = small_request().model_copy(update={"shop": shop})
    run, tasks = trip(request, 1, request.now, "O1")
    held = [("O1", 10, 3), ("O2", 10, 1), ("O2", 20, 2)]
    run = run.model_copy(update={"pieces": tuple(RunPieces(order=order, part="X", op=op, pieces=count) for order, op, count in held)})
    found = load_rows(plan_of(request, [run], tasks, []), request)
    assert named(found, "Load")[0][3] == (
        "X op 10: 4 pieces into 4 of 6 nests, raw stock; order O1 ×3, O2 ×1|X op 20: 2 pieces into 2 of 2 nests, from op 10; order O2 ×2|"
        "stay empty: Y op 10 (3)|tighten 4 clamps"
    )
    assert named(found, "Unload")[0][3] == (
        "release 4 clamps|X op 10 ×3 of O1: bench work, then for op 20|X op 10 ×1 of O2: bench work, then for op 20|"
        "X op 20 ×2 of O2: finished"
    )


def test_bench_work_and_checks_name_part_op_pieces_and_order() -> None:
    request = small_request()
    found = load_rows(full_plan(request), request)
    assert named(found, "Bench work")[0][3] == "X op 10 ×4 of O2"
    assert named(found, "First article")[0][3] == "X op 10 of O1: the first pieces, from R1|the rest may be cut only after this"
    assert named(found, "Build")[0][3] == "build the fixture on the blank plate|in parts: 06:00–08:00, 15:00–16:00"


def test_an_unload_names_the_first_article_before_what_follows() -> None:
    request = small_request()
    assert named(load_rows(full_plan(request), request), "Unload")[0][3] == (
        "release 4 clamps|X op 10 ×4 of O1: first article check Mon 09:30, Ana, then bench work, then for op 20"
    )


def test_a_pull_and_the_place_after_it_at_one_mill_are_one_exchange() -> None:
    request = small_request()
    first, tasks = trip(request, 1, request.now, "O1")
    second, more = trip(request, 2, request.now + 43 * MINUTE, "O2", plate="P2")
    unload = tasks[-1].model_copy(update={"start": tasks[-1].start + 2 * MINUTE, "end": tasks[-1].end + 2 * MINUTE})
    tasks = [*tasks[:-1], unload]
    found = load_rows(plan_of(request, [first, second], [*tasks, *more], []), request)
    (row,) = named(found, "Exchange")
    assert row[0] == "06:52–06:54"
    assert row[2:5] == [
        "M1 name of M1", "pull P1 (11.5 kg loaded)|place P2 (11.5 kg loaded), cuts 06:54–07:35", "P1: M1 → bench|P2: bench → M1",
    ]
    assert row[7] == "pulled|placed"
    assert named(found, "Load")[0][6] == "06:10 M1"


@pytest.mark.parametrize(("table", "change"), [("fixtures", {"mass": 0.0}), ("operations", {"stock_mass": 0.0})])
def test_a_mass_that_is_not_given_makes_the_loaded_mass_at_least_so_much(table: str, change: dict[str, float]) -> None:
    request = small_request()
    without = tuple(row.model_copy(update=change) for row in getattr(request.shop, table))
    request = request.model_copy(update={"shop": request.shop.model_copy(update={table: without})})
    state = state_of(full_plan(request))
    for page in (load_sheets_page(state, request).html, machine_sheets_page(state, request).html):
        found = re.findall(r"(at least )?(\d+\.\d) kg", page)
        assert found
        assert all(words and float(mass) < 11.5 for words, mass in found)


def test_a_setup_brings_in_the_tools_that_neither_the_machine_nor_the_fixture_before_has() -> None:
    request = small_request()
    (row,) = named(load_rows(full_plan(request), request), "Setup")
    assert row[2:5] == ["M1 name of M1", "for name of F1|load tools: drill 6", "at M1"]
    known = request.model_copy(update={"floor": request.floor.model_validate({"last_fixtures": [{"machine": "M1", "fixture": "F1"}]})})
    assert named(load_rows(full_plan(known), known), "Setup")[0][3] == "for name of F1|no tool to load"


def test_a_plate_that_stays_is_loaded_in_its_mill_and_its_cautions_stand_at_the_load() -> None:
    request = small_request()
    run, tasks = trip(request, 1, request.now, "O1")
    stays = [task.model_copy(update={"machine": "M1"}) for task in tasks if task.kind in ("load", "cut", "unload")]
    plan = plan_of(request, [run], tasks, []).model_copy(update={"tasks": tuple(stays)})
    plan = plan.model_copy(update={
        "lanes": tuple(lane.model_copy(update={"tasks": tuple(one for one in lane.tasks if "p" not in one)}) for lane in plan.lanes),
        "warnings": (Warning_(code="plate-stays", detail="plate 'P1' stays in machine 'M1'", pointer="/shop/plates/0"),),
    })
    row = named(load_rows(plan, request), "Load")[0]
    assert row[4] == "in M1; the plate stays there|cut 06:11–06:52"
    assert "caution 1" in row[3]


def cautious(request: PlanRequest) -> Plan:
    """Two heavy plates with one advice, and a cut that ends when nobody is there."""
    runs = [trip(request, number, request.now + (number * 460 - 460) * MINUTE, "O1", plate=f"P{number}") for number in (1, 2)]
    warnings = [Warning_(code=code, detail=detail, pointer=pointer) for code, detail, pointer in (
        ("lift-needs-care", "plate 'P1' weighs 41 kg. Use a hoist.", "/shop/plates/0"),
        ("lift-needs-care", "plate 'P2' weighs 42 kg. Use a hoist.", "/shop/plates/1"),
        ("unattended-cutting", "2000 s are planned while nobody is there. Fire needs a plan of its own.", "/shop/machines"),
        ("overtime-used", "'Ana' works overtime.", "/shop/operators/0"),
    )]
    return plan_of(request, [run for run, _ in runs], [task for _, tasks in runs for task in tasks], [], warnings=tuple(warnings))


def test_cautions_stand_where_the_plate_is_lifted_and_where_it_is_left_alone() -> None:
    request = small_request()
    found = [(row[1], re.findall(r"caution \d", row[3])) for row in load_rows(cautious(request), request)]
    assert ("Load", []) in found
    lifts = [notes for what, notes in found if what in ("Place", "Pull")]
    assert lifts == [["caution 1"], ["caution 1"], ["caution 2", "caution 3"], ["caution 2"]]
    page = load_sheets_page(state_of(cautious(request)), request).html
    assert "<ol><li>plate &#39;P1&#39; weighs 41 kg.</li><li>plate &#39;P2&#39; weighs 42 kg.</li><li>2000 s are planned" in page
    assert page.count("<p>Use a hoist.</p>") == 1
    assert "of it with nobody in the shop" in page
    assert "overtime." not in page


def test_the_caution_on_a_heavy_blank_stands_where_it_is_loaded_and_unloaded() -> None:
    """The first operation's, and no other's; the plate travels, and its own cautions stay at the exchange."""
    request = small_request()
    run, tasks = trip(request, 1, request.now, "O1")
    warnings = tuple(
        Warning_(code="lift-needs-care", detail=f"one piece {words} kg. Use a hoist.", pointer=f"/shop/{where}")
        for words, where in (("of 40", "operations/0"), ("of 50", "operations/1"), ("on a plate of 60", "plates/0"))
    )
    assert run.pieces[0].op == request.shop.operations[0].op
    plan = plan_of(request, [run], tasks, [], warnings=warnings)
    found = [(row[1], re.findall(r"caution \d", row[3])) for row in load_rows(plan, request) if row[1] != "Break"]
    assert found == [("Load", ["caution 1"]), ("Place", ["caution 2"]), ("Pull", ["caution 2"]), ("Unload", ["caution 1"])]
    page = load_sheets_page(state_of(plan), request).html
    assert "<ol><li>one piece of 40 kg.</li><li>one piece on a plate of 60 kg.</li></ol>" in page


def test_the_standing_caution_is_on_every_sheet() -> None:
    request = small_request()
    for make in (load_sheets_page, machine_sheets_page):
        page = make(state_of(long_plan(request, 40)), request).html
        assert page.count("replaces neither") == page.count('<section class="sheet"') > 1


@pytest.mark.parametrize(("only", "sheets"), [
    ({}, ["Ana, name of Ana: Mon 1 Mar 2027", "Ana, name of Ana: Tue 2 Mar 2027"]),
    ({"day": "2027-03-02"}, ["Ana, name of Ana: Tue 2 Mar 2027"]),
    ({"operator": "Ana", "day": "2027-03-01"}, ["Ana, name of Ana: Mon 1 Mar 2027"]),
])
def test_the_sheets_asked_for_are_those_answered(only: dict[str, Any], sheets: list[str]) -> None:
    request = small_request()
    page = load_sheets_page(state_of(long_plan(request, 40)), request, **only).html
    assert re.findall(r'colspan="8">([^<]*), plan demo</th>', page) == sheets


def test_an_operator_machine_or_day_that_is_not_there_is_refused_with_those_that_are() -> None:
    request = small_request()
    state = state_of(full_plan(request))
    for make, only, said in (
        (load_sheets_page, {"operator": "Bob"}, "it has Ana"), (load_sheets_page, {"day": "2027-03-09"}, "2027-03-01"),
        (machine_sheets_page, {"machine": "M9"}, "it has M1"), (machine_sheets_page, {"day": "x"}, "2027-03-01"),
    ):
        with pytest.raises(NoSuchPart) as refused:
            make(state, request, **only)
        assert said in refused.value.detail


def test_a_machine_sheet_has_every_cut_with_setup_tools_who_and_mass() -> None:
    request = small_request()
    found = rows(machine_sheets_page(state_of(full_plan(request)), request).html)
    assert [row[0] for row in found] == ["08:41–09:22", "10:31–11:12 (under way)"]
    assert found[0][1:] == [
        "P1: name of F1 R1", "O1 X op 10 ×4|caution 1", "08:00–08:25 Ana|load tools: drill 6", "08:40 Ana", "09:22 Ana",
        "11.5 kg", "set up|cut",
    ]
    assert "late order" in found[1][2]


def test_a_plan_that_is_still_being_solved_is_marked_not_final() -> None:
    request = small_request()
    for make in (load_sheets_page, machine_sheets_page):
        assert "Not final" in make(state_of(full_plan(request), "solving"), request).html
        assert "Not final" not in make(state_of(full_plan(request)), request).html


def test_a_run_that_ends_the_next_day_says_so() -> None:
    request = small_request()
    run, tasks = trip(request, 1, request.now + 7 * HOUR, "O1")
    cut: Task = tasks[2].model_copy(update={"end": tasks[2].start + 16 * HOUR})
    late: list[Task] = [task.model_copy(update={"start": cut.end, "end": cut.end + MINUTE}) for task in tasks[3:]]
    runs: list[Run] = [run]
    found = load_rows(plan_of(request, runs, [*tasks[:2], cut, *late], []), request)
    assert "cuts 13:11–Tue 05:11" in named(found, "Place")[0][3]


def noted_request() -> PlanRequest:
    """The small request with a note on every row that can have one, and named orders."""
    request = small_request()
    noted: dict[str, Any] = {
        table: tuple(row.model_copy(update={"note": f"mind {row.id}"}) for row in getattr(request.shop, table))
        for table in ("machines", "plates", "fixtures", "operators")
    }
    orders = tuple(row.model_copy(update={"name": f"lot {row.id}", "note": f"mind {row.id}"}) for row in request.orders)
    return request.model_copy(update={"shop": request.shop.model_copy(update=noted), "orders": orders})


@pytest.mark.parametrize(("what", "noted"), [
    ("Load", ["plate P1", "fixture F1", "order O1"]), ("Unload", ["plate P1", "fixture F1", "order O1"]), ("Place", ["plate P1"]),
    ("Pull", ["plate P1"]), ("Setup", ["fixture F1"]), ("Build", ["plate P1", "fixture F1"]), ("First article", ["order O1"]),
    ("Bench work", ["order O2"]), ("Break", []),
])
def test_a_row_of_the_load_sheet_has_the_notes_on_what_it_is_of(what: str, noted: list[str]) -> None:
    request = noted_request()
    row = named(load_rows(full_plan(request), request), what)[0]
    assert re.findall(r"note on (\w+ \w+): mind (\w+)", row[3]) == [(one, one.split()[1]) for one in noted]


def test_an_exchange_has_the_notes_on_both_plates_each_once() -> None:
    request = noted_request()
    first, tasks = trip(request, 1, request.now, "O1")
    second, more = trip(request, 2, request.now + 43 * MINUTE, "O2", plate="P2")
    tasks[-1] = tasks[-1].model_copy(update={"start": tasks[-1].start + 2 * MINUTE, "end": tasks[-1].end + 2 * MINUTE})
    found = load_rows(plan_of(request, [first, second], [*tasks, *more], []), request)
    assert re.findall(r"note on plate (\w+)", named(found, "Exchange")[0][3]) == ["P1", "P2"]


def test_notes_on_the_person_and_the_mills_stand_once_above_the_table() -> None:
    request = noted_request()
    plan = full_plan(request)
    page = load_sheets_page(state_of(plan), request).html
    assert re.findall(r"note on (?:operator|machine) \w+", page) == ["note on operator Ana", "note on machine M1"]
    assert page.index("note on machine") < page.index("<table")
    page = machine_sheets_page(state_of(plan), request).html
    assert re.findall(r"note on (?:operator|machine) \w+", page) == ["note on machine M1"]


def test_orders_are_named_where_their_pieces_are_handled() -> None:
    request = noted_request()
    found = load_rows(full_plan(request), request)
    for what, said in (
        ("Load", "order O1 (lot O1) ×4"), ("Unload", "×4 of O1 (lot O1): first"), ("First article", "of O1 (lot O1): the"),
        ("Bench work", "×4 of O2 (lot O2)"),
    ):
        assert said in named(found, what)[0][3]
    cuts = rows(machine_sheets_page(state_of(full_plan(request)), request).html)
    assert cuts[0][2].split("|")[:4] == [
        "O1 (lot O1) X op 10 ×4", "note on plate P1: mind P1", "note on fixture F1: mind F1", "note on order O1: mind O1",
    ]
