"""Plans with one fault each: the audit names the rule that is broken, and no other.

`FAULTS` bend what is done; results, lanes, score and figures are made to follow from the bent tasks, so that the rule
itself must speak. `LIES` bend what the plan says about its tasks, `SHAPES` the document.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from platerota_shared.audit import audit
from platerota_shared.plan import Lane, RunPieces, TaskSpan
from platerota_shared.tables import FloorPieces, LastFixture, Operator

from .audit_drafts import Draft
from .audit_plans import NOW, task
from .audit_weeks import WEEKS

Bend = Callable[[Draft], Draft]
Mutation = tuple[str, str, Bend]


def _spans(*pairs: tuple[int, int]) -> tuple[TaskSpan, ...]:
    return tuple(TaskSpan(start=NOW + a, end=NOW + b) for a, b in pairs)


def _two_at_the_load_station(draft: Draft) -> Draft:
    bob = draft.shop(operators=(*draft.request.shop.operators, Operator(id="Bob")))
    bob = bob.shop(shifts=(*bob.request.shop.shifts, bob.request.shop.shifts[0].model_copy(update={"operator": "Bob"})))
    return bob.put("R3.load", operator="Bob", start=130).put("R3.place", operator="Bob", start=255)


# What is done: (rules, week, bend).
FAULTS: dict[str, Mutation] = {
    "load too long": ("F1", "night", lambda d: d.put("R1.load", start=28190, end=28320)),
    "load too short": ("F1", "night", lambda d: d.put("R1.load", start=28201, end=28320)),
    "unload too short": ("F1", "two_plates", lambda d: d.put("R3.unload", end=7439)),
    "place too long": ("F1", "pool", lambda d: d.put("R3.place", end=400)),
    "pull too short": ("F1", "two_plates", lambda d: d.put("R3.pull", end=7379)),
    "cut too short": ("F1", "two_plates", lambda d: d.put("R3.cut", end=7369)),
    "cut with the factor of a binary fraction": ("F1", "two_mills", lambda d: d.put("R2.cut", end=2891).put("R2.pull", start=2891)
                                                 .put("R2.unload", start=2901)),
    "cut with the factor of another mill": ("F1", "two_mills", lambda d: d.row("machines", "M1", cut_factor=1.19)),
    "bench work too short": ("F1", "two_ops", lambda d: d.put("R2.bench.10", end=5749)),
    "bench work forgotten": ("F1", "shared_runs", lambda d: d.drop("R1.bench.10.O2")),
    "bench work on an op without any": ("F1", "two_ops", lambda d: d.add(task("R4.bench.20", 8240, 8250, "Ann", order="O1"))),
    "first article too long": ("F1", "two_ops", lambda d: d.put("R1.first_article.10", end=2901).put("R1.bench.10", start=2901, end=3021)
                               .put("R2.load", start=3021).put("R2.place", start=3141).put("R2.cut", start=3151)
                               .put("R3.load", start=3621).put("R2.pull", start=5551).put("R3.place", start=5561)
                               .put("R3.cut", start=5571).put("R2.unload", start=5571).put("R2.bench.10", start=5631)
                               .put("R3.pull", start=6771).put("R3.unload", start=6781).put("R4.load", start=6841)
                               .put("R4.place", start=6961).put("R4.cut", start=6971).put("R4.pull", start=8171)
                               .put("R4.unload", start=8181)),
    "build too short": ("F1", "pauses", lambda d: d.put("B1.build", start=13501, end=16200, spans=_spans((13501, 14400), (15300, 16200)))),
    "cut before the plate is placed": ("F2", "pool", lambda d: d.put("R1.cut", start=125).put("R1.place", start=120)),
    "place before the load ends": ("F2 F11", "two_mills", lambda d: d.put("R1.place", start=115, operator="Ann")
                                   .shop(operators=tuple(o.model_copy(update={"skills": ()}) for o in d.request.shop.operators))),
    "unload before the pull": ("F2", "two_positions", lambda d: d.put("R2.unload", start=4000)),
    "bench work before the unload": ("F2", "shared_runs", lambda d: d.put("R1.bench.10.O2", start=2510)),
    "a run without its load": ("F2", "two_plates", lambda d: d.drop("R2.load")),
    "a run without its unload": ("F2", "two_plates", lambda d: d.drop("R3.unload")),
    "one piece too many in the nests": ("F3", "two_plates", lambda d: d.row("nests", 0, count=3)),
    "a part without nests": ("F3", "two_plates", lambda d: d.shop(nests=())),
    "a run without pieces": ("F3", "two_plates", lambda d: d.run("R3", pieces=()).asked("O1", quantity=8)
                             .put("R3.load", end=2690).put("R3.cut", end=4970).put("R3.unload", end=7420)),
    "a plate loaded while it is still away": ("F4", "two_plates", lambda d: d.put("R3.load", start=2400)),
    "a fixture that is not on the plate": ("F4", "setups", lambda d: d.row("plates", "P1", fixture="F2").row("plates", "P2", fixture="F1")),
    "another mount": ("F5", "two_plates", lambda d: d.row("plates", "P2", mount="B")),
    "a plate too wide": ("F5", "two_plates", lambda d: d.row("plates", "P2", size_x=401)),
    "a plate too long": ("F5", "two_plates", lambda d: d.row("plates", "P1", size_y=501)),
    "a gram too heavy": ("F5", "two_plates", lambda d: d.row("plates", "P1", mass=20.101)),
    "a fixture made for another machine": ("F5", "two_mills", lambda d: d.row("fixtures", "F1", machines=("M1",))),
    "too few tool slots": ("F5", "setups", lambda d: d.row("machines", "M1", tool_slots=2)),
    "two cuts at once": ("F6", "two_positions", lambda d: d.put("R2.cut", start=2650)),
    "no free position": ("F6", "two_positions", lambda d: d.row("machines", "M1", positions=1)),
    "no free position in the pool": ("F6", "pool", lambda d: d.row("machines", "M1", positions=2)),
    "a position taken by a plate that stays": ("F6", "two_positions", lambda d: d.twin("plates", "P1", id="P9", stays_in="M1")),
    "place by hand while the mill cuts": ("F7", "two_positions", lambda d: d.put("R2.place", start=300)),
    "pull by hand while the mill cuts": ("F7", "two_positions", lambda d: d.put("R1.pull", start=2700)),
    "no wait between two plates": ("F7", "pool", lambda d: d.put("R2.cut", start=2549)),
    "two exchanges at the load station": ("F7", "pool", _two_at_the_load_station),
    "setup while the mill cuts": ("F7 F8", "setups", lambda d: d.put("R2.setup", start=2500)),
    "no setup": ("F8", "setups", lambda d: d.drop("R2.setup")),
    "no setup on an unknown machine": ("F8", "setups", lambda d: d.drop("R1.setup")),
    "a setup that is not needed": ("F8", "setups", lambda d: d.floor(last_fixtures=(LastFixture(machine="M1", fixture="F1"),))),
    "a setup for tools that are there": ("F8", "setups", lambda d: d.floor(last_fixtures=(LastFixture(machine="M1", fixture="F2"),))),
    "a setup too short": ("F8", "setups", lambda d: d.put("R2.setup", end=3259)),
    "a setup before the cut before": ("F8", "setups", lambda d: d.put("R1.setup", start=0).put("R2.setup", start=610, end=970)
                                      .row("machines", "M1", exchange="automatic", positions=3).put("R1.cut", start=970)
                                      .put("R1.pull", start=3370).put("R1.unload", start=3380).put("R2.cut", start=3390)
                                      .put("R2.pull", start=5190).put("R2.unload", start=5200)),
    "a setup after its own cut began": ("F7 F8", "setups", lambda d: d.put("R2.setup", start=4000)),
    "cut a minute too long into the night": ("F9", "night", lambda d: d.row("machines", "M1", unattended_minutes=32)),
    "any cut at night": ("F9", "night", lambda d: d.row("machines", "M1", unattended_minutes=0)),
    "a cut that begins at night": ("F9", "night", lambda d: d.put("R1.cut", start=40000)),
    "a cut past the overtime shift": ("F9", "overtime", lambda d: d.put("R1.cut", start=33700).put("R1.pull", start=86400)
                                      .put("R1.unload", start=86410)),
    "a cut in an overtime shift nobody is called in for": ("F9", "overtime", lambda d: d.asked("O1", release=None)
                                                          .put("R1.load", start=28000).put("R1.place", start=28120)
                                                          .put("R1.cut", start=28130).put("R1.pull", start=86400)
                                                          .put("R1.unload", start=86410)),
    "a cut while the only one on shift is on leave": ("F9 F11 F17", "night", lambda d: d.closed(28300, 28800, operator="Ann")
                                                      .row("machines", "M1", unattended_minutes=40)),
    "unload from a mill that cuts": ("F2 F10", "staying", lambda d: d.put("R1.unload", start=2510)),
    "a plate that stays is placed": ("F10", "staying", lambda d: d.add(task("R2.place", 2700, 2700, "Ann", machine="M1", plate="P1"))
                                     .row("machines", "M1", place_seconds=0)),
    "a plate that stays elsewhere": ("F10", "staying", lambda d: d.twin("machines", "M1", id="M2").row("plates", "P1", stays_in="M2")),
    "load into a mill that cuts another plate": ("F10", "staying", lambda d: d.row("machines", "M1", positions=2)
                                                 .twin("plates", "P1", id="P9").run("R2", plate="P9")
                                                 .put("R2.load", start=300, plate="P9").put("R2.cut", plate="P9")
                                                 .put("R2.unload", plate="P9")),
    "no skill to load": ("F11", "two_mills", lambda d: d.put("R1.load", operator="Bob")),
    "no skill to exchange": ("F11", "two_mills", lambda d: d.put("R1.pull", operator="Ann")),
    "no skill to build": ("F11", "pauses", lambda d: d.row("operators", "Ann", skills=("load", "unload", "exchange", "bench"))),
    "no skill for setups": ("F11", "setups", lambda d: d.row("operators", "Ann", skills=("load", "unload", "exchange"))),
    "no skill for first articles": ("F11", "two_ops", lambda d: d.row("operators", "Ann", skills=("load", "unload", "exchange", "bench"))),
    "load in the break": ("F11", "night", lambda d: d.put("R1.load", start=14390)),
    "pull after everybody left": ("F11", "night", lambda d: d.put("R1.pull", start=50000)),
    "work past a shorter shift": ("F11", "night", lambda d: d.row("shifts", 0, end=13 * 60 + 52)
                                  .row("machines", "M1", unattended_minutes=60)),
    "two tasks at once": ("F11", "two_plates", lambda d: d.put("R2.load", start=60)),
    "a task across another": ("F11", "two_plates", lambda d: d.put("R2.unload", start=7340)),
    "a load that pauses": ("F12", "night", lambda d: d.put(
        "R1.load", start=14340, end=15360, spans=_spans((14340, 14400), (15300, 15360)))),
    "a first article that pauses": ("F12 F15", "two_ops", lambda d: d.put(
        "R1.first_article.10", start=14250, end=15450, spans=_spans((14250, 14400), (15300, 15450)))),
    "bench work that pauses in working time": ("F12", "pauses", lambda d: d.put(
        "R1.bench.10", start=28100, end=87600, spans=_spans((28100, 28700), (86400, 87600)))),
    "bench work that leaves a part of overtime": ("F12", "pauses", lambda d: d.put(
        "R1.bench.10", end=87000, spans=_spans((28200, 29400), (86400, 87000)))),
    "spans that do not begin with the task": ("F12", "pauses", lambda d: d.put("R1.bench.10", start=28100)),
    "a single span": ("F12", "pauses", lambda d: d.put("R1.bench.10", start=19000, end=20800, spans=_spans((19000, 20800)))),
    "spans that touch": ("F12", "pauses", lambda d: d.put(
        "R1.bench.10", start=19000, end=20800, spans=_spans((19000, 20000), (20000, 20800)))),
    "a piece short": ("F13", "two_plates", lambda d: d.asked("O1", quantity=13)),
    "a run too many": ("F13", "two_plates", lambda d: d.asked("O1", quantity=8)),
    "a run lost": ("F13", "pool", lambda d: d.drop(*(f"R3.{kind}" for kind in ("load", "place", "cut", "pull", "unload")))
                   .with_plan(runs=d.plan.runs[:2])),
    "pieces done already": ("F13", "two_plates", lambda d: d.floor(pieces=(FloorPieces(order="O1", op=10, pieces=1),))),
    "pieces of the other order": ("F13 F14", "shared_runs", lambda d: d.run("R2", pieces=(
        RunPieces(order="O1", part="A", op=20, pieces=1), RunPieces(order="O2", part="A", op=20, pieces=3)))),
    "load before the material is there": ("F14", "two_plates", lambda d: d.asked("O1", release=NOW + 1)),
    "load before the pieces have cooled": ("F14", "two_ops", lambda d: d.put("R3.load", start=3619)),
    "an outside process that takes longer": ("F14", "two_ops", lambda d: d.row("operations", 0, after_seconds=601)),
    "load before the bench work": ("F14", "shared_runs", lambda d: d.put("R1.bench.10.O2", start=2775)),
    "pieces of op 20 before those of op 10": ("F14", "shared_runs", lambda d: d.run("R1", pieces=d.plan.runs[1].pieces)
                                              .run("R2", pieces=d.plan.runs[0].pieces).drop("R1.bench.10.O1", "R1.bench.10.O2")
                                              .put("R1.cut", end=1330).put("R2.cut", start=1570, end=3970)
                                              .put("R2.place", start=1560).put("R1.pull", start=1330).put("R1.unload", start=1340)
                                              .put("R2.load", start=1440).add(task("R2.bench.10.O1", 4040, 4060, "Ann"))
                                              .add(task("R2.bench.10.O2", 4060, 4080, "Ann"))),
    "no first article": ("F15", "two_ops", lambda d: d.drop("R1.first_article.10")),
    "a first article of the second run": ("F15", "two_ops", lambda d: d.drop("R1.first_article.10").add(
        task("R2.first_article.10", 5750, 6050, "Ann", order="O1"))),
    "two first articles": ("F15", "two_ops", lambda d: d.add(task("R2.first_article.10", 5750, 6050, "Ann", order="O1"))),
    "the next cut before the first article is done": ("F15", "two_ops", lambda d: d.put("R1.first_article.10", start=3150)),
    "a first article before the unload": ("F15", "two_ops", lambda d: d.put("R1.first_article.10", start=1000)),
    "a first article nobody asked for": ("F1 F15", "two_ops", lambda d: d.row("operations", 0, first_article_seconds=0)),
    "a first article where pieces are through": ("F15", "under_way", lambda d: d.add(
        task("R3.first_article.10", 60, 360, "Ann", order="O1"))),
    "no first article where pieces come from the floor": ("F13 F15", "under_way", lambda d: d.floor(pieces=())),
    "a run without a build": ("F16", "pauses", lambda d: d.drop("B1.build")),
    "a blank too small": ("F16", "pauses", lambda d: d.row("plates", "P1", size_y=439)),
    "a blank of another mount": ("F16", "pauses", lambda d: d.row("fixtures", "F1", mount="B")),
    "a fixture that cannot be built": ("F16", "pauses", lambda d: d.row("fixtures", "F1", build_seconds=None)),
    "a build that nobody uses": ("F16", "pauses", lambda d: d.add(task("B2.build", 20000, 21800, "Ann", plate="P2", fixture="F1"))),
    "a plate built on twice": ("F16", "pauses", lambda d: d.add(task("B2.build", 20000, 21800, "Ann", plate="P1", fixture="F1"))),
    "a run before its build": ("F16", "pauses", lambda d: d.put("B1.build", start=19000, end=20800, spans=None)),
    "a build on a plate with a fixture": ("F16", "pauses", lambda d: d.row("plates", "P1", fixture="F1")),
    "a build while the plate is out": ("F4 F16", "pauses", lambda d: d.put("B1.build", start=16400, end=18200, spans=None)),
    "cut on a closed machine": ("F17", "two_plates", lambda d: d.closed(1000, 1001, machine="M1")),
    "load of a closed plate": ("F17", "two_plates", lambda d: d.closed(200, 300, plate="P2")),
    "work of an operator on leave": ("F11 F17", "two_plates", lambda d: d.closed(7379, 7400, operator="Ann")),
    "work in a closed shop": ("F11 F17", "two_plates", lambda d: d.closed(7370, 8000)),
    "build on a closed plate": ("F17", "pauses", lambda d: d.closed(16000, 16100, plate="P1")),
    "a load before now": ("F11 F18", "two_plates", lambda d: d.put("R1.load", start=-1, end=119)),
    "past the horizon": ("F18 F11", "night", lambda d: Draft(d.request.model_copy(update={
        "settings": d.request.settings.model_copy(update={"horizon_days": 1})}), d.plan).with_plan(horizon_end=NOW + 86400)),
    "outside work past the horizon": ("F18", "night", lambda d: d.row("operations", 0, after_seconds=7 * 86400)),
    "a running cut stopped early": ("F18", "under_way", lambda d: d.put("R1.cut", end=999)),
    "a running cut moved": ("F18", "under_way", lambda d: d.put("R1.cut", start=1, end=1000)),
    "a running cut not frozen": ("F18 F1", "under_way", lambda d: d.put("R1.cut", frozen=False)),
    "a task frozen that is not under way": ("F18", "two_plates", lambda d: d.put("R2.load", frozen=True)),
    "a plate on the floor left out": ("F18 F13", "under_way", lambda d: d.drop("R3.unload").with_plan(runs=d.plan.runs[:2])),
    "other pieces than on the floor": ("F18 F13 F1", "under_way", lambda d: d.pieces("R3", pieces=3)),
    "another machine than on the floor": ("F18 F8", "under_way", lambda d: d.twin("machines", "M1", id="M2").run("R1", machine="M2")
                                          .put("R1.cut", machine="M2").put("R1.pull", machine="M2")
                                          .floor(last_fixtures=())),
    "a plate loaded twice": ("F18 F4", "under_way", lambda d: d.add(task("R2.load", 100, 220, "Ann", plate="P2"))),
    "a running cut forgotten": ("F2", "nobody", lambda d: d.drop("R1.cut")),
}

# What is said: (rules, week, bend).
LIES: dict[str, Mutation] = {
    "finish": ("F19", "two_plates", lambda d: d.order("O1", finish=NOW + 7439)),
    "start": ("F19", "two_plates", lambda d: d.order("O1", start=NOW + 1)),
    "lateness": ("F19", "night", lambda d: d.order("O1", late_seconds=0).figures(late_seconds=0, on_time_orders=1, on_time_share=1.0)),
    "due": ("F19", "two_plates", lambda d: d.order("O1", due=NOW + 7500)),
    "number of runs": ("F19", "shared_runs", lambda d: d.order("O2", runs=1)),
    "a reason though on time": ("F19", "staying", lambda d: d.order("O1", why="the mill is busy")),
    "unplaced without a reason": ("F19", "nobody", lambda d: d.order("O1", why=None)),
    "a finish though unplaced": ("F19", "nobody", lambda d: d.order("O1", finish=NOW + 1000)),
    "unplaced though planned": ("F19 F20", "two_plates", lambda d: d.order(
        "O1", placed=False, start=None, finish=None, late_seconds=None, why="nobody is there")),
    "placed though nothing is planned": ("F2 F13 F19 F20", "nobody", lambda d: d.order("O1", placed=True)),
    "total": ("F20", "two_plates", lambda d: d.score(total=d.plan.score.total + 0.01)),
    "bound above the score": ("F20", "two_plates", lambda d: d.score(bound=d.plan.score.total + 1, gap=-1 / d.plan.score.total)),
    "optimal below the bound": ("F20", "two_plates", lambda d: d.with_plan(quality="optimal")),
    "gap": ("F20", "two_plates", lambda d: d.score(gap=0.4)),
    "points of lateness": ("F20", "two_plates", lambda d: d.part("late_hour")),
    "points of finishes": ("F20", "shared_runs", lambda d: d.part("finish_hour")),
    "points of overtime": ("F20", "overtime", lambda d: d.part("overtime_hour")),
    "points of setups": ("F20", "setups", lambda d: d.part("setup")),
    "points of the makespan": ("F20", "two_plates", lambda d: d.part("makespan_hour")),
    "points of moved tasks in a first plan": ("F20", "two_plates", lambda d: d.part("moved_task")),
    "points of unplaced orders": ("F20", "nobody", lambda d: d.part("unplaced_order")),
    "a lane lost": ("F20", "two_plates", lambda d: d.with_plan(lanes=d.plan.lanes[:-1])),
    "lanes in another order": ("F20", "two_plates", lambda d: d.with_plan(lanes=d.plan.lanes[::-1])),
    "a task lost from a lane": ("F20", "two_plates", lambda d: d.with_plan(lanes=(
        Lane(resource="machine", id="M1", tasks=d.plan.lanes[0].tasks[1:]), *d.plan.lanes[1:]))),
    "a lane unsorted": ("F20", "two_plates", lambda d: d.with_plan(lanes=(
        Lane(resource="machine", id="M1", tasks=d.plan.lanes[0].tasks[::-1]), *d.plan.lanes[1:]))),
    "overtime not marked": ("F20", "overtime", lambda d: d.put("R1.load", overtime=False)),
    "overtime marked": ("F20", "two_plates", lambda d: d.put("R1.load", overtime=True)),
    "overtime of a cut": ("F20", "overtime", lambda d: d.put("R1.cut", overtime=True)),
    "a window that opens too late": ("F20", "two_plates", lambda d: d.window("R2", earliest_start=1)),
    "a window that opens too early": ("F20", "two_ops", lambda d: d.window("R3", earliest_start=-1)),
    "a window that closes too late": ("F20", "two_plates", lambda d: d.window("R3", latest_end=1)),
    "a window that closes too early": ("F20", "staying", lambda d: d.window("R2", latest_end=-1)),
    "a window of another load": ("F20", "night", lambda d: d.window("R1", start=1, end=1)),
    "another time of placing": ("F20", "pool", lambda d: d.window("R3", place_at=1)),
    "a window lost": ("F20", "pool", lambda d: d.with_plan(load_windows=d.plan.load_windows[1:])),
    "a window twice": ("F20", "pool", lambda d: d.with_plan(load_windows=(*d.plan.load_windows, d.plan.load_windows[0]))),
    "float too large": ("F20", "two_ops", lambda d: d.put("R3.load", float_seconds=1811)),
    "float too small": ("F20", "two_ops", lambda d: d.put("R3.load", float_seconds=1809)),
    "float of a frozen task": ("F20", "under_way", lambda d: d.put("R1.cut", float_seconds=1)),
    **{
        f"seconds of {use}": ("F20", "two_plates", lambda d, use=use: d.spindle(use))  # type: ignore[misc]
        for use in ("cutting", "exchange", "setup", "closed", "no_work", "nobody", "no_loaded_plate", "operator_busy")
    },
    "a use of the spindle left out": ("F20", "two_plates", lambda d: d.machine_kpis(seconds={
        use: count for use, count in d.plan.kpis.machines[0].seconds.items() if use != "closed"})),
    "unattended cutting": ("F20", "night", lambda d: d.machine_kpis(unattended_cutting_seconds=1929)),
    "an element of a ratio": ("F20", "night", lambda d: d.machine_kpis(elements=d.plan.kpis.machines[0].elements | {"ADET": 1})),
    "a ratio by another formula": ("F20", "night", lambda d: d.machine_kpis(
        ratios=d.plan.kpis.machines[0].ratios | {"planned_availability": 0.123})),
    "a figure that nobody knows": ("F20", "night", lambda d: d.machine_kpis(
        ratios=d.plan.kpis.machines[0].ratios | {"planned_luck": 1.0})),
    "a ratio that is no number": ("F20", "night", lambda d: d.machine_kpis(ratios={"planned_availability": float("inf")})),
    "free time": ("F20", "two_plates", lambda d: d.person(free=6841)),
    "seconds of loading": ("F20", "two_plates", lambda d: d.person(load=361, free=6839)),
    "seconds of the plan": ("F20", "two_plates", lambda d: d.figures(seconds=7441)),
    "on-time share": ("F20", "shared_runs", lambda d: d.figures(on_time_share=0.5)),
    "figures of the shop left out": ("F20", "two_plates", lambda d: d.with_plan(kpis=d.plan.kpis.model_copy(update={"shop": None}))),
    "figures of a machine left out": ("F20", "two_plates", lambda d: d.with_plan(kpis=d.plan.kpis.model_copy(update={"machines": ()}))),
}

# The document: (rules, week, bend).
SHAPES: dict[str, Mutation] = {
    "a task id twice": ("contract", "two_plates", lambda d: d.put("R2.load", id="R1.load")),
    "a run id twice": ("contract", "two_plates", lambda d: d.run("R2", id="R1")),
    "an unknown operator": ("contract", "two_plates", lambda d: d.put("R1.load", operator="Eve")),
    "an unknown run": ("contract", "two_plates", lambda d: d.put("R1.load", run="R9")),
    "an unknown plate": ("contract", "two_plates", lambda d: d.run("R1", plate="P9")),
    "an unknown fixture": ("contract", "two_plates", lambda d: d.run("R1", fixture="F9")),
    "an unknown machine": ("contract", "two_plates", lambda d: d.put("R1.cut", machine="M9")),
    "an unknown order": ("contract", "two_plates", lambda d: d.pieces("R1", order="O9")),
    "an op the part lacks": ("contract", "two_plates", lambda d: d.pieces("R1", op=20)),
    "another part than the order's": ("contract", "two_plates", lambda d: d.pieces("R1", part="B")),
    "two rows for one order and op": ("contract", "two_plates", lambda d: d.run("R1", pieces=d.plan.runs[0].pieces * 2)),
    "an order left out": ("contract", "nobody", lambda d: d.with_plan(orders=d.plan.orders[:1])),
    "an order twice": ("contract", "nobody", lambda d: d.with_plan(orders=(*d.plan.orders, d.plan.orders[0]))),
    "a load without an operator": ("contract", "two_plates", lambda d: d.put("R1.load", operator=None)),
    "a cut with an operator": ("contract", "two_plates", lambda d: d.put("R1.cut", operator="Ann")),
    "a load with a machine": ("contract", "two_plates", lambda d: d.put("R1.load", machine="M1")),
    "a load without the machine its plate stays in": ("contract", "staying", lambda d: d.put("R1.load", machine=None)),
    "a setup without a fixture": ("contract", "setups", lambda d: d.put("R1.setup", fixture=None)),
    "bench work without an op": ("contract", "two_ops", lambda d: d.put("R1.bench.10", op=None)),
    "bench work on pieces that are not there": ("contract", "two_ops", lambda d: d.put("R1.bench.10", run="R3")),
    "a task that ends before it starts": ("contract", "two_plates", lambda d: d.put("R1.load", start=0, end=-1)),
    "two loads of one run": ("contract", "two_plates", lambda d: d.add(d.task("R1.load").model_copy(update={"id": "R1.load.2"}))),
    "another name": ("contract", "two_plates", lambda d: d.put("R1.load", id="R1.loading").described()),
    "a name without the order": ("contract", "shared_runs", lambda d: d.put("R1.bench.10.O1", id="R1.bench.10").described()),
    "a build named otherwise": ("contract", "pauses", lambda d: d.put("B1.build", id="R1.build").described()),
    "another plate than the run's": ("contract", "two_plates", lambda d: d.put("R1.load", plate="P2").described()),
    "another machine than the run's": ("F6 contract", "two_mills", lambda d: d.run("R2", machine="M1").described()),
    "a setup for another fixture": ("contract", "setups", lambda d: d.put("R1.setup", fixture="F2").described()),
    "a run without a machine": ("contract", "night", lambda d: d.run("R1", machine=None).described()),
    "another now": ("contract", "two_plates", lambda d: d.with_plan(now=NOW + 1)),
    "another horizon": ("contract", "two_plates", lambda d: d.with_plan(horizon_end=NOW + 1)),
    "another timezone": ("contract", "two_plates", lambda d: d.with_plan(timezone="UTC")),
}

LOST = {"setup": "F8", "first_article": "F15", "bench": "F1", "build": "F16"}
EVERY_TASK = [(week, task.id) for week, make in WEEKS.items() for task in make()[1].tasks]


def _rules(draft: Draft) -> list[str]:
    return sorted({finding.rule for finding in audit(draft.request, draft.plan)})


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found_under_its_rule_and_no_other(name: str) -> None:
    rules, week, bend = FAULTS[name]
    assert _rules(bend(Draft.of(week)).described()) == sorted(rules.split())


@pytest.mark.parametrize("name", [*LIES, *SHAPES])
def test_a_lie_is_found_under_its_rule_and_no_other(name: str) -> None:
    rules, week, bend = (LIES | SHAPES)[name]
    assert _rules(bend(Draft.of(week))) == sorted(rules.split())


@pytest.mark.parametrize(("week", "name"), EVERY_TASK)
def test_any_task_lost_longer_or_moved_is_found(week: str, name: str) -> None:
    draft = Draft.of(week)
    task = draft.task(name)
    start, end = task.start - NOW, task.end - NOW
    assert LOST.get(task.kind, "F2") in _rules(draft.drop(name).described())
    longer = "F18" if task.frozen else "F8" if task.kind == "setup" else "F12" if task.spans else "F1"
    assert longer in _rules(draft.put(name, end=end + 1).described())
    assert _rules(draft.put(name, start=start + 1))
    assert _rules(draft.put(name, start=start - 1))


def test_every_rule_has_its_mutations(capsys: pytest.CaptureFixture[str]) -> None:
    counts = {f"F{number}": 0 for number in range(1, 21)} | {"contract": 0}
    every = FAULTS | LIES | SHAPES
    assert len(every) == len(FAULTS) + len(LIES) + len(SHAPES)
    for rules, _, _ in every.values():
        for rule in rules.split():
            counts[rule] += 1
    with capsys.disabled():
        print(f"\n{len(every)} single-fault plans and {4 * len(EVERY_TASK)} made task by task are caught: {counts}")
    assert min(counts.values()) >= 2
