"""A plan under the names of IEC 62264: read back from the export, nothing of orders, runs, tasks and operators is lost."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

import pytest

from platerota_service.docs_page import erp_page
from platerota_service.operations_schedule import ScheduleDocument, operations_schedule
from platerota_service.operations_schedule.mapping import utc
from platerota_shared.plan import Kpis, LoadWindow, OrderResult, Plan, Run, RunPieces, Score, ScoreParts, SolverReport, Task, TaskSpan
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest

NOW = 1_806_177_600  # 2027-03-27T20:00:00Z, a Saturday: in Lisbon the clock is put forward in the following night
Values = dict[str, list[str]]


@pytest.fixture
def request_() -> PlanRequest:
    """Two parts, one of them with two ops, on two machines; two operators, one of them with overtime; an order that is not placed."""
    plate = {"mount": "A", "size_x": 400, "size_y": 300, "mass": 20}
    return read_request({
        "now": "2027-03-27T20:00:00",
        "shop": {
            "timezone": "Europe/Lisbon",
            "machines": [{"id": name, "mount": "A", "travel_x": 760, "travel_y": 400} for name in ("M1", "M2")],
            "plates": [
                {"id": "P1", "fixture": "F1", **plate}, {"id": "P2", "fixture": "F1", "stays_in": "M2", **plate},
                {"id": "P3", **plate},
            ],
            "fixtures": [{"id": "F1", "load_seconds": 60}, {"id": "F2", "build_seconds": 600}],
            "nests": [{"fixture": "F1", "part": "A", "op": 10, "count": 4}, {"fixture": "F1", "part": "B", "op": 10, "count": 4},
                      {"fixture": "F2", "part": "A", "op": 20, "count": 4}],
            "operations": [{"part": "A", "op": 20, "cut_seconds": 60, "bench_seconds": 30}, {"part": "A", "op": 10, "cut_seconds": 60},
                           {"part": "B", "op": 10, "cut_seconds": 60, "first_article_seconds": 300}],
            "operators": [{"id": "ana", "name": "Ana", "note": "early"}, {"id": "rui"}],
            "shifts": [
                {"operator": "ana", "days": ["sat", "sun"], "start": "20:00", "end": "04:00", "breaks": ["23:00-23:30"]},
                {"operator": "rui", "days": ["sun"], "start": "06:00", "end": "10:00", "overtime": True},
            ],
        },
        "orders": [
            {"id": "O1", "part": "A", "quantity": 4, "due": "2027-03-28T12:00:00", "weight": 2.5, "name": "brackets"},
            {"id": "O.2", "part": "B", "quantity": 2, "due": "2027-03-28T12:00:00", "release": "2027-03-27T20:30:00"},
            {"id": "O3", "part": "A", "quantity": 1, "due": "2027-03-28T12:00:00"},
        ],
        "settings": {"horizon_days": 2},
    })


def task(name: str, start: int, end: int, operator: str | None, **more: Any) -> Task:
    run, kind, *rest = name.split(".")
    op = int(rest[0]) if rest else None
    whose = None if kind == "build" else run
    return Task(id=name, kind=kind, run=whose, operator=operator, start=NOW + start, end=NOW + end, op=op, **more)  # type: ignore[arg-type]


@pytest.fixture
def plan(request_: PlanRequest) -> Plan:
    """Every kind of task once: a shared run, one that stays, one that came pulled, a build; frozen, overtime and paused work."""
    tasks = (
        task("R1.load", 0, 100, "ana", plate="P1", float_seconds=7),
        task("R1.place", 100, 110, "ana", plate="P1", machine="M1"),
        task("R1.setup", 110, 300, "ana", machine="M1", fixture="F1"),
        task("R1.cut", 300, 900, None, plate="P1", machine="M1"),
        task("R1.pull", 900, 910, "ana", plate="P1", machine="M1"),
        task("R1.unload", 910, 950, "ana", plate="P1"),
        task("R1.first_article.10", 950, 1_250, "rui", order="O.2", overtime=True),
        task("R2.load", 1_300, 1_400, "ana", plate="P2", machine="M2"),
        task("R2.cut", 1_400, 30_000, None, plate="P2", machine="M2"),
        task("R2.unload", 30_000, 30_010, "ana", plate="P2", machine="M2"),
        task("R3.unload", 0, 40, "rui", plate="P3", frozen=True),
        task("R3.bench.20", 10_000, 14_000, "ana", order="O1",
             spans=(TaskSpan(start=NOW + 10_000, end=NOW + 10_800), TaskSpan(start=NOW + 12_600, end=NOW + 14_000))),
        task("B1.build", 40, 640, "rui", plate="P3", fixture="F2"),
    )
    pieces = {"R1": (("O1", "A", 10, 3), ("O.2", "B", 10, 1)), "R2": (("O.2", "B", 10, 1),), "R3": (("O1", "A", 20, 4),)}
    places = {"R1": ("P1", "F1", "M1"), "R2": ("P2", "F1", "M2"), "R3": ("P3", "F2", None)}
    results = (
        OrderResult(id="O1", start=NOW, finish=NOW + 14_000, due=NOW + 54_000, late_seconds=0, placed=True, runs=2),
        OrderResult(id="O.2", start=NOW, finish=NOW + 90_000, due=NOW + 54_000, late_seconds=36_000, placed=True, runs=2, why="M2 cut"),
        OrderResult(id="O3", start=None, finish=None, due=NOW + 54_000, late_seconds=None, placed=False, runs=0, why="nobody is there"),
    )
    runs = tuple(
        Run(id=name, plate=places[name][0], fixture=places[name][1], machine=places[name][2],
            pieces=tuple(RunPieces(order=order, part=part, op=op, pieces=count) for order, part, op, count in held))
        for name, held in pieces.items()
    )
    windows = tuple(
        LoadWindow(operator="ana", plate=one.plate or "", run=one.run or "", earliest_start=one.start - 5, start=one.start, end=one.end,
                   latest_end=one.end + 9, machine="M1", place_at=one.end + 9)
        for one in tasks if one.kind == "load"
    )
    return Plan(
        id="plan-1", now=request_.now, timezone="Europe/Lisbon", horizon_end=request_.horizon_end, orders=results, runs=runs, tasks=tasks,
        score=Score(total=0, bound=0, gap=0, parts=ScoreParts()), lanes=(), load_windows=windows, kpis=Kpis(),
        solver=SolverReport(seconds=0, seed=1),
    )


@pytest.fixture
def document(request_: PlanRequest, plan: Plan) -> dict[str, Any]:
    return operations_schedule(request_, plan)


def seconds(text: str) -> int:
    """UTC seconds of an instant, which must be written in UTC."""
    assert text.endswith("Z")
    return int(datetime.fromisoformat(text).timestamp())


def values(parameters: list[dict[str, Any]]) -> Values:
    found: Values = {}
    for one in parameters:
        found.setdefault(one["ID"], []).append(one["Value"]["ValueString"])
    return found


def asset(requirement: dict[str, Any], kind: str) -> str | None:
    return next((one["PhysicalAssetID"] for one in requirement["PhysicalAssetRequirement"] if one["PhysicalAssetClassID"] == kind), None)


def segments(document: dict[str, Any]) -> dict[str, tuple[str, str, int]]:
    """Order, part and op of each segment requirement."""
    return {
        segment["ID"]: (order["ID"], segment["OperationsDefinitionID"], int(segment["ProcessSegmentID"]))
        for order in document["OperationsSchedule"]["OperationsRequest"] for segment in order["SegmentRequirement"]
    }


def task_of(job: dict[str, Any], request: dict[str, Any], known: dict[str, tuple[str, str, int]]) -> Task:
    """The task that a job order came from."""
    facts, kind = values(job["JobOrderParameter"]), job["WorkMasterID"]
    order, _, op = known[facts["SegmentRequirementID"][0]] if "SegmentRequirementID" in facts else (None, None, None)
    spans = tuple(
        TaskSpan(start=seconds(start), end=seconds(end))
        for start, end in zip(facts.get("SpanStart", ()), facts.get("SpanEnd", ()), strict=True)
    )
    return Task(
        id=job["ID"], kind=kind, run=None if kind == "build" else request["ID"], start=seconds(job["StartTime"]),
        end=seconds(job["EndTime"]), operator=next((one["PersonID"] for one in job["PersonnelRequirement"]), None),
        machine=next((one["EquipmentID"] for one in job["EquipmentRequirement"]), None), plate=asset(job, "plate"),
        fixture=asset(job, "fixture") if kind in ("setup", "build") else None, order=order, op=op, spans=spans or None,
        float_seconds=int(facts["Float"][0]), frozen=facts["Frozen"] == ["true"], overtime=facts["Overtime"] == ["true"],
    )


def test_every_task_is_read_back_as_it_was(document: dict[str, Any], plan: Plan) -> None:
    known = segments(document)
    found = [
        task_of(job, request, known) for request in document["WorkSchedule"]["WorkRequest"] for job in request["JobOrder"]
    ]
    assert sorted(found, key=lambda one: one.id) == sorted(plan.tasks, key=lambda one: one.id)


def test_every_run_is_read_back_with_its_plate_fixture_machine_and_pieces(document: dict[str, Any], plan: Plan) -> None:
    known = segments(document)
    found: list[Run] = []
    for request in document["WorkSchedule"]["WorkRequest"]:
        unload = next((job for job in request["JobOrder"] if job["WorkMasterID"] == "unload"), None)
        if unload is None:
            continue
        machines = [one["EquipmentID"] for job in request["JobOrder"] for one in job["EquipmentRequirement"]]
        held = [
            (*known[values(one["MaterialRequirementProperty"])["SegmentRequirementID"][0]], int(one["Quantity"]["QuantityString"]))
            for one in unload["MaterialRequirement"]
        ]
        found.append(Run(
            id=request["ID"], plate=asset(unload, "plate") or "", fixture=asset(unload, "fixture") or "",
            machine=machines[0] if machines else None,
            pieces=tuple(RunPieces(order=order, part=part, op=op, pieces=count) for order, part, op, count in held),
        ))
    assert tuple(found) == plan.runs


def test_every_order_is_read_back_with_its_result(document: dict[str, Any], plan: Plan, request_: PlanRequest) -> None:
    found: list[OrderResult] = []
    for order in document["OperationsSchedule"]["OperationsRequest"]:
        whole = values(order["SegmentRequirement"][-1]["SegmentParameter"])
        runs = {run for segment in order["SegmentRequirement"] for run in values(segment["SegmentParameter"]).get("WorkRequestID", ())}
        found.append(OrderResult(
            id=order["ID"], start=seconds(order["StartTime"]) if "StartTime" in order else None,
            finish=seconds(order["EndTime"]) if "EndTime" in order else None, due=seconds(whole["Due"][0]),
            late_seconds=int(whole["Late"][0]) if "Late" in whole else None, placed=whole["Placed"] == ["true"], runs=len(runs),
            why=whole.get("Why", [None])[0],
        ))
    assert tuple(found) == plan.orders
    first, second, _ = document["OperationsSchedule"]["OperationsRequest"]
    assert (first["Priority"], first["Description"]) == ("2.5", "brackets")
    assert [segment["ProcessSegmentID"] for segment in first["SegmentRequirement"]] == ["10", "20"]
    assert values(second["SegmentRequirement"][-1]["SegmentParameter"])["Release"] == ["2027-03-27T20:30:00Z"]
    assert [values(order["SegmentRequirement"][-1]["SegmentParameter"])["Quantity"] for order in (first, second)] == [["4"], ["2"]]


def test_an_op_spans_its_tasks_and_names_what_it_needs(document: dict[str, Any]) -> None:
    found = {
        segment["ID"]: segment for order in document["OperationsSchedule"]["OperationsRequest"] for segment in order["SegmentRequirement"]
    }
    shared = found["O.2.10"]
    assert (seconds(shared["EarliestStartTime"]) - NOW, seconds(shared["LatestEndTime"]) - NOW) == (0, 30_010)
    assert [one["EquipmentID"] for one in shared["EquipmentRequirement"]] == ["M1", "M2"]
    assert [one["PersonID"] for one in shared["PersonnelRequirement"]] == ["ana", "rui"]
    assert [one["PhysicalAssetID"] for one in shared["PhysicalAssetRequirement"]] == ["P1", "P2", "F1"]
    # The first article of O.2 is no work of O1, though both are in run R1.
    assert seconds(found["O1.10"]["LatestEndTime"]) - NOW == 950
    assert seconds(found["O1.20"]["LatestEndTime"]) - NOW == 14_000
    assert "EarliestStartTime" not in found["O3.10"]


def test_load_windows_stand_at_their_loads(document: dict[str, Any], plan: Plan) -> None:
    jobs = {job["ID"]: job for request in document["WorkSchedule"]["WorkRequest"] for job in request["JobOrder"]}
    for window in plan.load_windows:
        facts = values(jobs[f"{window.run}.load"]["JobOrderParameter"])
        read = [seconds(facts[name][0]) for name in ("WindowEarliestStart", "WindowLatestEnd", "PlaceAt")]
        assert read == [window.earliest_start, window.latest_end, window.place_at]


def test_every_operator_has_a_calendar_in_utc_right_across_the_clock_change(document: dict[str, Any]) -> None:
    ana, rui = document["WorkCalendar"]
    assert (ana["ID"], ana["Description"], rui["ID"]) == ("ana", "Ana: early", "rui")
    # Saturday 20:00 to Sunday 04:00 in Lisbon, less the break: 04:00 is 03:00 UTC after the change.
    spans = [(one["StartDateTime"], one["FinishDateTime"], one["EntryType"]) for one in ana["WorkCalendarEntry"]]
    assert spans[:2] == [
        ("2027-03-27T20:00:00Z", "2027-03-27T23:00:00Z", "Working"), ("2027-03-27T23:30:00Z", "2027-03-28T03:00:00Z", "Working"),
    ]
    assert [(one["StartDateTime"], one["EntryType"]) for one in rui["WorkCalendarEntry"]] == [("2027-03-28T05:00:00Z", "Overtime")]


def test_every_instant_is_utc(document: dict[str, Any]) -> None:
    instants = re.findall(r"'(\d{4}-\d{2}-\d{2}T[^']*)'", str(document))
    assert len(instants) > 50
    assert all(re.fullmatch(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z", one) for one in instants)
    assert utc(0) == "1970-01-01T00:00:00Z"


def test_the_export_is_of_its_own_models_and_says_whether_it_is_released(request_: PlanRequest, plan: Plan) -> None:
    for state in ("Forecast", "Released"):
        document = operations_schedule(request_, plan, state)
        read = ScheduleDocument.model_validate(document, by_alias=True)
        assert read.model_dump(mode="json", by_alias=True, exclude_none=True) == document
        assert {document[name]["ScheduleState"] for name in ("OperationsSchedule", "WorkSchedule")} == {state}


def test_the_page_names_every_object_and_parameter_of_an_export(document: dict[str, Any]) -> None:
    written = set(re.findall(r"`([\w.]+)`", erp_page()))
    objects = {name for name in re.findall(r"'([A-Z]\w+)': [\[{]", str(document)) if name not in ("Value", "Quantity")}
    parameters = set(re.findall(r"\{'ID': '(\w+)', 'Value'", str(document)))
    assert {"JobOrder", "SegmentRequirement"} <= objects
    assert {"Float", "Why", "WorkRequestID"} <= parameters
    assert sorted((objects | parameters) - written) == []
