"""Contradictions in what is said to be under way at `now` (F3, F5, F6, F10, F13, F18)."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from platerota_shared.checks.fit import Fits
from platerota_shared.faults import Fault, listed
from platerota_shared.records import Record
from platerota_shared.request_tables import RequestTables
from platerota_shared.tables import Plate, RunningCut, WaitingRun

FloorRecord = Record[RunningCut] | Record[WaitingRun]


@dataclass(slots=True)
class _Run:
    """The rows of one plate: its stage (`cutting` where it runs) and machine as the first row has them."""

    plate: Plate
    stage: str
    machine: str | None
    rows: list[tuple[FloorRecord, RunningCut | WaitingRun]]

    @property
    def first(self) -> FloorRecord:
        """The record that names the run's place."""
        return self.rows[0][0]

    @property
    def inside(self) -> bool:
        """Whether the plate is in a machine."""
        return self.stage in ("cutting", "placed", "cut")


def floor_contradictions(tables: RequestTables, fits: Fits) -> Iterator[Fault]:
    """A fault for each thing on the floor that cannot be as it is said to be."""
    runs: dict[str, _Run] = {}
    for record, row in _rows(tables):
        yield from _join(tables, runs, record, row)
    for run in runs.values():
        misplaced = list(_machine(run))
        yield from misplaced
        mispacked = list(_load(tables, run))
        yield from mispacked
        if not misplaced and not mispacked:
            yield from _fit(tables, fits, run)
    yield from _cut_ends(tables)
    yield from _two_cuts(runs.values())
    yield from _crowded(tables, runs.values())
    yield from _too_many_pieces(tables)


def _rows(tables: RequestTables) -> Iterator[tuple[FloorRecord, RunningCut | WaitingRun]]:
    """The good rows whose plate, machine and order are known."""
    yield from ((record, row) for record, row in tables.running.good() if not record.doubts)
    yield from ((record, row) for record, row in tables.waiting.good() if not record.doubts)


def _join(tables: RequestTables, runs: dict[str, _Run], record: FloorRecord, row: RunningCut | WaitingRun) -> Iterator[Fault]:
    """Add a row to the run of its plate, or say why it cannot be part of it."""
    plate_record = tables.plates.by_id().get(row.plate)
    if plate_record is None or plate_record.row is None or plate_record.doubts:
        return
    stage = "cutting" if isinstance(row, RunningCut) else row.stage
    run = runs.setdefault(row.plate, _Run(plate_record.row, stage, row.machine, []))
    if run.rows and (stage == "cutting") != (run.stage == "cutting"):
        yield Fault(
            record.pointer + "/plate", "plate-twice", f"{record.label}: plate {row.plate} is being cut, so it cannot wait as well",
            "keep it in running or in waiting",
        )
        return
    if run.rows and (field := _difference(run, row, stage)) is not None:
        yield Fault(
            f"{record.pointer}/{field}", "run-disagrees", f"{record.label}: {field} is not that of the other rows of plate {row.plate}",
            "give all rows of one plate the same; they are one run",
        )
        return
    run.rows.append((record, row))


def _difference(run: _Run, row: RunningCut | WaitingRun, stage: str) -> str | None:
    if row.machine != run.machine:
        return "machine"
    if stage != run.stage:
        return "stage"
    first = run.rows[0][1]
    return "cut_end" if isinstance(row, RunningCut) and isinstance(first, RunningCut) and row.cut_end != first.cut_end else None


def _machine(run: _Run) -> Iterator[Fault]:
    place, label, plate = run.first.pointer, run.first.label, run.plate
    if run.inside and run.machine is None:
        mend = "name the machine"
        yield Fault(f"{place}/machine", "machine-missing", f"{label}: plate {plate.id} is {run.stage}, but no machine is named", mend)
    if not run.inside and run.machine is not None:
        yield Fault(
            f"{place}/machine", "machine-not-due", f"{label}: plate {plate.id} is {run.stage}, so it is in no machine",
            "leave the machine out, or use stage placed or cut",
        )
    if plate.stays_in is not None and run.stage in ("placed", "pulled"):
        instead = "loaded" if run.stage == "placed" else "cut"
        yield Fault(
            f"{place}/stage", "stage-never", f"{label}: plate {plate.id} stays in {plate.stays_in} and is never {run.stage}",
            f"use stage {instead}",
        )
    if plate.stays_in is not None and run.inside and run.machine not in (None, plate.stays_in):
        yield Fault(
            f"{place}/machine", "stays-elsewhere", f"{label}: plate {plate.id} stays in {plate.stays_in}, so it cannot be in {run.machine}",
            "name that machine, or mend stays_in",
        )


def _load(tables: RequestTables, run: _Run) -> Iterator[Fault]:
    """Pieces against the nests of the plate's fixture."""
    if run.plate.fixture is None:
        yield Fault(
            run.first.pointer + "/plate", "plate-without-fixture",
            f"{run.first.label}: plate {run.plate.id} carries no fixture, so it holds no pieces", "name the fixture on the plate",
        )
        return
    fixture = run.plate.fixture
    room = {(nest.part, nest.op): nest.count for nest in tables.nests_by_fixture.get(fixture, ())}
    for (part, op), (count, record) in _counts(tables, run).items():
        if tables.nests.may_hold(fixture=fixture, part=part, op=op) or tables.fixtures.may_hold(id=fixture):
            continue
        if (part, op) not in room:
            yield Fault(
                record.pointer + "/op", "nest-missing", f"{record.label}: fixture {fixture} has no nest for part {part} op {op}",
                "mend the plate, the order or the op, or add the nest",
            )
        elif count > room[part, op]:
            yield Fault(
                record.pointer + "/pieces", "nests-overfilled",
                f"{record.label}: {count} pieces of part {part} op {op}, but fixture {fixture} has {room[part, op]} nests for it",
                f"give at most {room[part, op]} pieces",
            )


def _counts(tables: RequestTables, run: _Run) -> dict[tuple[str, int], tuple[int, FloorRecord]]:
    """Pieces of a run by part and op, with the last row that has some; those of an order in doubt left out."""
    counts: dict[tuple[str, int], tuple[int, FloorRecord]] = {}
    for record, row in run.rows:
        order = tables.orders.row(row.order)
        if order is not None and not tables.orders.by_id()[row.order].doubts:
            before = counts.get((order.part, row.op))
            counts[order.part, row.op] = (row.pieces + (before[0] if before is not None else 0), record)
    return counts


def _fit(tables: RequestTables, fits: Fits, run: _Run) -> Iterator[Fault]:
    """The loaded plate against the machine it is in, or against all where it waits at the bench."""
    fixture, plate = tables.fixtures.row(run.plate.fixture), run.plate
    stock = sum(fits.stock(part, op) * count for (part, op), (count, _) in _counts(tables, run).items())
    if fits.doubtful(plate) or tables.nests.may_hold(fixture=plate.fixture) or run.stage == "pulled":
        return
    if run.inside:
        machine = tables.machines.row(run.machine)
        reason = fits.misfit(plate, machine, fixture, stock) if machine is not None else None
        if reason is not None:
            words = f"{run.first.label}: plate {plate.id} cannot be in {run.machine}: {reason}"
            yield Fault(run.first.pointer + "/machine", "run-misfit", words, "mend the machine, the plate, or the pieces on it")
    elif next(fits.machines_for(plate, fixture, stock), None) is None:
        reasons = fits.reasons(plate, fixture, stock)
        words = f"{run.first.label}: no machine takes plate {plate.id} with its {stock:g} kg of pieces: {reasons}"
        yield Fault(run.first.pointer + "/plate", "run-misfit", words, "mend the plate, the machines' limits, or the pieces on it")


def _cut_ends(tables: RequestTables) -> Iterator[Fault]:
    if tables.now is None:
        return
    for record, row in tables.running.good():
        if row.cut_end <= tables.now:
            words = f"{record.label}: the cut of plate {row.plate} ends at or before now"
            yield Fault(record.pointer + "/cut_end", "cut-end-past", words, "give its coming end, or move it to waiting with stage cut")
        elif tables.horizon_end is not None and row.cut_end > tables.horizon_end:
            words = f"{record.label}: the cut of plate {row.plate} ends after the horizon"
            yield Fault(record.pointer + "/cut_end", "cut-end-beyond", words, "look for a mistyped date, or widen horizon_days")


def _two_cuts(runs: Iterable[_Run]) -> Iterator[Fault]:
    cutting: dict[str, _Run] = {}
    for run in runs:
        if run.stage != "cutting" or run.machine is None:
            continue
        earlier = cutting.setdefault(run.machine, run)
        if earlier is not run:
            yield Fault(
                run.first.pointer + "/machine", "two-cuts",
                f"{run.first.label}: {run.machine} cannot cut plate {run.plate.id} while it cuts plate {earlier.plate.id}",
                "keep the one that is cutting; the other is placed or cut",
            )


def _crowded(tables: RequestTables, runs: Collection[_Run]) -> Iterator[Fault]:
    """Machines with more plates than positions; those that stay hold theirs whether they run or not."""
    cuts = Counter(run.machine for run in runs if run.stage == "cutting")
    inside: dict[str, set[str]] = defaultdict(set)
    for plate in tables.plates.rows():
        if plate.stays_in is not None:
            inside[plate.stays_in].add(plate.id)
    for run in runs:
        if not run.inside or run.machine is None or cuts[run.machine] > 1:
            continue
        machine = tables.machines.row(run.machine)
        inside[run.machine].add(run.plate.id)
        if run.plate.stays_in is None and machine is not None and len(inside[run.machine]) > machine.places:
            yield Fault(
                run.first.pointer + "/machine", "too-many-plates",
                f"{run.first.label}: {run.machine} has {machine.places} positions, but {listed(sorted(inside[run.machine]))} are in it",
                "mend where the plates are, or the machine's positions",
            )


def _too_many_pieces(tables: RequestTables) -> Iterator[Fault]:
    counted: Counter[str] = Counter()
    last: dict[str, str] = {}
    for table in (tables.pieces, tables.running, tables.waiting):
        for record, row in table.good():
            counted[row.order] += row.pieces
            last[row.order] = record.pointer
    for name, count in counted.items():
        order = tables.orders.row(name)
        if order is not None and count > order.quantity and not tables.orders.by_id()[name].doubts:
            yield Fault(
                last[name] + "/pieces", "too-many-pieces",
                f"order {name} is for {order.quantity} pieces, but {count} are done or under way",
                "count each piece once, at the last op it is through or in the run that holds it",
            )
