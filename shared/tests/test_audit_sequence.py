"""F20: what may slip how far, where the work before and after it is somebody else's, so that nothing but plate, pieces or mill holds it.

Found by the faults sown into the audit (`proof_tools.mutants`), as the edges of its other rules are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

import pytest

from platerota_shared.audit.stock import Batch, Stock
from platerota_shared.plan import Task

from .audit_drafts import Draft
from .audit_plans import NOW, Document, completed, drafted, read, run, task
from .audit_weeks import shop
from .test_audit_corners import found

Changing = Callable[[Document], None]


def two_people(change: Changing, plates: Sequence[str], tasks: Sequence[Task]) -> Draft:
    """A week in which Bob works as Ann does; run R1 of order O1 on the first plate, R2 of O2 on the second; nothing is wrong with it."""
    raw = shop()
    raw["shop"]["operators"].append({"id": "Bob"})
    raw["shop"]["shifts"].append(raw["shop"]["shifts"][0] | {"operator": "Bob"})
    raw["orders"] = [raw["orders"][0] | {"id": f"O{n}", "quantity": 4} for n in range(1, len(plates) + 1)]
    change(raw)
    request = read(raw)
    runs = [run(f"R{n}", plate, "F1", "M1", (f"O{n}", "A", 10, 4)) for n, plate in enumerate(plates, 1)]
    draft = Draft(request, completed(request, drafted(request, runs, list(tasks))))
    assert found(draft) == []
    return draft


def slack(draft: Draft, *names: str) -> list[int]:
    return [draft.task(name).float_seconds or 0 for name in names]


def test_an_unload_may_not_slip_into_the_next_load_of_its_plate_though_somebody_else_does_that() -> None:
    """R1 has bench work until 9040 and could wait for it; but Ann loads P1 again at 2600, and R2 is on the way to the end of O2."""
    draft = two_people(lambda raw: raw["shop"]["operations"][0].update(bench_seconds=10), ["P1", "P1"], [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.pull", 2530, 2540, "Ann"),
        task("R1.unload", 2540, 2600, "Bob"), task("R2.load", 2600, 2720, "Ann"), task("R2.place", 2720, 2730, "Ann"),
        task("R2.cut", 2730, 5130), task("R2.pull", 5130, 5140, "Ann"), task("R2.unload", 5140, 5200, "Ann"),
        task("R2.bench.10", 5200, 5240, "Ann"), task("R1.bench.10", 9000, 9040, "Bob"),
    ])
    assert slack(draft, "R1.pull", "R1.unload", "R2.load", "R1.bench.10") == [0, 0, 0, 0]


def test_an_unload_may_not_slip_into_the_bench_work_on_its_pieces_though_somebody_else_does_that() -> None:
    draft = two_people(lambda raw: raw["shop"]["operations"][0].update(bench_seconds=10), ["P1"], [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.pull", 2530, 2540, "Ann"),
        task("R1.unload", 2540, 2600, "Ann"), task("R1.bench.10", 2610, 2650, "Bob"),
    ])
    assert slack(draft, "R1.unload", "R1.bench.10") == [10, 0]


def staying(raw: Document) -> None:
    """Both plates are bolted down in the mill, and each piece has bench work."""
    raw["shop"]["machines"][0]["positions"] = 2
    raw["shop"]["operations"][0]["bench_seconds"] = 10
    for plate in raw["shop"]["plates"]:
        plate["stays_in"] = "M1"


def test_a_load_in_the_mill_must_be_over_before_the_next_cut_there_of_another_plate() -> None:
    """R2 is loaded before R1 is cut, and R1 unloaded before R2 is cut: neither may slip, though their own next steps are far away."""
    draft = two_people(staying, ["P1", "P2"], [
        task("R1.load", 0, 120, "Ann"), task("R2.load", 120, 240, "Bob"), task("R1.cut", 240, 2640), task("R1.unload", 2640, 2700, "Ann"),
        task("R2.cut", 2700, 5100), task("R2.unload", 5100, 5160, "Ann"), task("R2.bench.10", 5160, 5200, "Bob"),
        task("R1.bench.10", 9000, 9040, "Bob"),
    ])
    assert slack(draft, "R1.load", "R2.load", "R1.cut", "R1.unload", "R2.cut", "R2.unload") == [120, 0, 0, 0, 0, 0]


def test_a_cut_must_be_over_before_the_next_load_in_the_mill_of_another_plate() -> None:
    """R1 may stand there cut until its unload at 9000; but Bob loads R2 right after the cut."""
    draft = two_people(staying, ["P1", "P2"], [
        task("R1.load", 0, 120, "Ann"), task("R1.cut", 120, 2520), task("R2.load", 2520, 2640, "Bob"), task("R2.cut", 2650, 5050),
        task("R2.unload", 5050, 5110, "Bob"), task("R2.bench.10", 5110, 5150, "Bob"), task("R1.unload", 9000, 9060, "Ann"),
        task("R1.bench.10", 9060, 9100, "Bob"),
    ])
    assert slack(draft, "R1.cut", "R2.load", "R2.cut") == [10, 10, 0]


def test_tasks_of_no_time_at_one_instant_stand_as_their_run_has_them_whatever_the_lane_says() -> None:
    """Bob pulls P1 and unloads it at 2530, both in no time; his lane has the unload first."""
    def at_once(raw: Document) -> None:
        raw["shop"]["machines"][0]["pull_seconds"] = 0
        raw["shop"]["fixtures"][0].update(unload_seconds=0, release_seconds=0, unload_piece_seconds=0)

    draft = two_people(at_once, ["P1"], [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.unload", 2530, 2530, "Bob"),
        task("R1.pull", 2530, 2530, "Bob"),
    ])
    lane = next(lane for lane in draft.plan.lanes if lane.id == "Bob")
    assert lane.tasks == ("R1.unload", "R1.pull")
    assert slack(draft, "R1.cut", "R1.pull", "R1.unload") == [0, 0, 0]


def test_pieces_are_taken_in_the_order_in_which_they_are_ready_and_not_in_that_of_their_runs() -> None:
    """R1 is cut first, but its bench work is over last: R3 takes the pieces of R2, R4 those of R1 at 6540."""
    raw = shop()
    raw["shop"]["operators"].append({"id": "Bob"})
    raw["shop"]["shifts"].append(raw["shop"]["shifts"][0] | {"operator": "Bob"})
    raw["shop"]["plates"].append(raw["shop"]["plates"][0] | {"id": "P3", "fixture": "F2"})
    raw["shop"]["fixtures"].append({"id": "F2", "load_seconds": 120, "unload_seconds": 60})
    raw["shop"]["nests"].append({"fixture": "F2", "part": "A", "op": 20, "count": 4})
    raw["shop"]["operations"][0]["bench_seconds"] = 30
    raw["shop"]["operations"].append({"part": "A", "op": 20, "cut_seconds": 300})
    raw["orders"][0]["quantity"] = 8
    request = read(raw)
    runs = [
        run(f"R{n}", plate, fixture, "M1", ("O1", "A", op, 4))
        for n, plate, fixture, op in ((1, "P1", "F1", 10), (2, "P2", "F1", 10), (3, "P3", "F2", 20), (4, "P3", "F2", 20))
    ]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R2.load", 130, 250, "Ann"),
        task("R1.pull", 2530, 2540, "Ann"), task("R2.place", 2540, 2550, "Ann"), task("R2.cut", 2550, 4950),
        task("R1.unload", 2550, 2610, "Ann"), task("R2.pull", 4950, 4960, "Ann"), task("R2.unload", 4960, 5020, "Ann"),
        task("R2.bench.10", 5020, 5140, "Bob"), task("R3.load", 5140, 5260, "Ann"), task("R3.place", 5260, 5270, "Ann"),
        task("R3.cut", 5270, 6470), task("R1.bench.10", 6000, 6120, "Bob"), task("R3.pull", 6470, 6480, "Ann"),
        task("R3.unload", 6480, 6540, "Ann"), task("R4.load", 6540, 6660, "Ann"), task("R4.place", 6660, 6670, "Ann"),
        task("R4.cut", 6670, 7870), task("R4.pull", 7870, 7880, "Ann"), task("R4.unload", 7880, 7940, "Ann"),
    ]
    draft = Draft(request, completed(request, drafted(request, runs, tasks)))
    assert found(draft) == []
    assert slack(draft, "R2.bench.10", "R1.bench.10", "R1.unload") == [0, 6_540 - 6_120, 4_950 - 2_610]


def batch(name: str, pieces: int) -> Batch:
    return Batch(NOW, pieces, task(name, 0, 0))


def test_pieces_that_wait_are_taken_first_and_then_those_that_came_first() -> None:
    """Of 3 waiting R3 takes 2, R4 the third and 3 of the 4 of R1, R5 the fourth and one of the 2 of R2; nothing is left for R6 but one."""
    arrivals = [batch("R1.unload", 4), batch("R2.unload", 2)]
    loads = [batch(f"R{n}.load", pieces) for n, pieces in ((3, 2), (4, 4), (5, 2), (6, 2), (7, 1))]

    def pairs(stock: Stock) -> list[tuple[str, str]]:
        return [(arrival.id, load.id) for arrival, load in stock.feeds()]

    assert pairs(Stock(3, 0, arrivals, loads)) == [
        ("R1.unload", "R4.load"), ("R1.unload", "R5.load"), ("R2.unload", "R5.load"), ("R2.unload", "R6.load"),
    ]
    assert pairs(Stock(0, 0, arrivals, loads[:2])) == [("R1.unload", "R3.load"), ("R1.unload", "R4.load"), ("R2.unload", "R4.load")]
    assert pairs(Stock(6, 0, [], loads)) == []


def test_a_load_may_come_as_early_as_its_pieces_are_there_until_it_starts() -> None:
    """Against going back from each load, an instant at a time, in five hundred drawn stocks."""
    random = Random(8)

    def drawn(kind: str, count: int) -> list[Batch]:
        instants = [random.randrange(9) for _ in range(count)]
        return [Batch(NOW + at, random.randint(1, 4), task(f"R{n}.{kind}", at, at)) for n, at in enumerate(sorted(instants))]

    for _ in range(500):
        stock = Stock(random.randrange(9), 0, drawn("unload", 3), drawn("load", 4))
        levels, earliest = stock.levels(NOW), stock.earliest_loads(NOW)
        for load in stock.loads:
            place = next(place for place, (instant, _) in enumerate(levels) if instant == load.instant)
            while place > 0 and levels[place - 1][1] >= load.pieces:
                place -= 1
            assert earliest[load.task.id] == levels[place][0]


@pytest.mark.parametrize(("who", "plate", "start", "window"), [
    ("Ann", "P2", 1_000, (130, 2_530)),  # between her place and her pull of R1
    ("Bob", "P2", 1_000, (0, 3_300)),  # who does nothing else: until the plate is placed
    ("Bob", "P1", 3_000, (2_600, 3_300)),  # once P1 is unloaded
])
def test_a_load_that_is_planned_late_has_its_window_from_when_it_could_begin(
    who: str, plate: str, start: int, window: tuple[int, int],
) -> None:
    draft = two_people(lambda _: None, ["P1", plate], [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.pull", 2530, 2540, "Ann"),
        task("R1.unload", 2540, 2600, "Ann"), task("R2.load", start, start + 120, who), task("R2.place", 3300, 3310, "Ann"),
        task("R2.cut", 3310, 5710), task("R2.pull", 5710, 5720, "Ann"), task("R2.unload", 5720, 5780, "Ann"),
    ])
    found_window = next(row for row in draft.plan.load_windows if row.run == "R2")
    assert (found_window.earliest_start - NOW, found_window.latest_end - NOW) == window
