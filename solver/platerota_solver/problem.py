"""The request as arrays: what the compiled kernel reads. Times are whole seconds from `now`; masses are milligrams.

Everything with an id becomes a row number in the order of the input, so that the same tables in the same order give the
same arrays. A *carrier* is a plate with a fixture on it: every plate that has one, and every build that could be made.
An *item* is one operation of one order; a *step* is one operation of one part.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from platerota_shared.fields import Skill
from platerota_shared.tables import Fixture, Machine, Order, PlanRequest, Plate, RunningCut, WaitingRun
from platerota_solver.calendar_lists import calendar_lists

Ints = npt.NDArray[np.int64]

SKILLS: tuple[Skill, ...] = ("load", "unload", "exchange", "setup", "first_article", "bench", "build")
LOAD, UNLOAD, EXCHANGE, SETUP, FIRST_ARTICLE, BENCH, BUILD = range(7)
NO_LIMIT = 2**60


class Arrays(NamedTuple):
    """The shop and its orders as the kernel reads them; every field an int64 array (1-, 2- or 3-dimensional)."""

    horizon: Ints  # [1] seconds from now to the horizon's end
    m_place: Ints  # per machine: seconds
    m_pull: Ints
    m_auto: Ints  # 1 where the exchange is automatic
    m_places: Ints  # positions less the plates that stay
    m_exchange: Ints  # spindle wait between two plates, automatic only
    m_factor: Ints  # [machine, 2] numerator and denominator of cut_factor
    m_last: Ints  # fixture whose tools are on the machine, -1 unknown
    setup: Ints  # [machine, previous fixture + 1, fixture] setup seconds
    c_plate: Ints  # per carrier
    c_fixture: Ints
    c_build: Ints  # build seconds, 0 where the plate carries the fixture already
    fits: Ints  # [carrier, machine] 1 where the bare carrier fits
    room: Ints  # [carrier, machine] milligrams left for stock
    p_stays: Ints  # machine a plate stays in, -1 none
    f_load: Ints  # per fixture: seconds per run, clamps included
    f_load_piece: Ints
    f_unload: Ints
    f_unload_piece: Ints
    f_cycle: Ints
    nests: Ints  # [fixture, step] pieces
    s_cut: Ints  # per step: seconds per piece
    s_stock: Ints  # milligrams per piece
    s_bench: Ints
    s_after: Ints
    s_first: Ints  # first-article seconds
    i_order: Ints  # per item
    i_step: Ints
    i_need: Ints  # pieces still to cut
    i_ready: Ints  # pieces that wait for this op at now (first op: -1, raw stock)
    i_first: Ints  # 1 where a first article is needed
    i_next: Ints  # the item of the next op, -1 for the last
    o_items: Ints  # [order, 2] first item and one past the last
    o_release: Ints
    o_due: Ints
    floor_runs: Ints  # [run, 6] carrier, stage, machine (-1 none), cut end, first and last row of floor_pieces
    floor_pieces: Ints  # [row, 2] item, pieces
    can: Ints  # [skill, operator] 1 where allowed
    step_carriers: Ints  # flat: carriers with a nest for the step
    step_from: Ints  # [step + 1] offsets into step_carriers
    lists: Ints  # flat spans: start, end pairs of every calendar list
    list_from: Ints  # [list + 1] offsets (in spans)
    l_operator: Ints  # list number of each operator's regular time
    l_overtime: Ints  # list number of each operator's overtime
    l_spindle: Ints  # per machine: open time
    l_station: Ints  # per machine: the same list by hand, one of its own where automatic
    l_table: Ints  # per machine with one position: when no plate is on it
    l_cut: Ints  # per machine: when a cut may run (closures and unattended limits), never booked
    l_plate: Ints  # per plate: when no run holds it
    l_open: Ints  # per plate: when it is not closed, never booked; -1 always open
    k_runs: Ints  # [run, RUN_COLUMNS] runs of a plan that may be kept (kernel.keeping), by their cuts
    k_pieces: Ints  # [row, PIECE_COLUMNS]
    k_built: Ints  # [carrier, 3] their builds: operator list, start, end; -1 none
    k_floor: Ints  # per run of the floor: the run of that plan that goes on with it, -1 none
    k_tasks: Ints  # per run of that plan: tasks that count as moved where it is not kept
    k_total: Ints  # [1] all tasks of that plan that count


@dataclass(frozen=True)
class Wish:
    """What is looked for besides the score: an order finished early, perhaps without harm to others.

    Attributes
    ----------
    order
        Its row.
    finish
        Points for each second from now to its finish.
    harm_from
        Per order: seconds from now after which its finish harms somebody, infinite where it cannot; None: harm is no matter.
    """

    order: int
    finish: float
    harm_from: npt.NDArray[np.float64] | None


@dataclass(frozen=True)
class Problem:
    """The request beside its arrays, and the names of its rows."""

    request: PlanRequest
    arrays: Arrays
    carriers: tuple[tuple[Plate, Fixture], ...]
    items: tuple[tuple[Order, int], ...]
    wish: Wish | None = None
    frozen: tuple[int, ...] = ()
    """Runs of `Arrays.k_runs` that no search lets go."""

    @cached_property
    def late_rate(self) -> npt.NDArray[np.float64]:
        """Points per second of lateness, by order."""
        rate = self.request.settings.score.late_hour / 3600
        return np.array([rate * order.weight for order in self.request.orders], dtype=np.float64)

    @cached_property
    def finish_rate(self) -> npt.NDArray[np.float64]:
        """Points per second from now to the finish, by order."""
        rate = self.request.settings.score.finish_hour / 3600
        return np.array([rate * order.weight for order in self.request.orders], dtype=np.float64)


def milligrams(kilograms: float) -> int:
    """A mass in whole milligrams, so that sums compare exactly."""
    return round(kilograms * 1_000_000)


def fits_travels(machine: Machine, size_x: float, size_y: float) -> bool:
    """Whether a plate lies within the travels in either orientation (F5)."""
    low, high = sorted((size_x, size_y))
    near, far = sorted((machine.travel_x, machine.travel_y))
    return low <= near and high <= far


def build_problem(request: PlanRequest) -> Problem:
    """Turn a checked request into arrays."""
    shop = request.shop
    fixture_row = {fixture.id: row for row, fixture in enumerate(shop.fixtures)}
    machine_row = {machine.id: row for row, machine in enumerate(shop.machines)}
    steps = {(operation.part, operation.op): row for row, operation in enumerate(shop.operations)}
    nests = np.zeros((len(shop.fixtures), max(1, len(steps))), dtype=np.int64)
    for nest in shop.nests:
        if (nest.part, nest.op) in steps:
            nests[fixture_row[nest.fixture], steps[nest.part, nest.op]] = nest.count
    tools = _fixture_tools(request, nests)
    carriers = _carriers(request, nests)
    fits, room = _fit(request, carriers, tools)
    item_fields, items = _items(request, steps)
    step_from, step_carriers = _step_carriers(carriers, fixture_row, nests)
    plate_row = {plate.id: row for row, plate in enumerate(shop.plates)}
    stays = _ints(machine_row[plate.stays_in] if plate.stays_in else -1 for plate in shop.plates)
    places = np.array([machine.places for machine in shop.machines], dtype=np.int64)
    for row in stays:
        if row >= 0:
            places[row] -= 1
    staying = np.array([plate.stays_in is not None for plate, _ in carriers], dtype=bool)
    fits[np.ix_(~staying, places <= 0)] = 0
    factors = [Fraction(str(machine.cut_factor)) for machine in shop.machines]
    arrays = Arrays(
        horizon=_ints([request.horizon_end - request.now]),
        m_place=_ints(m.place_seconds for m in shop.machines),
        m_pull=_ints(m.pull_seconds for m in shop.machines),
        m_auto=_ints(int(m.automatic) for m in shop.machines),
        m_places=places,
        m_exchange=_ints(m.exchange_seconds if m.automatic else 0 for m in shop.machines),
        m_factor=np.array([[f.numerator, f.denominator] for f in factors], dtype=np.int64).reshape(-1, 2),
        m_last=_last_fixtures(request, fixture_row, machine_row),
        setup=_setups(request, tools),
        c_plate=_ints(plate_row[plate.id] for plate, _ in carriers),
        c_fixture=_ints(fixture_row[fixture.id] for _, fixture in carriers),
        c_build=_ints(0 if plate.fixture == fixture.id else max(1, fixture.build_seconds or 0) for plate, fixture in carriers),
        fits=fits,
        room=room,
        p_stays=stays,
        f_load=_ints(f.load_seconds + f.clamps * f.clamp_seconds for f in shop.fixtures),
        f_load_piece=_ints(f.load_piece_seconds for f in shop.fixtures),
        f_unload=_ints(f.unload_seconds + f.clamps * f.release_seconds for f in shop.fixtures),
        f_unload_piece=_ints(f.unload_piece_seconds for f in shop.fixtures),
        f_cycle=_ints(f.cycle_seconds for f in shop.fixtures),
        nests=nests,
        s_cut=_ints(o.cut_seconds for o in shop.operations),
        s_stock=_ints(milligrams(o.stock_mass) for o in shop.operations),
        s_bench=_ints(o.bench_seconds for o in shop.operations),
        s_after=_ints(o.after_seconds for o in shop.operations),
        s_first=_ints(o.first_article_seconds for o in shop.operations),
        o_release=_ints(max(0, (o.release if o.release is not None else request.now) - request.now) for o in request.orders),
        o_due=_ints(o.due - request.now for o in request.orders),
        can=np.array([[int(u.can(skill)) for u in shop.operators] for skill in SKILLS], dtype=np.int64).reshape(7, -1),
        step_carriers=step_carriers,
        step_from=step_from,
        **item_fields,
        **_floor(request, carriers, machine_row, items),
        **calendar_lists(request),
        **_nothing_kept(len(carriers), request),
    )
    return Problem(request, arrays, carriers, items)


def _nothing_kept(carriers: int, request: PlanRequest) -> dict[str, Ints]:
    """No run of another plan to keep (`keeping` puts them in)."""
    floor_runs = len({cut.plate for cut in request.floor.running} | {run.plate for run in request.floor.waiting})
    return {
        "k_runs": np.zeros((0, 1), dtype=np.int64), "k_pieces": np.zeros((0, 1), dtype=np.int64),
        "k_built": np.full((max(1, carriers), 3), -1, dtype=np.int64), "k_floor": np.full(floor_runs, -1, dtype=np.int64),
        "k_tasks": np.zeros(0, dtype=np.int64), "k_total": np.zeros(1, dtype=np.int64),
    }


def _ints(values: object) -> Ints:
    return np.array(list(values), dtype=np.int64)  # type: ignore[call-overload]


def _fixture_tools(request: PlanRequest, nests: Ints) -> list[frozenset[str]]:
    """The tools of every op in a fixture's nests (F5, F8), by fixture."""
    operations = request.shop.operations
    return [
        frozenset(tool for step, operation in enumerate(operations) if nests[row, step] for tool in operation.tools)
        for row in range(len(request.shop.fixtures))
    ]


def _carriers(request: PlanRequest, nests: Ints) -> tuple[tuple[Plate, Fixture], ...]:
    """Plates with their fixtures, then every build a blank plate allows (F16), in the order of the input."""
    fixtures = {fixture.id: fixture for fixture in request.shop.fixtures}
    standing = [(plate, fixtures[plate.fixture]) for plate in request.shop.plates if plate.fixture is not None]
    possible = [
        (plate, fixture)
        for row, fixture in enumerate(request.shop.fixtures)
        if fixture.build_seconds is not None and nests[row].any()
        for plate in request.shop.plates
        if plate.fixture is None and takes_build(plate, fixture)
    ]
    return tuple(standing + possible)


def takes_build(plate: Plate, fixture: Fixture) -> bool:
    """Whether `fixture` can be built on the blank `plate`: its mount, and its least size in either orientation (F16)."""
    if fixture.mount is not None and fixture.mount != plate.mount:
        return False
    need_x, need_y = fixture.min_size_x or 0.0, fixture.min_size_y or 0.0
    straight = plate.size_x >= need_x and plate.size_y >= need_y
    return straight or (plate.size_x >= need_y and plate.size_y >= need_x)


def _fit(request: PlanRequest, carriers: tuple[tuple[Plate, Fixture], ...], tools: list[frozenset[str]]) -> tuple[Ints, Ints]:
    """Which carrier fits which machine (F5), and the milligrams that machine's table leaves for stock."""
    machines = request.shop.machines
    row = {fixture.id: number for number, fixture in enumerate(request.shop.fixtures)}
    fits = np.zeros((len(carriers), len(machines)), dtype=np.int64)
    room = np.zeros((len(carriers), len(machines)), dtype=np.int64)
    for c, (plate, fixture) in enumerate(carriers):
        for m, machine in enumerate(machines):
            bare = milligrams(plate.mass) + milligrams(fixture.mass)
            room[c, m] = NO_LIMIT if machine.max_mass is None else milligrams(machine.max_mass) - bare
            slots = len(tools[row[fixture.id]] | frozenset(machine.tools))
            fits[c, m] = int(
                plate.mount == machine.mount
                and fits_travels(machine, plate.size_x, plate.size_y)
                and room[c, m] >= 0
                and (not fixture.machines or machine.id in fixture.machines)
                and (machine.tool_slots is None or slots <= machine.tool_slots)
                and plate.stays_in in (None, machine.id)
            )
    return fits, room


def _setups(request: PlanRequest, tools: list[frozenset[str]]) -> Ints:
    """Setup seconds by machine, previous fixture (row 0: unknown) and fixture (F8); 0 where none is needed."""
    machines = request.shop.machines
    count = len(tools)
    table = np.zeros((len(machines), count + 1, count), dtype=np.int64)
    for m, machine in enumerate(machines):
        if machine.setup_seconds == 0 and (machine.tool_load_seconds == 0 or not any(tools)):
            continue
        resident = frozenset(machine.tools)
        for before in range(-1, count):
            held = resident | (tools[before] if before >= 0 else frozenset[str]())
            for after in range(count):
                if before != after:
                    table[m, before + 1, after] = machine.setup_seconds + machine.tool_load_seconds * len(tools[after] - held)
    return table


def _last_fixtures(request: PlanRequest, fixture_row: dict[str, int], machine_row: dict[str, int]) -> Ints:
    """The fixture last cut on each machine before the plan's first cut (F8), -1 where unknown."""
    last = np.full(len(machine_row), -1, dtype=np.int64)
    carried = {plate.id: plate.fixture for plate in request.shop.plates}
    for row in request.floor.last_fixtures:
        last[machine_row[row.machine]] = fixture_row[row.fixture]
    for cut in request.floor.running:
        fixture = carried[cut.plate]
        if fixture is not None:
            last[machine_row[cut.machine]] = fixture_row[fixture]
    return last


def _items(request: PlanRequest, steps: dict[tuple[str, int], int]) -> tuple[dict[str, Ints], tuple[tuple[Order, int], ...]]:
    """The operations of every order in op order, with the pieces each still needs (F13)."""
    ops: dict[str, list[int]] = {}
    for part, op in steps:
        ops.setdefault(part, []).append(op)
    done: dict[tuple[str, int], int] = {}
    for row in request.floor.pieces:
        done[row.order, row.op] = done.get((row.order, row.op), 0) + row.pieces
    away: dict[tuple[str, int], int] = {}
    under_way: list[RunningCut | WaitingRun] = [*request.floor.running, *request.floor.waiting]
    for run in under_way:
        away[run.order, run.op] = away.get((run.order, run.op), 0) + run.pieces
    items: list[tuple[Order, int]] = []
    fields: dict[str, list[int]] = {name: [] for name in ("i_order", "i_step", "i_need", "i_ready", "i_first", "i_next")}
    ranges: list[list[int]] = []
    for number, order in enumerate(request.orders):
        own = sorted(ops.get(order.part, ()))
        first = len(items)
        for place, op in enumerate(own):
            past = sum(done.get((order.id, later), 0) for later in own[place:])
            beyond = sum(away.get((order.id, later), 0) for later in own[place + 1:])
            running = away.get((order.id, op), 0)
            step = steps[order.part, op]
            fields["i_order"].append(number)
            fields["i_step"].append(step)
            fields["i_need"].append(max(0, order.quantity - past - beyond - running))
            fields["i_ready"].append(-1 if place == 0 else done.get((order.id, own[place - 1]), 0))
            fields["i_first"].append(int(request.shop.operations[step].first_article_seconds > 0 and past + beyond == 0))
            fields["i_next"].append(len(items) + 1 if place + 1 < len(own) else -1)
            items.append((order, op))
        ranges.append([first, len(items)])
    arrays = {name: np.array(values, dtype=np.int64) for name, values in fields.items()}
    arrays["o_items"] = np.array(ranges, dtype=np.int64).reshape(-1, 2)
    return arrays, tuple(items)


def _floor(
    request: PlanRequest, carriers: tuple[tuple[Plate, Fixture], ...], machine_row: dict[str, int], items: tuple[tuple[Order, int], ...],
) -> dict[str, Ints]:
    """The runs under way at `now`, those whose cut is over first, then by how near to the bench they are."""
    stages = {"loaded": 1, "placed": 2, "cut": 4, "pulled": 5}
    item_row = {(order.id, op): number for number, (order, op) in enumerate(items)}
    carrier_row = {plate.id: number for number, (plate, fixture) in enumerate(carriers) if plate.fixture == fixture.id}
    found: dict[str, tuple[int, int, int, list[tuple[int, int]]]] = {}
    for cut in request.floor.running:
        run = found.setdefault(cut.plate, (3, machine_row[cut.machine], cut.cut_end - request.now, []))
        run[3].append((item_row[cut.order, cut.op], cut.pieces))
    for wait in request.floor.waiting:
        machine = machine_row[wait.machine] if wait.machine else -1
        run = found.setdefault(wait.plate, (stages[wait.stage], machine, 0, []))
        run[3].append((item_row[wait.order, wait.op], wait.pieces))
    runs: list[list[int]] = []
    pieces: list[tuple[int, int]] = []
    for plate, (stage, machine, cut_end, rows) in sorted(found.items(), key=lambda run: -run[1][0]):
        carrier = carrier_row[plate]
        stays = request.shop.plates[[p.id for p in request.shop.plates].index(plate)].stays_in
        machine = machine_row[stays] if stays else machine
        runs.append([carrier, stage, machine, cut_end, len(pieces), len(pieces) + len(rows)])
        pieces.extend(rows)
    return {
        "floor_runs": np.array(runs, dtype=np.int64).reshape(-1, 6), "floor_pieces": np.array(pieces, dtype=np.int64).reshape(-1, 2),
    }


def _step_carriers(carriers: tuple[tuple[Plate, Fixture], ...], fixture_row: dict[str, int], nests: Ints) -> tuple[Ints, Ints]:
    """For each step the carriers with a nest for it, as offsets and a flat list."""
    offsets, flat = [0], list[int]()
    for step in range(nests.shape[1]):
        flat.extend(c for c, (_, fixture) in enumerate(carriers) if nests[fixture_row[fixture.id], step])
        offsets.append(len(flat))
    return _ints(offsets), _ints(flat)
