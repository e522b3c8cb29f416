"""A small shop and plans made by hand: every kind of task, one order late, one not placed."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from platerota_shared.plan import (
    Kpis,
    Lane,
    LoadWindow,
    MachineKpis,
    OperatorKpis,
    OrderResult,
    Plan,
    Run,
    RunPieces,
    Score,
    ScoreParts,
    SolverReport,
    Task,
    TaskSpan,
    Warning_,
)
from platerota_shared.tables import PlanRequest

MINUTE, HOUR, DAY = 60, 3_600, 86_400


def small_request(**names: str) -> PlanRequest:
    """One mill, two plates, one operator from 06:00 to 14:00 with a break; `names` replaces names by id."""
    shop: dict[str, Any] = {
        "timezone": "Europe/Lisbon",
        "machines": [{"id": "M1", "mount": "A", "travel_x": 700, "travel_y": 400, "unattended_minutes": 0, "tools": ["probe"]}],
        "plates": [{"id": plate, "mount": "A", "size_x": 400, "size_y": 300, "mass": 6} for plate in ("P1", "P2")],
        "fixtures": [{
            "id": "F1", "load_seconds": 600, "unload_seconds": 300, "cycle_seconds": 60, "build_seconds": 7_200, "mass": 2.5, "clamps": 4,
        }],
        "nests": [{"fixture": "F1", "part": "X", "op": 10, "count": 6}],
        "operations": [
            {"part": "X", "op": 10, "cut_seconds": 600, "stock_mass": 0.75, "tools": ["probe", "drill 6"], "bench_seconds": 450},
            {"part": "X", "op": 20, "cut_seconds": 60},
        ],
        "operators": [{"id": "Ana"}],
        "shifts": [
            {"operator": "Ana", "days": ["mon", "tue", "wed"], "start": "06:00", "end": "14:00", "breaks": ["10:00-10:30"]},
            {"operator": "Ana", "days": ["mon"], "start": "15:00", "end": "17:00", "overtime": True},
        ],
        "closures": [{"machine": "M1", "start": "2027-03-01T18:00:00", "end": "2027-03-01T22:00:00", "reason": "belt change"}],
    }
    for table in ("machines", "fixtures", "operators"):
        for row in shop[table]:
            row["name"] = names.get(row["id"], f"name of {row['id']}")
    orders = [
        {"id": "O1", "part": "X", "quantity": 4, "due": "2027-03-01T11:00:00"},
        {"id": "O2", "part": "X", "quantity": 4, "due": "2027-03-01T13:00:00"},
        {"id": "O3", "part": "X", "quantity": 4, "due": "2027-03-02T12:00:00"},
    ]
    document = {"now": "2027-03-01T06:00:00", "shop": shop, "orders": orders, "settings": {"horizon_days": 3}}
    return PlanRequest.model_validate(document, context={"zone": ZoneInfo("Europe/Lisbon")})


def plan_of(request: PlanRequest, runs: list[Run], tasks: list[Task], orders: list[OrderResult], **fields: Any) -> Plan:
    """A plan around `tasks`, with lanes and load windows as the contract lists them."""
    tasks = sorted(tasks, key=lambda task: (task.start, task.id))
    lanes = [
        Lane(resource=resource, id=row.id, tasks=tuple(task.id for task in tasks if getattr(task, resource) == row.id))
        for resource, rows in (("machine", request.shop.machines), ("plate", request.shop.plates), ("operator", request.shop.operators))
        for row in rows
    ]
    places = {task.run: task.start for task in tasks if task.kind == "place"}
    windows = [
        LoadWindow(
            operator=str(load.operator), plate=str(load.plate), run=str(load.run), earliest_start=load.start - 10 * MINUTE,
            start=load.start, end=load.end, latest_end=places[load.run], machine="M1", place_at=places[load.run],
        )
        for load in tasks if load.kind == "load"
    ]
    score = Score(total=120.0, bound=90.0, gap=0.25, parts=ScoreParts(late_hour=100.0, finish_hour=20.0))
    return Plan(
        id="demo", now=request.now, timezone=request.shop.timezone, horizon_end=request.horizon_end, score=score, orders=tuple(orders),
        runs=tuple(runs), tasks=tuple(tasks), lanes=tuple(lanes), load_windows=tuple(windows), solver=SolverReport(seconds=1.5, seed=7),
        kpis=fields.pop("kpis", Kpis()), **fields,
    )


def trip(request: PlanRequest, number: int, at: int, order: str, **on: Any) -> tuple[Run, list[Task]]:
    """One run of plate P1 or P2: ten minutes of load from `at`, a 41 min cut, five minutes of unload."""
    run, plate = f"R{number}", on.get("plate", "P1")
    steps = (("load", 10), ("place", 1), ("cut", 41), ("pull", 1), ("unload", 5))
    tasks: list[Task] = []
    for kind, minutes in steps:
        machine = "M1" if kind in ("place", "cut", "pull") else None
        operator = None if kind == "cut" else "Ana"
        tasks.append(Task.model_validate({
            "id": f"{run}.{kind}", "kind": kind, "run": run, "plate": plate, "machine": machine, "operator": operator, "start": at,
            "end": at + minutes * MINUTE, "frozen": on.get("frozen", False),
        }))
        at += minutes * MINUTE
    pieces = (RunPieces(order=order, part="X", op=10, pieces=4),)
    return Run(id=run, plate=plate, fixture="F1", machine="M1", pieces=pieces), tasks


def full_plan(request: PlanRequest) -> Plan:
    """Every kind of task: a paused build, a setup, a first article, bench work; one order late, one unplaced."""
    now = request.now
    first, tasks = trip(request, 1, now + 150 * MINUTE, "O1")
    second, more = trip(request, 2, now + 260 * MINUTE, "O2", plate="P2", frozen=True)
    spans = (TaskSpan(start=now, end=now + 2 * HOUR), TaskSpan(start=now + 9 * HOUR, end=now + 10 * HOUR))
    at = {minutes: now + minutes * MINUTE for minutes in (0, 120, 145, 210, 230, 400, 430, 600)}
    extra = [Task.model_validate({"operator": "Ana", **row}) for row in (
        {"id": "B1.build", "kind": "build", "plate": "P1", "fixture": "F1", "start": now, "end": at[600], "spans": spans, "overtime": True},
        {"id": "R1.setup", "kind": "setup", "run": "R1", "machine": "M1", "fixture": "F1", "start": at[120], "end": at[145]},
        {"id": "R1.first_article.10", "kind": "first_article", "run": "R1", "order": "O1", "op": 10, "start": at[210], "end": at[230]},
        {"id": "R2.bench.10", "kind": "bench", "run": "R2", "order": "O2", "op": 10, "start": at[400], "end": at[430]},
    )]
    due = [order.due for order in request.orders]
    orders = [
        OrderResult(id="O1", start=now, finish=due[0], due=due[0], late_seconds=0, placed=True, runs=1),
        OrderResult(
            id="O2", start=now + HOUR, finish=due[1] + 2 * HOUR, due=due[1], late_seconds=2 * HOUR, placed=True, runs=1,
            why="waited for Ana",
        ),
        OrderResult(id="O3", start=None, finish=None, due=due[2], late_seconds=None, placed=False, runs=0, why="no plate is free"),
    ]
    kpis = Kpis(
        machines=(MachineKpis(id="M1", seconds={"cutting": 2 * HOUR, "nobody": 2 * HOUR}, unattended_cutting_seconds=HOUR, ratios={}),),
        operators=(OperatorKpis(id="Ana", seconds={"load": HOUR, "free": 3 * HOUR}, ratios={}),),
    )
    caution = Warning_(code="lift", detail="P1 weighs 31 kg loaded: lift it with a hoist", pointer="/shop/plates/0")
    return plan_of(request, [first, second], [*tasks, *more, *extra], orders, kpis=kpis, warnings=(caution,))


def long_plan(request: PlanRequest, runs: int) -> Plan:
    """`runs` trips one after the other, an hour each, with long ids."""
    made = [trip(request, number, request.now + number * HOUR, "O1") for number in range(runs)]
    finish = request.now + runs * HOUR
    order = OrderResult(id="O1", start=request.now, finish=finish, due=request.orders[0].due, late_seconds=HOUR, placed=True, runs=runs)
    return plan_of(request, [run for run, _ in made], [task for _, tasks in made for task in tasks], [order])
