"""Small valid plans worked out by hand, one per feature; each function gives a request and its plan.

The shop of all: mill M1 takes plates of mount A by hand (place 10 s, pull 10 s), fixture F1 has 4 nests for part A op 10, a
load takes 120 s, an unload 60 s, a cut 4 x 600 = 2400 s. Ann works Monday to Friday 06:00-14:00, break 10:00-10:15.
"""

from __future__ import annotations

from collections.abc import Callable

from platerota_shared.plan import Plan, Task
from platerota_shared.tables import PlanRequest

from .audit_plans import Document, completed, drafted, read, run, task

Week = tuple[PlanRequest, Plan]


def shop() -> Document:
    """The raw request all weeks derive from: order O1, 12 pieces, due at 08:00 (7200 s)."""
    return {
        "now": "2027-03-01T06:00:00",
        "shop": {
            "timezone": "Europe/Lisbon",
            "machines": [{"id": "M1", "mount": "A", "travel_x": 500, "travel_y": 400, "max_mass": 60.3}],
            "plates": [
                {"id": name, "mount": "A", "size_x": 350, "size_y": 450, "mass": 20.1, "fixture": "F1"} for name in ("P1", "P2")
            ],
            "fixtures": [{"id": "F1", "load_seconds": 60, "clamps": 4, "clamp_seconds": 5, "load_piece_seconds": 10,
                          "unload_seconds": 20, "release_seconds": 5, "unload_piece_seconds": 5, "mass": 20.2}],
            "nests": [{"fixture": "F1", "part": "A", "op": 10, "count": 4}],
            "operations": [{"part": "A", "op": 10, "cut_seconds": 600, "stock_mass": 5}],
            "operators": [{"id": "Ann"}],
            "shifts": [{"operator": "Ann", "days": ["mon", "tue", "wed", "thu", "fri"], "start": "06:00", "end": "14:00",
                        "breaks": ["10:00-10:15"]}],
            "closures": [],
        },
        "orders": [{"id": "O1", "part": "A", "quantity": 12, "due": "2027-03-01T08:00:00"}],
        "floor": {},
        "settings": {"horizon_days": 7},
    }


def two_plates() -> Week:
    """Two plates take turns: Ann loads one while the other is cut."""
    request = read(shop())
    runs = [run(f"R{n}", f"P{2 - n % 2}", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2, 3)]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R2.load", 130, 250, "Ann"),
        task("R1.pull", 2530, 2540, "Ann"), task("R2.place", 2540, 2550, "Ann"), task("R2.cut", 2550, 4950),
        task("R1.unload", 2550, 2610, "Ann"), task("R3.load", 2610, 2730, "Ann"), task("R2.pull", 4950, 4960, "Ann"),
        task("R3.place", 4960, 4970, "Ann"), task("R3.cut", 4970, 7370), task("R2.unload", 4970, 5030, "Ann"),
        task("R3.pull", 7370, 7380, "Ann"), task("R3.unload", 7380, 7440, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def night() -> Week:
    """The last plate is cut after everybody left at 14:00 (28800 s), at most 33 minutes long; Ann is back at 86400 s."""
    raw = shop()
    raw["orders"][0]["quantity"] = 4
    raw["shop"]["machines"][0]["unattended_minutes"] = 33
    request = read(raw)
    tasks = [
        task("R1.load", 28200, 28320, "Ann"), task("R1.place", 28320, 28330, "Ann"), task("R1.cut", 28330, 30730),
        task("R1.pull", 86400, 86410, "Ann"), task("R1.unload", 86410, 86470, "Ann"),
    ]
    return request, completed(request, drafted(request, [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))], tasks))


def setups() -> Week:
    """Two fixtures and their tools: T1 is resident, so each setup is 300 s and one tool of 60 s."""
    raw = shop()
    raw["shop"]["machines"][0] |= {"setup_seconds": 300, "tool_load_seconds": 60, "tools": ["T1"], "tool_slots": 3}
    raw["shop"]["plates"][1]["fixture"] = "F2"
    raw["shop"]["fixtures"].append({"id": "F2", "load_seconds": 120, "unload_seconds": 60})
    raw["shop"]["nests"].append({"fixture": "F2", "part": "B", "op": 10, "count": 2})
    raw["shop"]["operations"][0]["tools"] = ["T1", "T2"]
    raw["shop"]["operations"].append({"part": "B", "op": 10, "cut_seconds": 900, "tools": ["T2", "T3"]})
    raw["orders"] = [raw["orders"][0] | {"quantity": 4}, {"id": "O2", "part": "B", "quantity": 2, "due": "2027-03-01T09:00:00"}]
    request = read(raw)
    runs = [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4)), run("R2", "P2", "F2", "M1", ("O2", "B", 10, 2))]
    tasks = [
        task("R1.setup", 0, 360, "Ann"), task("R1.load", 360, 480, "Ann"), task("R1.place", 480, 490, "Ann"), task("R1.cut", 490, 2890),
        task("R2.load", 490, 610, "Ann"), task("R1.pull", 2890, 2900, "Ann"), task("R2.setup", 2900, 3260, "Ann"),
        task("R2.place", 3260, 3270, "Ann"), task("R2.cut", 3270, 5070), task("R1.unload", 3270, 3330, "Ann"),
        task("R2.pull", 5070, 5080, "Ann"), task("R2.unload", 5080, 5140, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def two_ops() -> Week:
    """Op 10 with a first article of 300 s, bench work of 30 s a piece and 600 s to cool, then op 20 on its own plate."""
    raw = shop()
    raw["shop"]["operations"] = [
        {"part": "A", "op": 10, "cut_seconds": 600, "first_article_seconds": 300, "bench_seconds": 30, "after_seconds": 600},
        {"part": "A", "op": 20, "cut_seconds": 300},
    ]
    raw["shop"]["plates"][1]["fixture"] = "F2"
    raw["shop"]["fixtures"].append({"id": "F2", "load_seconds": 120, "unload_seconds": 60})
    raw["shop"]["nests"].append({"fixture": "F2", "part": "A", "op": 20, "count": 4})
    raw["orders"][0]["quantity"] = 8
    request = read(raw)
    runs = [
        run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4)), run("R2", "P1", "F1", "M1", ("O1", "A", 10, 4)),
        run("R3", "P2", "F2", "M1", ("O1", "A", 20, 4)), run("R4", "P2", "F2", "M1", ("O1", "A", 20, 4)),
    ]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.pull", 2530, 2540, "Ann"),
        task("R1.unload", 2540, 2600, "Ann"), task("R1.first_article.10", 2600, 2900, "Ann"), task("R1.bench.10", 2900, 3020, "Ann"),
        task("R2.load", 3020, 3140, "Ann"), task("R2.place", 3140, 3150, "Ann"), task("R2.cut", 3150, 5550),
        task("R3.load", 3620, 3740, "Ann"), task("R2.pull", 5550, 5560, "Ann"), task("R3.place", 5560, 5570, "Ann"),
        task("R3.cut", 5570, 6770), task("R2.unload", 5570, 5630, "Ann"), task("R2.bench.10", 5630, 5750, "Ann"),
        task("R3.pull", 6770, 6780, "Ann"), task("R3.unload", 6780, 6840, "Ann"), task("R4.load", 6840, 6960, "Ann"),
        task("R4.place", 6960, 6970, "Ann"), task("R4.cut", 6970, 8170), task("R4.pull", 8170, 8180, "Ann"),
        task("R4.unload", 8180, 8240, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def pauses() -> Week:
    """A build pauses over the break, bench work over the night; it leaves out the overtime shift on Monday 14:00-15:00."""
    raw = shop()
    raw["shop"]["plates"][0]["fixture"] = None
    raw["shop"]["fixtures"][0] |= {"build_seconds": 1800, "mount": "A", "min_size_x": 440, "min_size_y": 300}
    raw["shop"]["operations"][0]["bench_seconds"] = 450
    raw["shop"]["shifts"].append({"operator": "Ann", "days": ["mon"], "start": "14:00", "end": "15:00", "overtime": True})
    raw["shop"]["plates"][1]["fixture"] = None
    raw["orders"][0]["quantity"] = 4
    request = read(raw)
    tasks = [
        task("B1.build", 13500, 16200, "Ann", spans=((13500, 14400), (15300, 16200)), plate="P1", fixture="F1"),
        task("R1.load", 16200, 16320, "Ann"), task("R1.place", 16320, 16330, "Ann"), task("R1.cut", 16330, 18730),
        task("R1.pull", 18730, 18740, "Ann"), task("R1.unload", 18740, 18800, "Ann"),
        task("R1.bench.10", 28200, 87600, "Ann", spans=((28200, 28800), (86400, 87600))),
    ]
    return request, completed(request, drafted(request, [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))], tasks))


def pool() -> Week:
    """Automatic exchange with three positions: Ann places two plates while the spindle cuts, which waits 20 s between plates."""
    raw = shop()
    raw["shop"]["machines"][0] |= {"exchange": "automatic", "positions": 3}
    raw["shop"]["plates"].append(raw["shop"]["plates"][0] | {"id": "P3"})
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2, 3)]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R2.load", 130, 250, "Ann"),
        task("R2.place", 250, 260, "Ann"), task("R3.load", 260, 380, "Ann"), task("R3.place", 380, 390, "Ann"),
        task("R1.pull", 2530, 2540, "Ann"), task("R1.unload", 2540, 2600, "Ann"), task("R2.cut", 2550, 4950),
        task("R2.pull", 4950, 4960, "Ann"), task("R2.unload", 4960, 5020, "Ann"), task("R3.cut", 4970, 7370),
        task("R3.pull", 7370, 7380, "Ann"), task("R3.unload", 7380, 7440, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def two_positions() -> Week:
    """Two plates on one table by hand: both are placed before the first cut, both pulled after the second."""
    raw = shop()
    raw["shop"]["machines"][0]["positions"] = 2
    raw["orders"][0]["quantity"] = 8
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R2.load", 130, 250, "Ann"),
        task("R2.place", 250, 260, "Ann"), task("R1.cut", 260, 2660), task("R2.cut", 2660, 5060), task("R1.pull", 5060, 5070, "Ann"),
        task("R2.pull", 5070, 5080, "Ann"), task("R1.unload", 5080, 5140, "Ann"), task("R2.unload", 5140, 5200, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def staying() -> Week:
    """A plate bolted down in the mill: it is loaded and unloaded there."""
    raw = shop()
    raw["shop"]["plates"][0]["stays_in"] = "M1"
    raw["orders"][0]["quantity"] = 8
    request = read(raw)
    runs = [run(f"R{n}", "P1", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.cut", 120, 2520), task("R1.unload", 2520, 2580, "Ann"),
        task("R2.load", 2580, 2700, "Ann"), task("R2.cut", 2700, 5100), task("R2.unload", 5100, 5160, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def overtime() -> Week:
    """The material comes at 14:10 (29400 s), in an overtime shift that ends at 16:00."""
    raw = shop()
    raw["shop"]["shifts"].append({"operator": "Ann", "days": ["mon"], "start": "14:00", "end": "16:00", "overtime": True})
    raw["shop"]["machines"][0]["unattended_minutes"] = 0
    raw["orders"][0] |= {"quantity": 4, "release": "2027-03-01T14:10:00"}
    request = read(raw)
    tasks = [
        task("R1.load", 29400, 29520, "Ann"), task("R1.place", 29520, 29530, "Ann"), task("R1.cut", 29530, 31930),
        task("R1.pull", 31930, 31940, "Ann"), task("R1.unload", 31940, 32000, "Ann"),
    ]
    return request, completed(request, drafted(request, [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))], tasks))


def under_way() -> Week:
    """At `now` P1 is cut until 1000 s, P2 is loaded, P3 is pulled, and 4 of the 16 pieces are done."""
    raw = shop()
    raw["shop"]["plates"].append(raw["shop"]["plates"][0] | {"id": "P3"})
    raw["shop"]["machines"][0] |= {"setup_seconds": 300}
    raw["shop"]["operations"][0]["first_article_seconds"] = 300
    raw["orders"][0]["quantity"] = 16
    held = {"order": "O1", "op": 10, "pieces": 4}
    raw["floor"] = {
        "pieces": [held],
        "running": [held | {"plate": "P1", "machine": "M1", "cut_end": "2027-03-01T06:16:40"}],
        "waiting": [held | {"plate": "P2", "stage": "loaded"}, held | {"plate": "P3", "stage": "pulled"}],
        "last_fixtures": [{"machine": "M1", "fixture": "F1"}],
    }
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1" if n < 3 else None, ("O1", "A", 10, 4)) for n in (1, 2, 3)]
    tasks = [
        task("R1.cut", 0, 1000, frozen=True), task("R3.unload", 0, 60, "Ann"), task("R1.pull", 1000, 1010, "Ann"),
        task("R2.place", 1010, 1020, "Ann"), task("R1.unload", 1020, 1080, "Ann"), task("R2.cut", 1020, 3420),
        task("R2.pull", 3420, 3430, "Ann"), task("R2.unload", 3430, 3490, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def part_way() -> Week:
    """At `now` P1 is cut and P2 placed on the same table; the first article of P1 (300 s) must be done before P2 is cut."""
    raw = shop()
    raw["shop"]["machines"][0]["positions"] = 2
    raw["shop"]["operations"][0]["first_article_seconds"] = 300
    raw["orders"][0]["quantity"] = 8
    held = {"order": "O1", "op": 10, "pieces": 4, "machine": "M1"}
    raw["floor"] = {
        "waiting": [held | {"plate": "P1", "stage": "cut"}, held | {"plate": "P2", "stage": "placed"}],
        "last_fixtures": [{"machine": "M1", "fixture": "F1"}],
    }
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R1.pull", 0, 10, "Ann"), task("R1.unload", 10, 70, "Ann"), task("R1.first_article.10", 70, 370, "Ann"),
        task("R2.cut", 370, 2770), task("R2.pull", 2770, 2780, "Ann"), task("R2.unload", 2780, 2840, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def later_op() -> Week:
    """Of 8 pieces 4 are being cut in op 20: 4 are left for op 10, and no first article of op 10 is needed."""
    raw = shop()
    raw["shop"]["nests"] = [{"fixture": "F1", "part": "A", "op": op, "count": 4} for op in (10, 20)]
    raw["shop"]["operations"] = [
        {"part": "A", "op": 10, "cut_seconds": 600, "first_article_seconds": 300}, {"part": "A", "op": 20, "cut_seconds": 300},
    ]
    raw["orders"][0]["quantity"] = 8
    raw["floor"] = {
        "running": [{"plate": "P1", "machine": "M1", "order": "O1", "op": 20, "pieces": 4, "cut_end": "2027-03-01T06:16:40"}],
    }
    request = read(raw)
    runs = [run(f"R{n}", plate, "F1", "M1", ("O1", "A", op, 4)) for n, plate, op in ((1, "P1", 20), (2, "P2", 10), (3, "P1", 20))]
    tasks = [
        task("R1.cut", 0, 1000, frozen=True), task("R2.load", 0, 120, "Ann"), task("R1.pull", 1000, 1010, "Ann"),
        task("R2.place", 1010, 1020, "Ann"), task("R2.cut", 1020, 3420), task("R1.unload", 1020, 1080, "Ann"),
        task("R2.pull", 3420, 3430, "Ann"), task("R2.unload", 3430, 3490, "Ann"), task("R3.load", 3490, 3610, "Ann"),
        task("R3.place", 3610, 3620, "Ann"), task("R3.cut", 3620, 4820), task("R3.pull", 4820, 4830, "Ann"),
        task("R3.unload", 4830, 4890, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


def interrupted() -> Week:
    """Bench work leaves out the overtime shift of Monday, in which Ann sees a second plate through the mill."""
    return interrupted_by(
        {"days": ["mon"], "start": "14:00", "end": "15:00"},
        task("R2.load", 28800, 28920, "Ann"), task("R2.place", 28920, 28930, "Ann"), task("R2.cut", 28930, 31330),
        task("R2.pull", 31330, 31340, "Ann"), task("R2.unload", 31340, 31400, "Ann"), task("R2.bench.10", 87600, 89400, "Ann"),
    )


def interrupted_by(shift: Document, *second: Task) -> Week:
    """Ann's bench work on R1, from Monday to Tuesday, leaves out an overtime shift, in which she does the tasks of R2."""
    raw = shop()
    raw["shop"]["operations"][0]["bench_seconds"] = 450
    raw["shop"]["shifts"].append({"operator": "Ann", "overtime": True, **shift})
    raw["orders"][0]["quantity"] = 8
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.pull", 2530, 2540, "Ann"),
        task("R1.unload", 2540, 2600, "Ann"), task("R1.bench.10", 28200, 87600, "Ann", spans=((28200, 28800), (86400, 87600))),
        *second,
    ]
    return request, completed(request, drafted(request, runs, tasks))


def nobody() -> Week:
    """Nobody is on shift: O1 is unplaced while P1 is still cut, O2 was finished before."""
    raw = shop()
    raw["shop"]["shifts"] = []
    raw["orders"].append({"id": "O2", "part": "A", "quantity": 3, "due": "2027-03-01T05:00:00"})
    raw["floor"] = {
        "running": [{"plate": "P1", "machine": "M1", "order": "O1", "op": 10, "pieces": 4, "cut_end": "2027-03-01T06:16:40"}],
        "pieces": [{"order": "O2", "op": 10, "pieces": 3}],
    }
    request = read(raw)
    runs = [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4))]
    return request, completed(request, drafted(request, runs, [task("R1.cut", 0, 1000, frozen=True)], unplaced=("O1",)))


def two_mills() -> Week:
    """Ann loads, Bob exchanges; M2 is slower by a tenth: 1.1 x 2400 = 2640 s, which binary fractions would round up."""
    raw = shop()
    raw["shop"]["machines"].append(raw["shop"]["machines"][0] | {"id": "M2", "cut_factor": 1.1})
    raw["shop"]["machines"][0]["cut_factor"] = 1.2
    raw["shop"]["operators"] = [{"id": "Ann", "skills": ["load", "unload"]}, {"id": "Bob", "skills": ["exchange"]}]
    raw["shop"]["shifts"].append(raw["shop"]["shifts"][0] | {"operator": "Bob"})
    raw["orders"][0]["quantity"] = 8
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", f"M{n}", ("O1", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R2.load", 120, 240, "Ann"), task("R1.place", 120, 130, "Bob"), task("R1.cut", 130, 3010),
        task("R2.place", 240, 250, "Bob"), task("R2.cut", 250, 2890), task("R2.pull", 2890, 2900, "Bob"),
        task("R2.unload", 2900, 2960, "Ann"), task("R1.pull", 3010, 3020, "Bob"), task("R1.unload", 3020, 3080, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks, end="optimal"))


def shared_runs() -> Week:
    """Two orders of one part share a plate with nests of both ops: first the op 10 nests, then the op 20 nests."""
    raw = shop()
    raw["shop"]["nests"] = [{"fixture": "F1", "part": "A", "op": op, "count": 4} for op in (10, 20)]
    raw["shop"]["operations"] = [
        {"part": "A", "op": 10, "cut_seconds": 600, "bench_seconds": 10}, {"part": "A", "op": 20, "cut_seconds": 300},
    ]
    raw["orders"] = [raw["orders"][0] | {"id": name, "quantity": 2, "weight": weight} for name, weight in (("O1", 1), ("O2", 2.5))]
    request = read(raw)
    runs = [run(f"R{n}", "P1", "F1", "M1", *(("O1", "A", op, 2), ("O2", "A", op, 2))) for n, op in ((1, 10), (2, 20))]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.pull", 2530, 2540, "Ann"),
        task("R1.unload", 2540, 2600, "Ann"), task("R1.bench.10.O1", 2600, 2620, "Ann"), task("R1.bench.10.O2", 2620, 2640, "Ann"),
        task("R2.load", 2640, 2760, "Ann"), task("R2.place", 2760, 2770, "Ann"), task("R2.cut", 2770, 3970),
        task("R2.pull", 3970, 3980, "Ann"), task("R2.unload", 3980, 4040, "Ann"),
    ]
    return request, completed(request, drafted(request, runs, tasks))


WEEKS: dict[str, Callable[[], Week]] = {
    week.__name__: week
    for week in (
        two_plates, night, setups, two_ops, pauses, pool, two_positions, staying, overtime, under_way, part_way, later_op,
        interrupted, nobody, two_mills, shared_runs,
    )
}
