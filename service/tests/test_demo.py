"""The demo weeks: read without a fault, believable, and without the features that come later."""

from __future__ import annotations

import json
from math import ceil
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from rich.console import Console

from platerota_service.demo import WEEKS, request_text, run
from platerota_service.pictures import gantt_svg
from platerota_shared.audit import audit
from platerota_shared.faults import RequestRefused
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest
from platerota_solver import due_date_plan, solve


def week_of(week: str) -> PlanRequest:
    """The week's request, whether or not all of its features can be planned yet."""
    document: dict[str, Any] = json.loads(request_text(week))
    return PlanRequest.model_validate(document, context={"zone": ZoneInfo(document["shop"]["timezone"])})


def faults_of(week: str) -> list[str]:
    """The code of each fault found when the week is read as a caller's request."""
    try:
        read_request(request_text(week))
    except RequestRefused as error:
        return [fault.code for fault in error.faults]
    return []


@pytest.mark.parametrize("week", WEEKS)
def test_a_demo_week_is_read_without_faults(week: str) -> None:
    assert faults_of(week) == []


@pytest.mark.parametrize("week", WEEKS)
def test_full_cuts_take_12_to_95_minutes_and_loads_3_to_12(week: str) -> None:
    request = week_of(week)
    cut_seconds = {(row.part, row.op): row.cut_seconds for row in request.shop.operations}
    for fixture in request.shop.fixtures:
        nests = [nest for nest in request.shop.nests if nest.fixture == fixture.id]
        cut = fixture.cycle_seconds + sum(nest.count * cut_seconds[nest.part, nest.op] for nest in nests)
        pieces = sum(nest.count for nest in nests)
        load = fixture.load_seconds + fixture.clamps * fixture.clamp_seconds + pieces * fixture.load_piece_seconds
        assert 12 * 60 <= cut <= 95 * 60, fixture.id
        assert 3 * 60 <= load <= 12 * 60, fixture.id


def test_the_basic_week_has_the_shop_it_promises() -> None:
    request = week_of("basic")
    shop = request.shop
    assert len(shop.machines) == 3
    assert len({(machine.travel_x, machine.travel_y) for machine in shop.machines}) >= 2
    assert len({plate.mount for plate in shop.plates}) == 2
    assert len(shop.fixtures) == 12
    assert len(request.orders) == 18
    assert sum(machine.unattended_minutes != 0 for machine in shop.machines) == 2
    assert all(15 <= machine.place_seconds + machine.pull_seconds <= 25 for machine in shop.machines)


def test_the_basic_week_needs_less_than_its_mills_and_people_have() -> None:
    """Six days of two shifts: the cutting of every order fits its mills' attended hours, by hand count of full runs."""
    request = week_of("basic")
    cut_seconds = {(row.part, row.op): row.cut_seconds for row in request.shop.operations}
    mounts = {plate.fixture: plate.mount for plate in request.shop.plates}
    hours: dict[str, float] = {}
    for fixture in request.shop.fixtures:
        nests = [nest for nest in request.shop.nests if nest.fixture == fixture.id]
        cut = fixture.cycle_seconds + sum(nest.count * cut_seconds[nest.part, nest.op] for nest in nests)
        runs = sum(ceil(order.quantity / nests[0].count) + len(nests) - 1 for order in request.orders if order.part == nests[0].part)
        hours[mounts[fixture.id]] = hours.get(mounts[fixture.id], 0.0) + runs * cut / 3_600
    attended = 5 * 14.5 + 5
    for mount, needed in hours.items():
        mills = sum(machine.mount == mount for machine in request.shop.machines)
        assert 0.6 * attended * mills <= needed <= 0.85 * attended * mills, mount


def test_orders_that_a_due_date_sort_makes_late_are_on_time_in_ours() -> None:
    request = week_of("basic")
    quick = request.settings.model_copy(update={"solve_seconds": 5.0, "repeatable": True})
    plans = due_date_plan(request), solve(request.model_copy(update={"settings": quick}))
    plain, ours = ({result.id: result.late_seconds for result in plan.orders if result.late_seconds} for plan in plans)
    assert len(plain.keys() - ours.keys()) >= 3
    assert 2 * sum(ours.values()) < sum(plain.values())


def test_the_full_week_uses_every_feature() -> None:
    request = week_of("full")
    machines, operations = request.shop.machines, request.shop.operations
    assert {"automatic", "hand"} == {machine.exchange for machine in request.shop.machines}
    assert all(any(getattr(row, field) for row in machines) for field in ("setup_seconds", "tool_slots", "tools", "positions"))
    times = ("tools", "first_article_seconds", "bench_seconds", "after_seconds")
    assert all(any(getattr(row, field) for row in operations) for field in times)
    assert any(plate.stays_in for plate in request.shop.plates)
    standing = {plate.fixture for plate in request.shop.plates}
    assert [fixture.id for fixture in request.shop.fixtures if fixture.id not in standing and fixture.build_seconds] == ["G07"]
    assert None in standing
    assert any(shift.overtime for shift in request.shop.shifts)
    assert any(operator.skills for operator in request.shop.operators)
    assert {row.stage for row in request.floor.waiting} == {"loaded", "placed", "cut", "pulled"}
    assert all((request.floor.running, request.floor.last_fixtures, request.floor.pieces))
    parts = {fixture.id: {nest.part for nest in request.shop.nests if nest.fixture == fixture.id} for fixture in request.shop.fixtures}
    assert max(map(len, parts.values())) == 2


def test_an_unknown_week_is_answered_with_the_ones_there_are(tmp_path: Path) -> None:
    console = Console(record=True, width=100)
    assert run("nonsense", tmp_path, console) == 2
    assert "basic and full" in console.export_text()
    assert not list(tmp_path.iterdir())


SMALL = {
    "now": "2027-03-01T06:00:00",
    "shop": {
        "timezone": "Europe/Lisbon",
        "machines": [{"id": "M1", "mount": "A", "travel_x": 700, "travel_y": 400}],
        "plates": [{"id": "P1", "mount": "A", "size_x": 400, "size_y": 300, "mass": 6, "fixture": "F1"}],
        "fixtures": [{"id": "F1", "load_seconds": 300, "unload_seconds": 200}],
        "nests": [{"fixture": "F1", "part": "X", "op": 10, "count": 4}],
        "operations": [{"part": "X", "op": 10, "cut_seconds": 600}],
        "operators": [{"id": "Ana"}],
        "shifts": [{"operator": "Ana", "days": ["mon", "tue"], "start": "06:00", "end": "14:00"}],
    },
    "orders": [{"id": "O1", "part": "X", "quantity": 8, "due": "2027-03-01T12:00:00"}],
    "settings": {"horizon_days": 2, "solve_seconds": 1, "repeatable": True},
}


def test_a_week_is_planned_printed_and_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platerota_service.demo.show.request_text", lambda week: json.dumps(SMALL))
    console = Console(record=True, width=100)
    assert run("basic", tmp_path / "new", console) == 0
    plan = Plan.from_document(json.loads((tmp_path / "new" / "demo-week-plan.json").read_text(encoding="utf-8")))
    request = read_request((tmp_path / "new" / "demo-week-request.json").read_bytes())
    assert audit(request, plan) == []
    assert (tmp_path / "new" / "demo-week.svg").read_text(encoding="utf-8") == gantt_svg(plan, request)
    text = console.export_text()
    assert "sorted by due date" in text
    assert "demo-week.svg" in text


def test_an_order_that_finds_no_place_is_told_by_the_exit_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many = {**SMALL, "orders": [{"id": "O1", "part": "X", "quantity": 400, "due": "2027-03-01T12:00:00"}]}
    monkeypatch.setattr("platerota_service.demo.show.request_text", lambda week: json.dumps(many))
    console = Console(record=True, width=100)
    assert run("basic", tmp_path, console) == 1
    assert "O1 is not placed" in console.export_text()


def test_a_week_with_faults_says_each_of_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    order = {"id": "O1", "part": "Y", "quantity": 0, "due": "2027-03-01T12:00:00"}
    monkeypatch.setattr("platerota_service.demo.show.request_text", lambda week: json.dumps({**SMALL, "orders": [order]}))
    console = Console(record=True, width=100)
    assert run("basic", tmp_path, console) == 2
    text = console.export_text()
    assert "/orders/0/part" in text
    assert "/orders/0/quantity" in text
