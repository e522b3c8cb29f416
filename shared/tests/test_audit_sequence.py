"""F20: what may slip how far, where the work before and after it is somebody else's, so that nothing but plate, pieces or mill holds it.

Found by the faults sown into the audit (`proof_tools.mutants`), as the edges of its other rules are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from platerota_shared.plan import Task

from .audit_drafts import Draft
from .audit_plans import Document, completed, drafted, read, run, task
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


def test_pieces_are_taken_in_the_order_of_time_whatever_the_order_of_the_runs() -> None:
    """First in, first out goes by the clock: a plan that lists its runs backwards has the same floats and windows."""
    draft = Draft.of("two_ops")
    backwards = completed(draft.request, draft.with_plan(runs=draft.plan.runs[::-1]).plan)
    assert backwards.tasks == draft.plan.tasks
    assert sorted(backwards.load_windows, key=lambda row: row.run) == sorted(draft.plan.load_windows, key=lambda row: row.run)
