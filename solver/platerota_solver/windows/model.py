"""One window as a CP-SAT model: which plate, mill and people its runs get, in which sequence and when.

The runs' pieces stay as they are. People, plates and mills are no-overlap constraints in which everything that is fixed
(other runs, breaks, nights, closures, unattended limits) is a block.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from ortools.sat.python import cp_model

from platerota_shared.fields import MAX_SECONDS
from platerota_solver.kernel import state as col
from platerota_solver.kernel.state import State
from platerota_solver.problem import EXCHANGE, LOAD, UNLOAD, Ints, Problem
from platerota_solver.schedule import Schedule
from platerota_solver.windows.busy import taken

RATE_SCALE = 1_000
"""Points an hour are counted in thousandths, so that the objective is a whole number of points × 3600 × 1000."""
STARTS = (col.LOAD_AT, col.PLACE_AT, col.CUT_AT, col.PULL_AT, col.UNLOAD_AT)
ENDS = (col.LOAD_END, col.PLACE_END, col.CUT_END, col.PULL_END, col.UNLOAD_END)
HAND_WORK = (
    (LOAD, col.LOAD_BY, col.LOAD_AT, col.LOAD_END), (EXCHANGE, col.PLACE_BY, col.PLACE_AT, col.PLACE_END),
    (EXCHANGE, col.PULL_BY, col.PULL_AT, col.PULL_END), (UNLOAD, col.UNLOAD_BY, col.UNLOAD_AT, col.UNLOAD_END),
)


@dataclass
class Trip:
    """The variables of one free run: starts and ends of its five tasks, and a literal for each way to make it."""

    row: int
    load: cp_model.IntVar
    load_end: cp_model.IntVar
    place: cp_model.IntVar
    place_end: cp_model.IntVar
    cut: cp_model.IntVar
    cut_end: cp_model.IntVar
    pull: cp_model.IntVar
    pull_end: cp_model.IntVar
    unload: cp_model.IntVar
    unload_end: cp_model.IntVar
    ways: dict[tuple[int, int], cp_model.IntVar] = field(default_factory=dict[tuple[int, int], cp_model.IntVar])
    hands: dict[tuple[int, int], cp_model.IntVar] = field(default_factory=dict[tuple[int, int], cp_model.IntVar])


class WindowModel:
    """The model of the runs in `free` (row numbers of `schedule`) over ``[begin, end)`` seconds; `state` holds all others booked."""

    def __init__(self, problem: Problem, schedule: Schedule, state: State, free: list[int], begin: int, end: int) -> None:
        self.problem, self.schedule, self.state = problem, schedule, state
        self.begin, self.end = begin, end
        self.model = cp_model.CpModel()
        self.trips = {row: self._trip(row) for row in free}
        self.on_plate: dict[int, list[cp_model.IntervalVar]] = {}
        self.on_table: dict[int, list[cp_model.IntervalVar]] = {}
        self.cuts: dict[int, list[cp_model.IntervalVar]] = {}
        self.exchanges: dict[int, list[cp_model.IntervalVar]] = {}
        self.work: dict[int, list[cp_model.IntervalVar]] = {}
        for trip in self.trips.values():
            self._ways(trip)
            self._hands(trip)
        self._resources()
        self._pieces()
        self._objective()

    def _var(self, value: int) -> cp_model.IntVar:
        variable = self.model.new_int_var(self.begin, self.end, "")
        self.model.add_hint(variable, value)
        return variable

    def _trip(self, row: int) -> Trip:
        times = self.schedule.runs[row]
        load, place, cut, pull, unload = (self._var(int(times[column])) for column in STARTS)
        load_end, place_end, cut_end, pull_end, unload_end = (self._var(int(times[column])) for column in ENDS)
        trip = Trip(row, load, load_end, place, place_end, cut, cut_end, pull, pull_end, unload, unload_end)
        for earlier, later in (
            (trip.load_end, trip.place), (trip.place_end, trip.cut), (trip.cut_end, trip.pull), (trip.pull_end, trip.unload),
        ):
            self.model.add(earlier <= later)
        return trip

    def kinds(self, row: int) -> list[tuple[int, int]]:
        """Item and pieces of a run."""
        run = self.schedule.runs[row]
        rows = self.schedule.pieces[run[col.FIRST_PIECES]:run[col.LAST_PIECES]]
        return [(int(piece[col.ITEM]), int(piece[col.PIECES])) for piece in rows]

    def _ways(self, trip: Trip) -> None:
        """A literal for each carrier and machine the run's pieces fit, with the durations that follow (F1, F3, F5)."""
        p, model = self.problem.arrays, self.model
        kinds = self.kinds(trip.row)
        run = self.schedule.runs[trip.row]
        for carrier, machine in possible_ways(self.problem, kinds):
            way = model.new_bool_var("")
            model.add_hint(way, int(run[col.CARRIER] == carrier and run[col.MACHINE] == machine))
            trip.ways[carrier, machine] = way
            load, cut, unload = trip_seconds(self.problem, kinds, carrier, machine)
            for first, last, length in (
                (trip.load, trip.load_end, load), (trip.cut, trip.cut_end, cut), (trip.unload, trip.unload_end, unload),
                (trip.place, trip.place_end, int(p.m_place[machine])), (trip.pull, trip.pull_end, int(p.m_pull[machine])),
            ):
                model.add(last == first + length).only_enforce_if(way)  # pyright: ignore[reportUnknownMemberType]
        model.add_exactly_one(trip.ways.values())
        for machine in {machine for _, machine in trip.ways}:
            here = self._any([way for (_, m), way in trip.ways.items() if m == machine])
            self._interval(self.on_table, machine, trip.place, trip.pull_end, here)
            self._interval(self.cuts, machine, trip.cut, trip.cut_end, here)
            self._interval(self.exchanges, machine, trip.place, trip.place_end, here)
            self._interval(self.exchanges, machine, trip.pull, trip.pull_end, here)
        for plate in {int(p.c_plate[carrier]) for carrier, _ in trip.ways}:
            here = self._any([way for (c, _), way in trip.ways.items() if p.c_plate[c] == plate])
            self._interval(self.on_plate, plate, trip.load, trip.unload_end, here)

    def _any(self, literals: list[cp_model.IntVar]) -> cp_model.IntVar:
        """A literal that is true where one of several exclusive ones is."""
        if len(literals) == 1:
            return literals[0]
        one = self.model.new_bool_var("")
        self.model.add(sum(literals) == one)
        return one

    def _interval(
        self, table: dict[int, list[cp_model.IntervalVar]], key: int, first: cp_model.IntVar, last: cp_model.IntVar, here: cp_model.IntVar,
    ) -> None:
        size = self.model.new_int_var(0, self.end - self.begin, "")
        table.setdefault(key, []).append(self.model.new_optional_interval_var(first, size, last, here, ""))

    def _hands(self, trip: Trip) -> None:
        """Who does each of the four pieces of hand work (F11)."""
        p, state = self.problem.arrays, self.state
        run = self.schedule.runs[trip.row]
        spans = ((trip.load, trip.load_end), (trip.place, trip.place_end), (trip.pull, trip.pull_end), (trip.unload, trip.unload_end))
        for task, ((skill, by, _, _), (first, last)) in enumerate(zip(HAND_WORK, spans, strict=True)):
            able = [int(u) for u in state.workers[skill, :state.worker_count[skill]] if u <= p.l_operator[-1] or u == run[by]]
            for number in able:
                literal = self.model.new_bool_var("")
                self.model.add_hint(literal, int(run[by] == number))
                trip.hands[task, number] = literal
                self._interval(self.work, number, first, last, literal)
            self.model.add_exactly_one(trip.hands[task, number] for number in able)

    def _resources(self) -> None:
        """Everybody and everything does one thing at a time, around what is fixed."""
        p = self.problem.arrays
        for number, intervals in self.work.items():
            self._no_overlap(intervals, number)
        for machine, intervals in self.on_table.items():
            self._no_overlap(intervals, int(p.l_table[machine]))
            self._no_overlap(self.cuts[machine], int(p.l_cut[machine]))
            self._no_overlap(self.exchanges[machine], int(p.l_spindle[machine]))
        for plate, intervals in self.on_plate.items():
            self._no_overlap(intervals, int(p.l_plate[plate]))

    def _no_overlap(self, intervals: list[cp_model.IntervalVar], number: int) -> None:
        blocks = [self.model.new_fixed_size_interval_var(a, b - a, "") for a, b in taken(self.state, number, self.begin, self.end)]
        self.model.add_no_overlap([*intervals, *blocks])

    def _pieces(self) -> None:
        """Releases, and pieces matched first in, first out between the ops of an order as they are in the plan (F14)."""
        p = self.problem.arrays
        for row, trip in self.trips.items():
            for item, _ in self.kinds(row):
                if p.i_ready[item] < 0:
                    self.model.add(trip.load >= int(p.o_release[p.i_order[item]]))
        for maker, user, wait in matched_pieces(self.problem, self.schedule):
            made = self.trips[maker].unload_end if maker in self.trips else int(self.schedule.runs[maker, col.UNLOAD_END])
            used = self.trips[user].load if user in self.trips else int(self.schedule.runs[user, col.LOAD_AT])
            if maker in self.trips or user in self.trips:
                self.model.add(made + wait <= used)

    def _objective(self) -> None:
        """Points of the orders in the window × 3600 × 1000, above what the fixed runs make them cost anyway (F19)."""
        p, problem = self.problem.arrays, self.problem
        terms: list[cp_model.LinearExprT] = []
        finishes: list[cp_model.IntVar] = []
        by_order: dict[int, list[cp_model.LinearExprT]] = {}
        for row, trip in self.trips.items():
            for item, _ in self.kinds(row):
                by_order.setdefault(int(p.i_order[item]), []).append(trip.unload_end + int(p.s_after[p.i_step[item]]))
        for order, ends in by_order.items():
            fixed = fixed_finish(problem, self.schedule, order, set(self.trips))
            wait = max(int(p.s_after[p.i_step[item]]) for row in self.trips for item, _ in self.kinds(row))
            finish = self.model.new_int_var(min(self.begin, fixed), self.end + wait + fixed, "")
            late = self.model.new_int_var(0, max(0, self.end + wait + fixed - int(p.o_due[order])), "")
            for end in ends:
                self.model.add(finish >= end)
            self.model.add(finish >= fixed)
            self.model.add(late >= finish - int(p.o_due[order]))
            finishes.append(finish)
            terms.append(finish * round(problem.finish_rate[order] * 3600 * RATE_SCALE))
            terms.append(late * round(problem.late_rate[order] * 3600 * RATE_SCALE))
        rate = round(problem.request.settings.score.makespan_hour * RATE_SCALE)
        if rate:
            others = [fixed_finish(problem, self.schedule, order, set(self.trips)) for order in range(len(p.o_due))]
            last = self.model.new_int_var(max(others), max(others) + 2 * int(p.horizon[0]) + MAX_SECONDS, "")
            self.model.add_max_equality(last, [*finishes, max(others)])
            terms.append(last * rate)
        self.model.minimize(sum(terms))

    def read(self, solver: cp_model.CpSolver) -> Ints:
        """The runs of the schedule with the window's solution in place."""
        runs = self.schedule.runs.copy()
        for row, trip in self.trips.items():
            carrier, machine = next(way for way, literal in trip.ways.items() if solver.boolean_value(literal))
            runs[row, col.CARRIER], runs[row, col.MACHINE], runs[row, col.KEPT] = carrier, machine, -1
            for column, variable in (
                (col.LOAD_AT, trip.load), (col.LOAD_END, trip.load_end), (col.PLACE_AT, trip.place), (col.PLACE_END, trip.place_end),
                (col.CUT_AT, trip.cut), (col.CUT_END, trip.cut_end), (col.PULL_AT, trip.pull), (col.PULL_END, trip.pull_end),
                (col.UNLOAD_AT, trip.unload), (col.UNLOAD_END, trip.unload_end),
            ):
                runs[row, column] = solver.value(variable)
            for task, (_, by, _, _) in enumerate(HAND_WORK):
                runs[row, by] = next(number for (t, number), literal in trip.hands.items() if t == task and solver.boolean_value(literal))
        return runs


def possible_ways(problem: Problem, kinds: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Standing carriers and machines that can take a run of these pieces (F3, F5); only mills with one position, by hand."""
    p = problem.arrays
    step = int(p.i_step[kinds[0][0]])
    stock = sum(pieces * int(p.s_stock[p.i_step[item]]) for item, pieces in kinds)
    needed: dict[int, int] = {}
    for item, pieces in kinds:
        needed[int(p.i_step[item])] = needed.get(int(p.i_step[item]), 0) + pieces
    found: list[tuple[int, int]] = []
    for carrier in (int(c) for c in p.step_carriers[p.step_from[step]:p.step_from[step + 1]]):
        fixture = int(p.c_fixture[carrier])
        if p.c_build[carrier] or p.p_stays[p.c_plate[carrier]] >= 0 or any(p.nests[fixture, s] < n for s, n in needed.items()):
            continue
        for machine in range(len(p.m_place)):
            if p.fits[carrier, machine] and p.m_places[machine] == 1 and not p.m_auto[machine] and p.room[carrier, machine] >= stock:
                found.append((carrier, machine))
    return found


def trip_seconds(problem: Problem, kinds: list[tuple[int, int]], carrier: int, machine: int) -> tuple[int, int, int]:
    """Load, cut and unload seconds (F1)."""
    p = problem.arrays
    fixture = int(p.c_fixture[carrier])
    pieces = sum(n for _, n in kinds)
    cut = int(p.f_cycle[fixture]) + sum(n * int(p.s_cut[p.i_step[item]]) for item, n in kinds)
    scaled = -((-int(p.m_factor[machine, 0]) * cut) // int(p.m_factor[machine, 1]))
    load = int(p.f_load[fixture]) + pieces * int(p.f_load_piece[fixture])
    return load, scaled, int(p.f_unload[fixture]) + pieces * int(p.f_unload_piece[fixture])


def matched_pieces(problem: Problem, schedule: Schedule) -> list[tuple[int, int, int]]:
    """(maker's row, user's row, seconds between unload and load at least), first in, first out per order and op."""
    p = problem.arrays
    made: dict[int, list[list[int]]] = {}
    used: dict[int, list[list[int]]] = {}
    for piece in schedule.pieces:
        item, row, pieces = int(piece[col.ITEM]), int(piece[col.PIECES_RUN]), int(piece[col.PIECES])
        ready = int(schedule.runs[row, col.UNLOAD_END]) if piece[col.BENCH_BY] < 0 else int(piece[col.BENCH_END])
        wait = ready - int(schedule.runs[row, col.UNLOAD_END]) + int(p.s_after[p.i_step[item]])
        if p.i_next[item] >= 0:
            made.setdefault(int(p.i_next[item]), []).append([ready, row, pieces, wait])
        if p.i_ready[item] >= 0 and schedule.runs[row, col.STAGE] == col.AT_BENCH:
            used.setdefault(item, []).append([int(schedule.runs[row, col.LOAD_AT]), row, pieces])
    links: list[tuple[int, int, int]] = []
    for item, users in used.items():
        stock = int(p.i_ready[item])
        makers = sorted(made.get(item, []))
        for _, user, pieces in sorted(users):
            there = min(stock, pieces)
            stock, pieces = stock - there, pieces - there
            while pieces > 0:
                maker = makers[0]
                part = min(pieces, maker[2])
                links.append((maker[1], user, maker[3]))
                pieces -= part
                maker[2] -= part
                if maker[2] == 0:
                    makers.pop(0)
    return links


def fixed_finish(problem: Problem, schedule: Schedule, order: int, free: set[int]) -> int:
    """The latest end that the runs outside the window give an order, seconds from now."""
    p = problem.arrays
    latest = 0
    for piece in schedule.pieces:
        row = int(piece[col.PIECES_RUN])
        if p.i_order[piece[col.ITEM]] != order or row in free:
            continue
        unloaded = int(schedule.runs[row, col.UNLOAD_END])
        ready = unloaded if piece[col.BENCH_BY] < 0 else int(piece[col.BENCH_END])
        checked = unloaded if piece[col.FIRST_BY] < 0 else int(piece[col.FIRST_END])
        latest = max(latest, checked, ready + int(p.s_after[p.i_step[piece[col.ITEM]]]))
    return latest
