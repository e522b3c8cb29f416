"""Random weeks with every feature of the floor: the description holds when tasks are moved as far as it says they may be.

The dispatcher below is deliberately crude (whatever can start first does, and nothing is put in before what is planned); what it makes is
valid, and the audit, which shares no code with the description, must find nothing to object to in what is said about it.
"""

from __future__ import annotations

import random
from collections import defaultdict
from math import ceil

import pytest

from platerota_shared.audit import audit
from platerota_shared.calendars import machine_closures, merge, plate_closures, subtract, working_spans
from platerota_shared.plan import Run, RunPieces, SolverReport, Task, TaskSpan
from platerota_solver.describe import describe
from platerota_solver.describe.attendance import attended
from platerota_solver.describe.book import open_book

DAY = 86_400
STEPS = ("load", "place", "setup", "cut", "pull", "unload")
SKILL = {"load": "load", "place": "exchange", "setup": "setup", "pull": "exchange", "unload": "unload", "bench": "bench",
         "first_article": "first_article", "build": "build"}


class Dispatcher:
    """Turns queues of runs per plate into a valid plan for a request."""

    def __init__(self, request, queues, rng):
        self.request, self.rng, shop = request, rng, request.shop
        self.machines = {row.id: row for row in shop.machines}
        self.plates = {row.id: row for row in shop.plates}
        self.fixtures = {row.id: row for row in shop.fixtures}
        self.ops = {(row.part, row.op): row for row in shop.operations}
        self.parts = {order.id: order.part for order in request.orders}
        end = request.horizon_end
        self.working = {
            row.id: merge([*working_spans(shop, row.id, request.now, end), *working_spans(shop, row.id, request.now, end, overtime=True)])
            for row in shop.operators
        }
        self.free = defaultdict(lambda: request.now)  # operators, spindles, exchange stations, plates
        self.on_machine = defaultdict(int)
        for plate in shop.plates:
            self.on_machine[plate.stays_in] += plate.stays_in is not None
        self.last_cut = {}
        self.claimed = {}
        self.arrivals = defaultdict(list)
        self.taken = defaultdict(int)
        self.first = {}
        self.checked = {}
        self.queues = {plate: list(queue) for plate, queue in queues.items()}
        self.steps_left = {}
        self.runs, self.tasks = [], []

    def plan(self):
        for plate, queue in self.queues.items():
            if queue and queue[0] == "build":
                queue.pop(0)
                self._build(plate)
        while True:
            options = []
            for plate in self.queues:
                if not self.steps_left.get(plate) and self.queues[plate]:
                    self._open(plate, self.queues[plate].pop(0))
                if self.steps_left.get(plate):
                    option = self._option(plate)
                    if option is not None:
                        options.append((*option, plate))
            if not options:
                assert not any(self.steps_left.values()), "the dispatcher is stuck"
                return self.runs, self.tasks
            start, operator, plate = min(options, key=lambda option: (option[0], option[2]))
            self._commit(plate, start, operator)

    def _open(self, plate, wanted):
        fixture, machine, pieces = wanted
        held = tuple(RunPieces(order=order, part=self.parts[order], op=op, pieces=count) for order, op, count in pieces)
        run = Run(id=f"R{len(self.runs) + 1}", plate=plate, fixture=fixture, machine=machine, pieces=held)
        self.runs.append(run)
        steps = [step for step in STEPS if not (self.plates[plate].stays_in and step in ("place", "pull"))]
        self.steps_left[plate] = [(step, run) for step in steps]

    def _option(self, plate):
        """Start and operator of the plate's next step, None while it waits for something not planned yet."""
        step, run = self.steps_left[plate][0]
        machine = self.machines[run.machine]
        ready = max([self.free["plate", plate], *self._needs(step, run, machine)])
        if ready == float("inf"):
            return None
        if step == "cut":
            return self._fit([(self.request.now, self.request.horizon_end)], step, run, ready), ""
        if step == "setup" and not self._setup_seconds(run):
            return ready, ""
        able = [row for row in self.request.shop.operators if row.can(SKILL[step])]
        starts = [(self._fit(self.working[row.id], step, run, max(ready, self.free["operator", row.id])), row.id) for row in able]
        return min(starts)

    def _needs(self, step, run, machine):
        spindle, station = self.free["spindle", machine.id], self.free["station", machine.id]
        stays = self.plates[run.plate].stays_in
        if step == "load":
            yield from (self._pieces_ready(held) for held in run.pieces)
            yield spindle if stays else 0
        elif step == "unload":
            yield spindle if stays else 0
        elif step == "place":
            yield station if machine.automatic else max(spindle, station)
            yield float("inf") if self.on_machine[machine.id] >= machine.places else 0
        elif step == "pull":
            yield station if machine.automatic else max(spindle, station)
        else:
            yield spindle if machine.automatic else max(spindle, station)
        if step in ("setup", "cut"):  # a setup is for the next cut: nothing else cuts between
            yield 0 if self.claimed.get(machine.id, run.id) == run.id else float("inf")
            yield from (self._checked(held, run) for held in run.pieces)
        if step == "cut":
            before = self.last_cut.get(machine.id)
            yield before[0] + machine.exchange_seconds if before and machine.automatic and before[1] != run.plate else 0

    def _pieces_ready(self, held):
        ops = sorted(op for part, op in self.ops if part == held.part)
        if held.op == ops[0]:
            order = next(order for order in self.request.orders if order.id == held.order)
            return order.release or self.request.now
        wanted = self.taken[held.order, held.op] + held.pieces
        for ready, pieces in sorted(self.arrivals[held.order, ops[ops.index(held.op) - 1]]):
            wanted -= pieces
            if wanted <= 0:
                return ready
        return float("inf")

    def _checked(self, held, run):
        if not self.ops[held.part, held.op].first_article_seconds or self.first.get((held.order, held.op), run.id) == run.id:
            return 0
        return self.checked.get((held.order, held.op), float("inf"))

    def _seconds(self, step, run):
        fixture, machine = self.fixtures[run.fixture], self.machines[run.machine]
        if step == "cut":
            pieces = sum(held.pieces * self.ops[held.part, held.op].cut_seconds for held in run.pieces)
            return ceil(machine.cut_factor * (fixture.cycle_seconds + pieces))
        if step == "setup":
            return self._setup_seconds(run)
        return {"load": fixture.load_seconds, "unload": fixture.unload_seconds,
                "place": machine.place_seconds, "pull": machine.pull_seconds}[step]

    def _setup_seconds(self, run):
        before = self.last_cut.get(run.machine)
        return 0 if before and before[2] == run.fixture else self.machines[run.machine].setup_seconds

    def _fit(self, spans, step, run, ready):
        shop, seconds = self.request.shop, self._seconds(step, run)
        closed = [] if step == "setup" else plate_closures(shop, run.plate)
        if step in ("place", "setup", "cut", "pull") or self.plates[run.plate].stays_in:
            closed = merge([*closed, *machine_closures(shop, run.machine)])
        return next(max(a, ready) for a, b in subtract(spans, closed) if max(a, ready) + seconds <= b)

    def _commit(self, plate, start, operator):
        step, run = self.steps_left[plate].pop(0)
        machine, stays = self.machines[run.machine], self.plates[plate].stays_in
        end = start + self._seconds(step, run)
        if step != "setup" or self._setup_seconds(run):
            self._add(f"{run.id}.{step}", step, start, end, operator or None, run=run.id, plate=None if step == "setup" else plate,
                      machine=run.machine if step not in ("load", "unload") or stays else None,
                      fixture=run.fixture if step == "setup" else None)
        self.free["plate", plate] = end
        if step == "setup":
            self.claimed[machine.id] = run.id
        elif step == "cut":
            del self.claimed[machine.id]
        if step in ("cut", "setup") or (stays and step in ("load", "unload")):
            self.free["spindle", machine.id] = max(end, self.free["spindle", machine.id])
        if step in ("place", "pull"):
            self.free["station", machine.id] = end
            self.on_machine[machine.id] += 1 if step == "place" else -1
        for held in run.pieces:
            if step == "load":
                self.taken[held.order, held.op] += held.pieces
            if step == "cut":
                self.last_cut[machine.id] = (end, plate, run.fixture)
                self.first.setdefault((held.order, held.op), run.id)
            if step == "unload":
                self._follow(run, held, end)

    def _follow(self, run, held, end):
        """Bench work (it pauses) and the first article after an unload."""
        operation = self.ops[held.part, held.op]
        suffix = f"{held.op}.{held.order}" if len({row.order for row in run.pieces}) > 1 else f"{held.op}"
        if operation.bench_seconds:
            end = self._pausing(f"{run.id}.bench.{suffix}", "bench", held.pieces * operation.bench_seconds, end, run=run.id,
                                order=held.order, op=held.op)
        self.arrivals[held.order, held.op].append((end + operation.after_seconds, held.pieces))
        if operation.first_article_seconds and self.first[held.order, held.op] == run.id:
            able = [row.id for row in self.request.shop.operators if row.can("first_article")]
            who = min(able, key=lambda name: (self.free["operator", name], name))
            ready, seconds = max(self.free["operator", who], self.free["plate", run.plate]), operation.first_article_seconds
            start = next(max(a, ready) for a, b in self.working[who] if max(a, ready) + seconds <= b)
            self._add(f"{run.id}.first_article.{suffix}", "first_article", start, start + seconds, who, run=run.id, order=held.order,
                      op=held.op)
            self.checked[held.order, held.op] = start + seconds

    def _build(self, plate):
        fixture = self.queues[plate][0][0]
        end = self._pausing("B1.build", "build", self.fixtures[fixture].build_seconds, self.request.now, plate=plate, fixture=fixture)
        self.free["plate", plate] = end

    def _pausing(self, name, kind, seconds, ready, **fields):
        able = [row.id for row in self.request.shop.operators if row.can(kind)]
        who = min(able, key=lambda person: (self.free["operator", person], person))
        spans = laid(self.working[who], max(ready, self.free["operator", who]), seconds)
        pauses = tuple(TaskSpan(start=a, end=b) for a, b in spans) if len(spans) > 1 else None
        self._add(name, kind, spans[0][0], spans[-1][1], who, spans=pauses, **fields)
        return spans[-1][1]

    def _add(self, name, kind, start, end, operator, **fields):
        self.tasks.append(Task(id=name, kind=kind, start=start, end=end, operator=operator, **fields))
        if operator:
            self.free["operator", operator] = max(end, self.free["operator", operator])


def laid(spans, ready, seconds):
    """Work of `seconds` laid into spans from `ready` on."""
    found = []
    for a, b in spans:
        begin = max(a, ready)
        if begin < b and seconds > 0:
            found.append((begin, min(b, begin + seconds)))
            seconds -= found[-1][1] - begin
    return found


def random_week(week, seed):
    """Two mills (one that feeds itself in half of the weeks), a plate that stays, a blank plate, two parts of which one has two ops."""
    rng = random.Random(seed)
    hand = {"mount": "A", "travel_x": 500, "travel_y": 400, "place_seconds": rng.choice((0, 40)), "pull_seconds": rng.choice((0, 40))}
    week.machines = [
        {"id": "M1", **hand, "setup_seconds": rng.choice((0, 500)), "positions": 2, "cut_factor": 1.25},
        {"id": "M2", **hand, "exchange": rng.choice(("hand", "automatic")), "positions": 3, "setup_seconds": rng.choice((0, 300))},
    ]
    plate = {"mount": "A", "size_x": 300, "size_y": 300, "mass": 8}
    week.plates = [{"id": f"P{n}", **plate, "fixture": "FG"[n % 2]} for n in range(4)]
    week.plates += [{"id": "S", **plate, "fixture": "F", "stays_in": "M1"}, {"id": "N", **plate}]
    week.fixtures = [{"id": name, "load_seconds": rng.randint(0, 900), "unload_seconds": rng.randint(1, 500),
    "build_seconds": 9_000} for name in "FG"]
    week.nests = [{"fixture": "F", "part": "W", "op": 10, "count": 4}, {"fixture": "F", "part": "V", "op": 10, "count": 2},
                  {"fixture": "G", "part": "W", "op": 20, "count": 4}]
    week.operations = [
        {"part": part, "op": op, "cut_seconds": rng.randint(200, 1_500), "bench_seconds": rng.choice((0, 300)),
         "after_seconds": rng.choice((0, 1_800)), "first_article_seconds": rng.choice((0, 700))}
        for part, op in (("W", 10), ("W", 20), ("V", 10))
    ]
    week.operators = [{"id": "A"}, {"id": "B", "skills": ["load", "exchange", "bench"]}]
    week.shifts += [
        {"operator": "B", "days": ["mon", "tue", "thu"], "start": "09:00", "end": "18:00", "breaks": ["12:00-12:45"]},
        {"operator": "A", "days": ["mon", "wed", "sat"], "start": "13:00", "end": "17:00", "overtime": True},
    ]
    week.close(20_000, 25_000, machine="M1")
    week.close(DAY, DAY + 9_000, plate="P1")
    week.close(DAY + 5_000, DAY + 7_000, operator="A")
    week.settings = {"horizon_days": 28}
    trips = rng.randint(2, 5)
    week.order("W1", 4 * trips, due=rng.randint(0, 3 * DAY))
    week.order("V1", 2 * trips, due=rng.randint(0, 3 * DAY), part="V", release=rng.randint(0, 9_000))
    queues = {row["id"]: [] for row in week.plates}
    queues["N"].append("build")
    mills = {name: rng.choice(("M1", "M2")) for name in queues} | {"S": "M1"}
    for trip in range(trips):
        name = "N" if trip == 0 else rng.choice(("P0", "P2", "S", "N"))
        queues[name].append(("F", mills[name], [("W1", 10, 4), ("V1", 10, 2)]))
        name = rng.choice(("P1", "P3"))
        queues[name].append(("G", mills[name], [("W1", 20, 4)]))
    request = week.request()
    runs, tasks = Dispatcher(request, queues, rng).plan()
    return request, runs, tasks


def described(request, runs, tasks):
    return describe(request, runs, tasks, bound=0, quality="feasible", unplaced={}, solver=SolverReport(seconds=0, seed=1))


def test_the_weeks_use_every_feature(week):
    kinds, seen = set(), set()
    for seed in range(40):
        week.closures.clear()
        week.orders.clear()
        del week.shifts[1:]
        request, runs, tasks = random_week(week, seed)
        plan = described(request, runs, tasks)
        kinds |= {task.kind for task in plan.tasks}
        seen |= {"pause" for task in plan.tasks if task.spans} | {"overtime" for task in plan.tasks if task.overtime}
        seen |= {"stays" for task in plan.tasks if task.kind == "load" and task.machine}
        seen |= {"late" for order in plan.orders if order.late_seconds}
        seen |= {row.exchange for row in request.shop.machines} | {"several orders" for run in runs if len(run.pieces) > 1}
    assert kinds == {"bench", "first_article", *STEPS, "build"}
    assert seen == {"pause", "overtime", "stays", "late", "hand", "automatic", "several orders"}


@pytest.mark.parametrize("seed", range(40))
def test_the_audit_agrees_with_every_figure(week, seed):
    request, runs, tasks = random_week(week, seed)
    assert audit(request, described(request, runs, tasks)) == []


def week_of_overtime(week, seed):
    """A loads two plates at any time of Monday and Tuesday, in shifts and overtime that may overlap; B does the rest from Tuesday 20:00."""
    rng = random.Random(seed)
    hours = [f"{hour:02}:{minute}" for hour in range(6, 20) for minute in ("00", "30")]
    week.operators.append({"id": "B", "skills": ["exchange", "unload"]})
    week.shifts = [{"operator": "B", "days": ["tue"], "start": "20:00", "end": "22:00"}]
    for overtime in (False, *(True for _ in range(rng.randint(1, 4)))):
        start, end = sorted(rng.sample(range(len(hours)), 2))
        days = rng.choice((["mon"], ["tue"], ["mon", "tue"]))
        week.shifts.append({"operator": "A", "days": days, "start": hours[start], "end": hours[end], "overtime": overtime})
    week.fixtures[0]["load_seconds"] = length = rng.choice((0, 600, 600))
    week.order("O", 8, due=0)
    request, placed = week.request(), DAY + 14 * 3_600
    working = merge(span for overtime in (False, True) for span in working_spans(
        request.shop, "A", request.now, request.now + placed, overtime=overtime))
    starts = [start - request.now for a, b in working for start in range(a, b - length + 1, 300)]
    loads = sorted(rng.sample(starts, 2))
    while loads[1] < loads[0] + length:
        loads = sorted(rng.sample(starts, 2))
    for number, (load, begin) in enumerate(zip(loads, (placed, placed + 3_000), strict=True), 1):
        week.run(f"R{number}", f"P{number}", {("O", 10): 4}, load=(load, load + length), place=(begin, begin + 60), who="B",
                 cut=(begin + 60, begin + 2_460), pull=(begin + 2_460, begin + 2_520), unload=(begin + 2_520, begin + 2_820))
    tasks = [task.model_copy(update={"operator": "A"}) if task.kind == "load" else task for task in week.tasks]
    return request, week.runs, tasks


@pytest.mark.parametrize("made", [random_week, week_of_overtime])
@pytest.mark.parametrize("seed", range(12))
def test_a_load_at_either_end_of_its_window_keeps_plan_score_and_who_is_there(week, seed, made):
    request, runs, tasks = made(week, seed)
    plan, there = described(request, runs, tasks), attended(open_book(request, runs, tasks, ()))
    assert audit(request, plan) == []
    by_id = {task.id: task for task in tasks}
    for window in plan.load_windows:
        load = by_id[f"{window.run}.load"]
        seconds = load.end - load.start
        spans = working_spans(request.shop, window.operator, request.now, request.horizon_end, overtime=load.overtime)
        for start in (window.earliest_start, window.latest_end - seconds):
            if any(a <= start and start + seconds <= b for a, b in spans):
                moved = [task.model_copy(update={"start": start, "end": start + seconds}) if task is load else task for task in tasks]
                again = described(request, runs, moved)
                assert audit(request, again) == []
                assert again.score == plan.score
                assert subtract(there, attended(open_book(request, runs, moved, ()))) == []


@pytest.mark.parametrize("seed", range(25))
def test_everything_as_late_as_its_float_lets_it_is_a_plan_that_finishes_alike(week, seed):
    request, runs, tasks = random_week(week, seed)
    plan = described(request, runs, tasks)
    presence = {row.id: merge([*working_spans(request.shop, row.id, request.now, request.horizon_end),
                               *working_spans(request.shop, row.id, request.now, request.horizon_end, overtime=True)])
                for row in request.shop.operators}
    late = []
    for task in plan.tasks:
        start = task.start + task.float_seconds
        if task.kind in ("bench", "build"):
            seconds = sum(span.end - span.start for span in task.spans) if task.spans else task.end - task.start
            spans = laid(presence[task.operator], start, seconds)
            pauses = tuple(TaskSpan(start=a, end=b) for a, b in spans) if len(spans) > 1 else None
            late.append(task.model_copy(update={"start": spans[0][0], "end": spans[-1][1], "spans": pauses}))
        else:
            late.append(task.model_copy(update={"start": start, "end": start + task.end - task.start}))
    again = described(request, runs, late)
    assert audit(request, again) == []
    assert [order.finish for order in again.orders] == [order.finish for order in plan.orders]
    assert {task.float_seconds for task in again.tasks} == {0}
