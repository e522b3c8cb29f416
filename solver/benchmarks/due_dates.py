"""Due dates and releases for generated orders, from the work that the shop has to do.

They do not come from a plan, so a better dispatcher does not change the requests it is measured on.
"""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta
from random import Random
from typing import Any

Request = dict[str, Any]

_SPREAD = 0.9
_ROUND = 900
_PRODUCTIVE_DAY = 7.75 * 3600


def date_orders(request: Request, random: Random, shift: float, *, released: bool) -> None:
    """Give every order its due date, and a quarter of them a release where `released`.

    A due date is `now` + attended time: the shop's estimated work time × (`shift` + a uniform draw × 0.9), and never
    sooner than the order alone would take.
    """
    work = Work(request)
    span = work.attended_seconds()
    started = {row["order"] for rows in request["floor"].values() for row in rows if "order" in row}
    for order in request["orders"]:
        earliest = 0.0
        draw, held = random.random(), random.random()
        if released and held < 0.25 and order["id"] not in started:
            earliest = span * 1.6 * held
            order["release"] = work.clock(earliest)
        alone = 1.1 * work.order_seconds(order)
        order["due"] = work.clock(max(span * (shift + _SPREAD * draw), earliest + alone))


class Work:
    """How long the orders of a request take, in seconds, roughly: full plates, no waiting."""

    def __init__(self, request: Request) -> None:
        shop = request["shop"]
        self._request = request
        self._fixtures = {row["id"]: row for row in shop["fixtures"]}
        self._operations = {(row["part"], row["op"]): row for row in shop["operations"]}
        self._plates = Counter(row["fixture"] for row in shop["plates"])
        built = {row["id"]: row["mount"] for row in shop["fixtures"] if row.get("mount")}
        self._mount = {**built, **{row["fixture"]: row["mount"] for row in shop["plates"]}}
        self._mills = Counter(row["mount"] for row in shop["machines"])
        self._nests: dict[str, dict[str, list[dict[str, Any]]]] = {}
        for row in shop["nests"]:
            self._nests.setdefault(row["part"], {}).setdefault(row["fixture"], []).append(row)
        self._now = datetime.fromisoformat(request["now"])
        regular = [row for row in shop["shifts"] if not row.get("overtime")]
        opens, closes = min(row["start"] for row in regular), max(row["end"] for row in regular)
        self._day = (datetime.strptime(closes, "%H:%M") - datetime.strptime(opens, "%H:%M")).total_seconds()

    def runs(self, order: dict[str, Any]) -> list[tuple[str, int, float, float]]:
        """Fixture, number of runs, hand seconds and cut seconds of a full run, for the first fixture of each op of the order's part."""
        found: list[tuple[str, int, float, float]] = []
        covered: set[int] = set()
        for name, rows in self._nests[order["part"]].items():
            ops = {row["op"] for row in rows}
            if ops <= covered:
                continue
            covered |= ops
            fixture = self._fixtures[name]
            pieces = sum(row["count"] for row in rows)
            left = order["quantity"] - self._done(order["id"], rows[0]["op"])
            number = -(-left // rows[0]["count"]) + len(rows) - 1
            hand = (
                fixture["load_seconds"] + fixture["unload_seconds"] + 20
                + fixture["clamps"] * (fixture["clamp_seconds"] + fixture["release_seconds"])
                + pieces * (fixture["load_piece_seconds"] + fixture["unload_piece_seconds"])
            )
            hand += sum(row["count"] * self._operations[row["part"], row["op"]].get("bench_seconds", 0) for row in rows)
            cut = fixture["cycle_seconds"] + sum(row["count"] * self._operations[row["part"], row["op"]]["cut_seconds"] for row in rows)
            found.append((name, number, hand, cut))
        return found

    def _done(self, order: str, op: int) -> int:
        return sum(row["pieces"] for row in self._request["floor"]["pieces"] if row["order"] == order and row["op"] >= op)

    def order_seconds(self, order: dict[str, Any]) -> float:
        """Attended seconds that the order takes alone."""
        waits: float = sum(row.get("after_seconds", 0) for (part, _), row in self._operations.items() if part == order["part"])
        return waits + sum(number * (hand + cut) / max(1, self._plates[name]) for name, number, hand, cut in self.runs(order))

    def attended_seconds(self) -> float:
        """Attended seconds that all orders take together: the busiest of the operators, the mills of a mount, and the plates."""
        hands, mills, plates = 0.0, Counter[str](), Counter[str]()
        for order in self._request["orders"]:
            for name, number, hand, cut in self.runs(order):
                hands += number * hand
                mills[self._mount[name]] += int(number * (cut + 20))
                plates[name] += int(number * (hand + cut) / max(1, self._plates[name]))
        operators = len(self._request["shop"]["operators"])
        by_mill = max(seconds / self._mills[mount] for mount, seconds in mills.items())
        return max(hands / (operators * _PRODUCTIVE_DAY) * self._day, by_mill, *plates.values())

    def clock(self, attended: float) -> str:
        """The local time when that many attended seconds, weekends left out, have passed since `now`, on a quarter hour."""
        seconds = -(-int(attended) // _ROUND) * _ROUND
        days, rest = divmod(seconds, int(self._day))
        weeks, weekdays = divmod(days, 5)
        return (self._now + timedelta(days=7 * weeks + weekdays, seconds=rest)).isoformat()
