"""The monolith: one CP-SAT model of the whole week, from a complete hint that our constructive plan gives.

It decides everything at once: which pieces of which orders lie in a run, on which plate, on which mill, who does each task
and when, exact to the second. Half of its time goes first into the same model with the pieces left in the runs where the
plan has them, which is smaller and gains sooner; its plan is the hint of the second half. Each fixture has at most as many
runs as the constructive plan gives it, and nothing ends later than `ROOM` after the last task of that plan. It knows what
`exact.left_out` does not list, and waiting after an op, but no op after the first that has a choice of fixtures. Probing and
symmetry detection are off: with them presolve loses the hint.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from time import perf_counter

from ortools.sat.python import cp_model

from benchmarks.trips import ROOM, Answer, Trip, answer, constructive_plan, links, refuse, trips_of
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest
from platerota_solver.exact.points import whole_rates
from platerota_solver.problem import EXCHANGE, LOAD, UNLOAD, Problem, build_problem

WORKERS = 8
"""Search workers, also on two cores: the mix of strategies is worth more than two of them."""
HAND_SKILLS = {0: LOAD, 1: EXCHANGE, 3: EXCHANGE, 4: UNLOAD}
"""Skill by place of the task in a run: load, place, (cut,) pull, unload."""
CUT = 2
SPANS = ((0, 0), (1, 1), (2, 2), (3, 3), (4, 4), (1, 3), (0, 4))
"""First and last task of what a run occupies something for: each task; the mill from place to pull; the plate from load to unload."""
ON_MILL, ON_PLATE = 5, 6

Literal = cp_model.IntVar
Intervals = dict[int, list[cp_model.IntervalVar]]


def solve_monolith(request: PlanRequest, seconds: float, workers: int = WORKERS, plan: Plan | None = None) -> Answer:
    """The audited plan of the monolith: the plan it began from where CP-SAT finds none in time (status `unknown`).

    Parameters
    ----------
    seconds
        Wall time of CP-SAT, seconds; building the model comes on top.
    plan
        The plan to begin from; our constructive one where None.

    Raises
    ------
    CannotExpress
        Where the request uses rules that the model does not know.
    NoFigure
        Where the audit finds something in it.
    """
    began = perf_counter()
    problem = build_problem(request)
    refuse("monolith", problem, _choice_of_fixtures(problem), known=("waiting after an op",))
    start = plan or constructive_plan(request)
    unplaced = [order.id for order in start.orders if not order.placed]
    trips, status = trips_of(problem, start), ""
    for fills_free in (False, True):
        week = Week(problem, trips, unplaced, fills_free=fills_free)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = workers
        solver.parameters.max_time_in_seconds = seconds / 2
        solver.parameters.random_seed = request.settings.seed
        solver.parameters.cp_model_probing_level = 0
        solver.parameters.symmetry_level = 0
        result = solver.solve(week.model)
        status = solver.status_name(result).lower()
        if result in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            trips = week.read(solver)
    return answer("monolith", problem, trips, unplaced, status, perf_counter() - began)


def _choice_of_fixtures(problem: Problem) -> list[str]:
    """Ops after the first of their part that several fixtures have nests for: their runs have no common sequence."""
    p = problem.arrays
    later = {int(p.i_step[item]) for item in range(len(p.i_step)) if p.i_ready[item] >= 0 and p.i_need[item]}
    return ["an op after the first on several fixtures"] if any((p.nests[:, step] > 0).sum() > 1 for step in later) else []


@dataclass
class Slot:
    """The variables of one run that may be made: five tasks, the pieces in it, and a literal for every choice."""

    fixture: int
    used: Literal
    at: list[cp_model.IntVar]
    end: list[cp_model.IntVar]
    sizes: list[cp_model.IntVar]
    pieces: dict[int, cp_model.IntVar] = field(default_factory=dict[int, cp_model.IntVar])
    holds: dict[int, Literal] = field(default_factory=dict[int, Literal])
    plates: dict[int, Literal] = field(default_factory=dict[int, Literal])
    machines: dict[int, Literal] = field(default_factory=dict[int, Literal])
    hands: dict[int, dict[int, Literal]] = field(default_factory=dict[int, dict[int, Literal]])


class Week:
    """The model. `trips` is the plan it begins from, `unplaced` are the orders that plan leaves out; they stay out.

    `fills_free` says whether the pieces of a run may change.
    """

    def __init__(self, problem: Problem, trips: Sequence[Trip], unplaced: list[str], *, fills_free: bool) -> None:
        self.problem, self.p, self.unplaced, self.fills_free = problem, problem.arrays, unplaced, fills_free
        self.model = cp_model.CpModel()
        self.horizon = min(int(self.p.horizon[0]), max((trip.end[-1] for trip in trips), default=0) + ROOM)
        self.trips = sorted(trips, key=lambda trip: (int(self.p.c_fixture[trip.carrier]), trip.at[0]))
        self.groups = self._groups()
        self.items = self._items()
        self.before: dict[tuple[int, int, int], Literal] = {}
        self.places: Intervals = defaultdict(list)
        self.tables: Intervals = defaultdict(list)
        self.cuts: Intervals = defaultdict(list)
        self.held: Intervals = defaultdict(list)
        self.touched: Intervals = defaultdict(list)
        self.work: Intervals = defaultdict(list)
        self.slots = [self._slot(trip) for trip in self.trips]
        self._all_pieces()
        self._resources()
        if fills_free:
            for item in (item for own in self.items.values() for item in own if self.p.i_ready[item] >= 0):
                self._flow(item)
        else:
            for maker, user in links(problem, self.trips):
                self.model.add(self.slots[maker].end[4] + self._wait(maker, user) <= self.slots[user].at[0])
        self._sort()
        self._objective()

    def _wait(self, maker: int, user: int) -> int:
        """Seconds that pieces of one run wait before they go into another (F14)."""
        p = self.p
        into = {item for item, _ in self.trips[user].pieces}
        return max(int(p.s_after[p.i_step[item]]) for item, _ in self.trips[maker].pieces if int(p.i_next[item]) in into)

    def _sort(self) -> None:
        """Of runs that are alike (of one fixture; with the same pieces where these are fixed) the earlier load is the earlier slot."""
        last: dict[tuple[object, ...], Slot] = {}
        for slot, trip in zip(self.slots, self.trips, strict=True):
            key = (slot.fixture,) if self.fills_free else (slot.fixture, *sorted(trip.pieces))
            if key in last:
                self.model.add(last[key].at[0] <= slot.at[0])
            last[key] = slot

    def _items(self) -> dict[int, list[int]]:
        """Items with pieces to cut whose order is placed, by op of a part."""
        out, found = set(self.unplaced), dict[int, list[int]]()
        for item, (order, _) in enumerate(self.problem.items):
            if self.p.i_need[item] and order.id not in out:
                found.setdefault(int(self.p.i_step[item]), []).append(item)
        return found

    def _groups(self) -> list[list[int]]:
        """Carriers that are truly alike, by fixture, fit and room; one with closures of its own is alike to nobody."""
        found: dict[tuple[object, ...], list[int]] = {}
        for carrier in range(len(self.p.c_plate)):
            closed = carrier if self.p.l_open[self.p.c_plate[carrier]] >= 0 else -1
            key = (int(self.p.c_fixture[carrier]), *self.p.fits[carrier].tolist(), *self.p.room[carrier].tolist(), closed)
            found.setdefault(key, []).append(carrier)
        return list(found.values())

    def _var(self, low: int, high: int, hint: int) -> cp_model.IntVar:
        variable = self.model.new_int_var(low, high, "")
        self.model.add_hint(variable, hint)
        return variable

    def _literal(self, hint: bool) -> Literal:
        literal = self.model.new_bool_var("")
        self.model.add_hint(literal, hint)
        return literal

    def _when(self, constraint: cp_model.BoundedLinearExpression | bool, *literals: cp_model.LiteralT) -> None:
        self.model.add(constraint).only_enforce_if(*literals)  # pyright: ignore[reportUnknownMemberType]

    def _slot(self, trip: Trip) -> Slot:
        """A run with its tasks in sequence (F2), what it may hold (F3) and where it may go (F5)."""
        p, fixture = self.p, int(self.p.c_fixture[trip.carrier])
        times = [[self._var(0, self.horizon, value) for value in column] for column in (trip.at, trip.end)]
        sizes = [self._between(trip.end[last] - trip.at[first], times[0][first], times[1][last]) for first, last in SPANS]
        slot = Slot(fixture, self._literal(hint=True), times[0], times[1], sizes)
        for end, begin in zip(slot.end, slot.at[1:], strict=False):
            self.model.add(end <= begin)
        self._fill(slot, dict(trip.pieces))
        total = sum(slot.pieces.values())
        self.model.add(slot.end[0] == slot.at[0] + int(p.f_load[fixture]) + int(p.f_load_piece[fixture]) * total)
        self.model.add(slot.end[4] == slot.at[4] + int(p.f_unload[fixture]) + int(p.f_unload_piece[fixture]) * total)
        groups = [g for g, own in enumerate(self.groups) if p.c_fixture[own[0]] == fixture and not p.c_build[own[0]]]
        slot.plates = {g: self._literal(trip.carrier in self.groups[g]) for g in groups}
        fit = [m for m in range(len(p.m_place)) if any(p.fits[self.groups[g][0], m] for g in groups)]
        slot.machines = {m: self._literal(trip.machine == m) for m in fit}
        for task, skill in HAND_SKILLS.items():
            slot.hands[task] = {u: self._literal(trip.by[task] == u) for u in range(p.can.shape[1]) if p.can[skill, u]}
        for choice in (slot.plates, slot.machines, *slot.hands.values()):
            self.model.add(sum(choice.values()) == slot.used)
        self._weigh(slot)
        self._lengths(slot)
        self._intervals(slot)
        return slot

    def _fill(self, slot: Slot, planned: dict[int, int]) -> None:
        """Pieces by item, up to the nests of their op; at least one where the run is made (F3)."""
        by_step: dict[int, list[cp_model.IntVar]] = defaultdict(list)
        steps = [int(step) for step in self.p.nests[slot.fixture].nonzero()[0]]
        for item in (item for step in steps for item in self.items.get(step, [])):
            nests = int(self.p.nests[slot.fixture, self.p.i_step[item]])
            least, most = (0, min(nests, int(self.p.i_need[item]))) if self.fills_free else (planned.get(item, 0),) * 2
            pieces = self._var(least, most, planned.get(item, 0))
            holds = self._literal(item in planned)
            self._when(pieces >= 1, holds)
            self._when(pieces == 0, ~holds)
            self.model.add_implication(holds, slot.used)
            slot.pieces[item], slot.holds[item] = pieces, holds
            by_step[int(self.p.i_step[item])].append(pieces)
            if self.p.i_ready[item] < 0:  # raw stock, there from the release on (F14)
                self._when(slot.at[0] >= int(self.p.o_release[self.p.i_order[item]]), holds)
        self.model.add_bool_or([~slot.used, *slot.holds.values()])
        for step, own in by_step.items():
            self.model.add(sum(own) <= int(self.p.nests[slot.fixture, step]))

    def _weigh(self, slot: Slot) -> None:
        """Plates and mills that do not go together, and stock that would be too heavy (F5)."""
        p = self.p
        stock = {item: int(p.s_stock[p.i_step[item]]) for item in slot.pieces}
        most = sum(int(p.nests[slot.fixture, step]) * int(p.s_stock[step]) for step in {int(p.i_step[item]) for item in stock})
        for group, plate in slot.plates.items():
            for machine, mill in slot.machines.items():
                carrier = self.groups[group][0]
                if not p.fits[carrier, machine]:
                    self.model.add_bool_or([~plate, ~mill])
                elif int(p.room[carrier, machine]) < most:
                    mass = sum(slot.pieces[item] * kilos for item, kilos in stock.items())
                    self._when(mass <= int(p.room[carrier, machine]), plate, mill)

    def _lengths(self, slot: Slot) -> None:
        """How long place, cut and pull take on the mill (F1); a cut is rounded up to the second."""
        p = self.p
        work = int(p.f_cycle[slot.fixture]) + sum(int(p.s_cut[p.i_step[item]]) * pieces for item, pieces in slot.pieces.items())
        for task, lengths in ((1, p.m_place), (3, p.m_pull)):
            length = sum(int(lengths[m]) * mill for m, mill in slot.machines.items())
            self.model.add(slot.end[task] == slot.at[task] + length)
        for machine, mill in slot.machines.items():
            above, below = (int(n) for n in p.m_factor[machine])
            rest = below * (slot.end[CUT] - slot.at[CUT]) - above * work
            self._when(rest >= 0, mill)
            self._when(rest <= below - 1, mill)

    def _intervals(self, slot: Slot) -> None:
        """What the run occupies, of each thing that it may be on."""
        for machine, mill in slot.machines.items():
            tasks = [self._interval(slot, task, mill) for task in (1, CUT, 3)]
            self.cuts[machine].append(tasks[1])
            self.places[machine] += [tasks[0], tasks[2]]
            self.tables[machine].append(self._interval(slot, ON_MILL, mill))
        for group, plate in slot.plates.items():
            self.held[group].append(self._interval(slot, ON_PLATE, plate))
            if self.p.l_open[self.p.c_plate[self.groups[group][0]]] >= 0:
                self.touched[group] += [self._interval(slot, task, plate) for task in range(5)]
        for task, hands in slot.hands.items():
            for operator, by in hands.items():
                self.work[operator].append(self._interval(slot, task, by))

    def _interval(self, slot: Slot, span: int, there: Literal) -> cp_model.IntervalVar:
        first, last = SPANS[span]
        return self.model.new_optional_interval_var(slot.at[first], slot.sizes[span], slot.end[last], there, "")

    def _between(self, hint: int, at: cp_model.IntVar, end: cp_model.IntVar) -> cp_model.IntVar:
        size = self._var(0, self.horizon, hint)
        self.model.add(at + size == end)
        return size

    def _all_pieces(self) -> None:
        """Every piece is in a run (F13)."""
        for step, own in self.items.items():
            slots = [slot for slot in self.slots if self.p.nests[slot.fixture, step]]
            for item in own:
                self.model.add(sum(slot.pieces[item] for slot in slots) == int(self.p.i_need[item]))

    def _closed(self, number: int) -> list[cp_model.IntervalVar]:
        """Blocks between the spans of a calendar list."""
        at, blocks = 0, list[cp_model.IntervalVar]()
        spans = self.p.lists[self.p.list_from[number]:self.p.list_from[number + 1]].tolist()
        for begin, end in [*spans, [self.horizon, self.horizon]]:
            if begin > at:
                blocks.append(self.model.new_fixed_size_interval_var(at, begin - at, ""))
            at = max(at, end)
        return blocks

    def _resources(self) -> None:
        """Everybody and everything does one thing at a time, around the time in which it is not there (F4, F6, F7, F9, F11, F17)."""
        p, model = self.p, self.model
        for operator, own in self.work.items():
            model.add_no_overlap([*own, *self._closed(int(p.l_operator[operator]))])
        for machine, own in self.tables.items():
            if p.m_places[machine] == 1:
                model.add_no_overlap(own)
            else:
                model.add_cumulative(own, [1] * len(own), int(p.m_places[machine]))
                model.add_no_overlap([*self.places[machine], *self.cuts[machine]])
            model.add_no_overlap([*self.cuts[machine], *self._closed(int(p.l_cut[machine]))])
            if closed := self._closed(int(p.l_spindle[machine])):
                model.add_no_overlap([*self.places[machine], *closed])
        for group, own in self.held.items():
            model.add_cumulative(own, [1] * len(own), len(self.groups[group]))
        for group, own in self.touched.items():
            model.add_no_overlap([*own, *self._closed(int(p.l_open[p.c_plate[self.groups[group][0]]]))])

    def _flow(self, item: int) -> None:
        """Stock between two ops is never negative (F14): what is loaded up to a run was unloaded, and waited, before its load.

        The slots that may hold the item are sorted by their loads, so "up to a run" is a prefix of them.
        """
        p = self.p
        maker = next(before for before in range(len(p.i_next)) if p.i_next[before] == item)
        wait = int(p.s_after[p.i_step[maker]])
        users = [slot for slot in self.slots if item in slot.pieces]
        makers = [slot for slot in self.slots if maker in slot.pieces]
        planned = {id(slot): trip for slot, trip in zip(self.slots, self.trips, strict=True)}
        for number, user in enumerate(users, start=1):
            arrived: list[cp_model.LinearExprT] = []
            for source in makers:
                if source is user:
                    continue
                there = planned[id(source)].end[4] + wait <= planned[id(user)].at[0]
                in_time = self._in_time(source, user, wait, there)
                most = int(p.nests[source.fixture, p.i_step[maker]])
                made = self._var(0, most, dict(planned[id(source)].pieces).get(maker, 0) if there else 0)
                self.model.add(made <= source.pieces[maker])
                self._when(made == 0, ~in_time)
                arrived.append(made)
            self.model.add(sum(slot.pieces[item] for slot in users[:number]) <= int(p.i_ready[item]) + sum(arrived))

    def _in_time(self, source: Slot, user: Slot, wait: int, hint: bool) -> Literal:
        """A literal that says: what `source` made can lie in `user`; one for all items of an op."""
        key = (id(source), id(user), wait)
        if key not in self.before:
            self.before[key] = self._literal(hint)
            self._when(source.end[4] + wait <= user.at[0], self.before[key])
        return self.before[key]

    def _objective(self) -> None:
        """Lateness, finish and makespan in whole units of the rates (F19, F20)."""
        p, rates = self.p, whole_rates(self.problem)
        planned: dict[int, int] = defaultdict(int)
        for trip in self.trips:
            for item, _ in trip.pieces:
                order = int(p.i_order[item])
                planned[order] = max(planned[order], trip.end[4] + int(p.s_after[p.i_step[item]]))
        wait = int(p.s_after.max(initial=0))
        makespan = self._var(0, self.horizon + wait, max(planned.values(), default=0))
        terms: list[cp_model.LinearExprT] = [rates.makespan * makespan]
        ends: dict[int, list[tuple[Slot, int]]] = defaultdict(list)
        for slot in self.slots:
            for item in slot.holds:
                ends[int(p.i_order[item])].append((slot, item))
        for order, hint in planned.items():
            due = int(p.o_due[order])
            finish = self._var(0, self.horizon + wait, hint)
            late = self._var(0, max(0, self.horizon + wait - due), max(0, hint - due))
            self.model.add(late >= finish - due)
            self.model.add(makespan >= finish)
            terms += [rates.finish[order] * finish, rates.late[order] * late]
            for slot, item in ends[order]:
                self._when(finish >= slot.end[4] + int(p.s_after[p.i_step[item]]), slot.holds[item])
        self.model.minimize(sum(terms))

    def read(self, solver: cp_model.CpSolver) -> list[Trip]:
        """The runs that are made, each on a plate of its own among those that are alike."""
        made = [slot for slot in self.slots if solver.boolean_value(slot.used)]
        free_from = [0] * len(self.p.c_plate)
        trips: list[Trip] = []
        for slot in sorted(made, key=lambda slot: solver.value(slot.at[0])):
            at, end = ([solver.value(variable) for variable in column] for column in (slot.at, slot.end))
            group = self.groups[_chosen(solver, slot.plates)]
            carrier = min(group, key=lambda c: free_from[c])
            free_from[carrier] = end[4]
            pieces = tuple((item, n) for item, variable in slot.pieces.items() if (n := solver.value(variable)))
            by = [_chosen(solver, slot.hands[task]) if task in slot.hands else -1 for task in range(5)]
            trips.append(Trip(carrier, _chosen(solver, slot.machines), pieces, tuple(at), tuple(end), tuple(by)))
        return trips


def _chosen(solver: cp_model.CpSolver, choice: dict[int, Literal]) -> int:
    return next(key for key, literal in choice.items() if solver.boolean_value(literal))
