"""F20: which of two tasks comes first at one instant, and what that leaves of their float.

Worked out by hand: a run of P1 or P2 is loaded in 120 s, cut in 2400 s, unloaded in 60 s.
"""

from __future__ import annotations

from typing import Any

import pytest

from platerota_shared.audit import audit
from platerota_shared.plan import Lane

from .audit_drafts import Draft
from .audit_plans import completed, drafted, read, run, task
from .audit_weeks import shop
from .test_audit_corners import found


def shop_of_two() -> dict[str, Any]:
    """The raw request of the audit's weeks, with Bob, who works when Ann does."""
    raw = shop()
    raw["shop"]["operators"].append({"id": "Bob"})
    raw["shop"]["shifts"].append(raw["shop"]["shifts"][0] | {"operator": "Bob"})
    return raw


def by_lanes(draft: Draft, **pairs: tuple[str, str]) -> Draft:
    """The draft with two tasks of a lane of each sort in the order given, and what follows from that."""
    def ordered(lane: Lane) -> Lane:
        pair = pairs.get(lane.resource, ())
        if not pair or not {*pair} <= {*lane.tasks}:
            return lane
        rest = iter(pair)
        return lane.model_copy(update={"tasks": tuple(next(rest) if name in pair else name for name in lane.tasks)})

    draft = draft.with_plan(lanes=tuple(ordered(lane) for lane in draft.plan.lanes))
    return Draft(draft.request, completed(draft.request, draft.plan))


def exchanged_at_once() -> Draft:
    """Bob pulls P1 (0 s) and places P2 (0 s) at 3120, when P2 is loaded and P1 has long been cut; R2 must not be later."""
    raw = shop_of_two()
    raw["shop"]["machines"][0] |= {"place_seconds": 0, "pull_seconds": 0, "exchange": "automatic", "positions": 2}
    raw["orders"][0]["quantity"] = 8
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 120, "Bob"), task("R1.cut", 120, 2520), task("R2.load", 3000, 3120, "Ann"),
        task("R2.place", 3120, 3120, "Bob"), task("R1.pull", 3120, 3120, "Bob"), task("R2.cut", 3120, 5520),
        task("R1.unload", 3120, 3180, "Ann"),
        task("R2.pull", 5520, 5520, "Bob"), task("R2.unload", 5520, 5580, "Ann"),
    ]
    return Draft(request, drafted(request, runs, tasks))


@pytest.mark.parametrize(("first", "second", "slack"), [("R1.pull", "R2.place", 0), ("R2.place", "R1.pull", 5_460 - 3_120)])
def test_tasks_of_no_time_at_one_instant_stand_as_their_operators_lane_has_them(first: str, second: str, slack: int) -> None:
    """R1 must be unloaded when Ann unloads R2 at 5520; where Bob pulls it first, it must not delay the placing of R2."""
    # The machine's lane has them the other way round, and does not count.
    draft = by_lanes(exchanged_at_once(), operator=(first, second), machine=(second, first))
    assert found(draft) == []
    assert draft.task("R1.pull").float_seconds == slack
    assert draft.task("R2.place").float_seconds == 0
    # Of the 600 s between the cuts only the 20 s of the automatic exchange are one.
    assert draft.plan.kpis.machines[0].seconds["exchange"] == 20


def test_a_pull_may_slip_until_the_next_plate_is_placed() -> None:
    """Bob pulls P1 at 2530 and unloads it; P2 is loaded by Ann at 3000, so the pull of 10 s may begin at 3110 at the latest."""
    raw = shop_of_two()
    raw["orders"][0]["quantity"] = 8
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1", ("O1", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R1.load", 0, 120, "Ann"), task("R1.place", 120, 130, "Ann"), task("R1.cut", 130, 2530), task("R1.pull", 2530, 2540, "Bob"),
        task("R1.unload", 2540, 2600, "Bob"), task("R2.load", 3000, 3120, "Ann"), task("R2.place", 3120, 3130, "Ann"),
        task("R2.cut", 3130, 5530), task("R2.pull", 5530, 5540, "Ann"), task("R2.unload", 5540, 5600, "Ann"),
    ]
    draft = Draft(request, completed(request, drafted(request, runs, tasks)))
    assert found(draft) == []
    assert draft.task("R1.pull").float_seconds == 3_110 - 2_530
    assert draft.task("R1.unload").float_seconds == 5_540 - 2_540


def handed_over_at_once(positions: int) -> Draft:
    """At 2520 Bob pulls P1 (0 s) and unloads it, when O1 is finished; Ann places P2 (0 s), which is cut from 3120 on for O2.

    The pull is the fourth task of Bob's lane, the place the first of Ann's.
    """
    raw = shop_of_two()
    raw["shop"]["machines"][0] |= {"place_seconds": 0, "pull_seconds": 0, "positions": positions}
    raw["orders"] = [raw["orders"][0] | {"id": name, "quantity": 4} for name in ("O1", "O2")]
    request = read(raw)
    runs = [run(f"R{n}", f"P{n}", "F1", "M1", (f"O{n}", "A", 10, 4)) for n in (1, 2)]
    tasks = [
        task("R1.load", 0, 120, "Bob"), task("R1.place", 120, 120, "Bob"), task("R1.cut", 120, 2520), task("R2.load", 130, 250, "Bob"),
        task("R1.pull", 2520, 2520, "Bob"), task("R2.place", 2520, 2520, "Ann"), task("R1.unload", 2520, 2580, "Bob"),
        task("R2.cut", 3120, 5520), task("R2.pull", 5520, 5520, "Ann"), task("R2.unload", 5520, 5580, "Ann"),
    ]
    return Draft(request, drafted(request, runs, tasks))


@pytest.mark.parametrize("positions", [1, 2])
def test_what_two_people_do_at_one_instant_stands_as_the_machines_lane_has_it(positions: int) -> None:
    """Their lanes say nothing of each other: P2 comes after P1, and may be placed as late as its cut begins."""
    draft = by_lanes(handed_over_at_once(positions), machine=("R1.pull", "R2.place"))
    assert found(draft) == []
    assert draft.task("R1.pull").float_seconds == 0
    assert draft.task("R2.place").float_seconds == 3_120 - 2_520
    assert draft.task("R2.load").float_seconds == 2_520 - 250  # Bob pulls P1 after it


def test_a_plate_placed_beside_another_before_that_one_is_pulled_must_not_delay_it() -> None:
    draft = by_lanes(handed_over_at_once(2), machine=("R2.place", "R1.pull"))
    assert found(draft) == []
    assert draft.task("R1.pull").float_seconds == 0
    assert draft.task("R2.place").float_seconds == 0


def test_a_run_that_takes_no_time_is_not_loaded_with_what_it_makes_itself() -> None:
    """R1 takes its four pieces for op 20 from its own op 10, all at 600."""
    raw = shop()
    raw["shop"]["machines"][0] |= {"place_seconds": 0, "pull_seconds": 0}
    raw["shop"]["fixtures"] = [{"id": "F1"}]
    raw["shop"]["nests"].append({"fixture": "F1", "part": "A", "op": 20, "count": 4})
    raw["shop"]["operations"] = [{"part": "A", "op": op, "cut_seconds": 0} for op in (10, 20)]
    raw["orders"][0]["quantity"] = 4
    request = read(raw)
    kinds = ("load", "place", "cut", "pull", "unload")
    tasks = [task(f"R1.{kind}", 600, 600, None if kind == "cut" else "Ann") for kind in kinds]
    draft = Draft(request, drafted(request, [run("R1", "P1", "F1", "M1", ("O1", "A", 10, 4), ("O1", "A", 20, 4))], tasks))
    (finding,) = audit(draft.request, draft.plan)
    assert (finding.rule, finding.tasks) == ("F14", tuple(f"R1.{kind}" for kind in kinds))
    assert finding.detail == "R1.load waits for pieces that are there only after it"
