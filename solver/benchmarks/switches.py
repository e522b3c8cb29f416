"""Feature switches: each changes a generated request so that it uses one more rule of the floor, and keeps it valid."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from random import Random
from typing import Any

Request = dict[str, Any]
Switch = Callable[[Request, Random], None]

_RESIDENT = [f"T{number}" for number in range(1, 7)]
_TOOLS = [f"T{number}" for number in range(1, 31)]


def _later(request: Request, **delta: float) -> str:
    return (datetime.fromisoformat(request["now"]) + timedelta(**delta)).isoformat()


def limit_nights(request: Request, random: Random) -> None:
    """A third of the mills never cut unattended, a third for three hours, a third without limit."""
    for index, machine in enumerate(request["shop"]["machines"]):
        limit = (180, 0, None)[index % 3]
        if limit is not None:
            machine["unattended_minutes"] = limit


def close(request: Request, random: Random) -> None:
    """A mill in maintenance, an operator away, a plate lent out, and an hour when the whole shop meets."""
    shop = request["shop"]
    span = random.randint(4, 7)
    shop["closures"] = [
        {"machine": random.choice(shop["machines"])["id"], "start": _later(request, hours=span), "end": _later(request, hours=span + 3),
         "reason": "maintenance"},
        {"operator": random.choice(shop["operators"])["id"], "start": _later(request, days=1), "end": _later(request, days=1, hours=5),
         "reason": "training"},
        {"plate": random.choice(shop["plates"])["id"], "start": _later(request, hours=6), "end": _later(request, hours=10),
         "reason": "lent to the test bench"},
        {"start": _later(request, days=1, hours=6), "end": _later(request, days=1, hours=7), "reason": "shop meeting"},
    ]


def add_positions(request: Request, random: Random) -> None:
    """Every other mill has two positions, served by hand."""
    for machine in request["shop"]["machines"][::2]:
        machine["positions"] = 2


def split_skills(request: Request, random: Random) -> None:
    """The first operator can do everything; of the others some only load, some only run the mills."""
    shapes = (
        ["load", "unload", "exchange", "setup", "first_article", "bench", "build"],
        ["load", "unload", "exchange", "bench"],
        ["load", "unload", "exchange", "setup", "first_article", "build"],
    )
    for index, operator in enumerate(request["shop"]["operators"]):
        operator["skills"] = shapes[index % len(shapes)]


def weigh(request: Request, random: Random) -> None:
    """Orders of unequal importance."""
    for order in request["orders"]:
        order["weight"] = random.choice((0.5, 1, 1, 1, 2, 5))


def finish_pieces(request: Request, random: Random) -> None:
    """A quarter of the orders have pieces through one of their ops already."""
    ops = _ops(request)
    for order in request["orders"]:
        if order["quantity"] > 1 and random.random() < 0.25:
            pieces = random.randint(1, max(1, order["quantity"] // 2))
            request["floor"]["pieces"].append({"order": order["id"], "op": random.choice(ops[order["part"]]), "pieces": pieces})


def _ops(request: Request) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for row in request["shop"]["operations"]:
        found.setdefault(row["part"], []).append(row["op"])
    return found


def set_up(request: Request, random: Random) -> None:
    """Tools in every op, a magazine that holds some of them, and a setup for each change of fixture."""
    for machine in request["shop"]["machines"]:
        machine.update(setup_seconds=300, tool_load_seconds=45, tool_slots=30, tools=_RESIDENT)
    for operation in request["shop"]["operations"]:
        operation["tools"] = sorted(random.sample(_TOOLS, random.randint(3, 6)), key=_TOOLS.index)


def check_first(request: Request, random: Random) -> None:
    """A third of the ops need a first article."""
    for operation in request["shop"]["operations"]:
        if random.random() < 1 / 3:
            operation["first_article_seconds"] = random.randrange(600, 1501, 60)


def add_bench_work(request: Request, random: Random) -> None:
    """A third of the ops need bench work."""
    for operation in request["shop"]["operations"]:
        if random.random() < 1 / 3:
            operation["bench_seconds"] = random.randrange(20, 91, 5)


def wait_after(request: Request, random: Random) -> None:
    """A quarter of the ops are followed by a wait of half an hour to four hours."""
    for operation in request["shop"]["operations"]:
        if random.random() < 1 / 4:
            operation["after_seconds"] = random.randrange(1800, 14_401, 900)


def build_fixtures(request: Request, random: Random) -> None:
    """Every sixth fixture, where one of its plates is free, has that plate less; it lies blank, and can be built on."""
    shop = request["shop"]
    busy = {row["plate"] for table in ("running", "waiting") for row in request["floor"][table]}
    free = [row for row in shop["plates"] if row["id"] not in busy and row.get("stays_in") is None]
    for fixture in shop["fixtures"][::6]:
        plate = next((row for row in free if row["fixture"] == fixture["id"]), None)
        if plate is None:
            continue
        plate["fixture"] = None
        fixture.update(build_seconds=random.randrange(2400, 5401, 300), mount=plate["mount"],
                       min_size_x=plate["size_x"], min_size_y=plate["size_y"])


def feed_automatically(request: Request, random: Random) -> None:
    """Every third mill feeds itself from a pool of four plates."""
    for machine in request["shop"]["machines"][::3]:
        machine.update(exchange="automatic", positions=4, exchange_seconds=20)


def fix_plates(request: Request, random: Random) -> None:
    """Every eighth plate with a fixture stays in a mill, which keeps a position free for others."""
    shop = request["shop"]
    machines = _machines_of_fixtures(request)
    for plate in [row for row in shop["plates"] if row["fixture"]][::8]:
        allowed = machines[plate["fixture"]] or [row["id"] for row in shop["machines"] if row["mount"] == plate["mount"]]
        machine = next(row for row in shop["machines"] if row["id"] == allowed[-1])
        if any(row.get("stays_in") == machine["id"] for row in shop["plates"]):
            continue
        machine["positions"] = max(2, machine.get("positions", 1))
        plate["stays_in"] = machine["id"]


def _machines_of_fixtures(request: Request) -> dict[str, list[str] | None]:
    return {row["id"]: row.get("machines") for row in request["shop"]["fixtures"]}


def offer_overtime(request: Request, random: Random) -> None:
    """The first operator may stay two hours longer each day and come on Saturday."""
    operator = request["shop"]["operators"][0]["id"]
    request["shop"]["shifts"] += [
        {"operator": operator, "days": ["mon", "tue", "wed", "thu", "fri"], "start": "14:30", "end": "16:30", "overtime": True},
        {"operator": operator, "days": ["sat"], "start": "07:00", "end": "13:00", "breaks": ["10:00-10:15"], "overtime": True},
    ]


def fill_floor(request: Request, random: Random) -> None:
    """Half of the mills cut at `now`, others hold the tools of a fixture, and one plate in ten stands loaded."""
    shop, floor = request["shop"], request["floor"]
    open_orders = [order for order in request["orders"] if not any(row["order"] == order["id"] for row in floor["pieces"])]
    busy: set[str] = set()
    for index, machine in enumerate(shop["machines"]):
        run = next(_floor_runs(request, open_orders, busy, machine), None)
        if run is None:
            continue
        if index % 2 == 0:
            end = _later(request, minutes=random.randint(10, 55))
            floor["running"].append({**run, "machine": machine["id"], "cut_end": end})
        else:
            fixture = next(row["fixture"] for row in shop["plates"] if row["id"] == run["plate"])
            floor["last_fixtures"].append({"machine": machine["id"], "fixture": fixture})
            floor["waiting"].append({**run, "stage": "loaded"})
        busy.add(run["plate"])
        open_orders = [order for order in open_orders if order["id"] != run["order"]]


def _floor_runs(request: Request, orders: list[dict[str, Any]], busy: set[str], machine: dict[str, Any]) -> Any:
    """Runs of first ops that could be under way on a mill: plate, order, op, pieces."""
    shop = request["shop"]
    fixtures = _machines_of_fixtures(request)
    for order in orders:
        op = min(_ops(request)[order["part"]])
        for nest in shop["nests"]:
            allowed = fixtures[nest["fixture"]]
            if (nest["part"], nest["op"]) != (order["part"], op) or (allowed and machine["id"] not in allowed):
                continue
            for plate in shop["plates"]:
                fits = plate["fixture"] == nest["fixture"] and plate["mount"] == machine["mount"] and plate.get("stays_in") is None
                if fits and plate["id"] not in busy:
                    yield {"plate": plate["id"], "order": order["id"], "op": op, "pieces": min(nest["count"], order["quantity"])}


def share_fixtures(request: Request, random: Random) -> None:
    """Every fourth fixture of a single op also gets nests of another part's op of the same mount."""
    shop = request["shop"]
    rows = list(shop["nests"])
    mount = {plate["fixture"]: plate["mount"] for plate in shop["plates"] if plate["fixture"]}
    single = [row for row in rows if sum(other["fixture"] == row["fixture"] for other in rows) == 1]
    for row in single[::4]:
        guests = [other for other in single if mount[other["fixture"]] == mount[row["fixture"]] and other["part"] != row["part"]]
        if guests:
            guest = random.choice(guests)
            count = max(1, guest["count"] // 2)
            shop["nests"].append({"fixture": row["fixture"], "part": guest["part"], "op": guest["op"], "count": count})


SWITCHES: dict[str, Switch] = {
    "family": share_fixtures,
    "unattended": limit_nights,
    "closures": close,
    "positions": add_positions,
    "skills": split_skills,
    "weights": weigh,
    "pieces": finish_pieces,
    "setups": set_up,
    "first_article": check_first,
    "bench": add_bench_work,
    "after": wait_after,
    "automatic": feed_automatically,
    "stays": fix_plates,
    "floor": fill_floor,
    "builds": build_fixtures,
    "overtime": offer_overtime,
}
"""What changes the shop, in the order in which it is applied; `release` is drawn together with the due dates."""
