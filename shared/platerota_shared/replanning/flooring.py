"""The request for a replan: the floor as the plan has it at a later `now`, corrected by what has happened."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final, NamedTuple

from platerota_shared.audit.book import Book
from platerota_shared.audit.trip import Piece
from platerota_shared.changes.draft import Draft
from platerota_shared.faults import Fault, RequestRefused, pointer
from platerota_shared.instants import local_text
from platerota_shared.plan import Plan, Task, Warning_
from platerota_shared.reading import read_request
from platerota_shared.replanning.notes import notes
from platerota_shared.replanning.progress import Progress, done, last_fixtures, progress, stock
from platerota_shared.replanning.telling import Told, correct, counted, go_on, plates_twice, read_told, stand_still
from platerota_shared.tables import PlanRequest

_ROW: Final = re.compile(r"^row \d+ of \w+")
"""How a sentence names a row of the new request; the caller knows the rows of what has happened."""

_TABLES: Final = ("floor.pieces", "floor.last_fixtures", "floor.running", "floor.waiting")


class Replanning(NamedTuple):
    """A request that begins later: as JSON values and as read, with what a planner should know of how it came about."""

    document: dict[str, Any]
    request: PlanRequest
    notes: tuple[Warning_, ...]


def floor_at(document: Mapping[str, Any], plan: Plan, now: Any, happened: Any = None) -> Replanning:
    """The request to replan with at `now`.

    What the plan has under way then becomes the floor of the request; fixtures built by then are on their plates, and orders
    finished by then leave it. All else stays as the caller wrote it.

    Parameters
    ----------
    document
        The request of `plan`, as JSON values; it is not touched.
    plan
        A plan for it that the audit passed.
    now
        What came as the later `now`: an instant as text.
    happened
        What came as what has happened (:class:`~platerota_shared.replanning.happened.Happened`), JSON values; None: all went as planned.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault, pointers into ``/now`` and ``/happened``.
    """
    book = Book(read_request(document), plan)
    told = read_told(now, happened, book.shop.zone)
    if told.now is not None and not plan.now <= told.now < plan.horizon_end:
        words = f"now is {book.at(told.now)}, but the plan covers {book.at(plan.now)} to {book.at(plan.horizon_end)}"
        told.faults.append(Fault("/now", "now-outside-plan", words, "give an instant of the plan that is replanned"))
        told.now = None
    if told.now is None:
        raise RequestRefused(told.faults)
    floor = _Floor(document, book, told, told.now)
    floor.write(now)
    try:
        request = read_request(floor.draft.document)
    except RequestRefused as refused:
        raise RequestRefused([*told.faults, *floor.faults, *floor.placed(refused.faults)]) from None
    if told.faults or floor.faults:
        raise RequestRefused([*told.faults, *floor.faults])
    return Replanning(floor.draft.document, request, tuple(floor.notes))


class _Floor:
    """The floor at the new `now` (UTC seconds), put together from the plan and what was told."""

    def __init__(self, document: Mapping[str, Any], book: Book, told: Told, now: int) -> None:
        self.draft = Draft(document)
        self.faults: list[Fault] = []
        self.notes: list[Warning_] = []
        self._book, self._told, self._now = book, told, now
        self._runs = {trip.run.id: progress(trip, now) for trip in book.trips}
        self.faults.extend(correct(book, told, now, self._runs))
        for run in stand_still(told, now, self._runs):
            words = f"the cut of run {run.trip.run.id} stands still; it is cut again, whole, when it can go on"
            words += ": look at pieces, clamps and tool first"
            self.notes.append(Warning_(code="cut-again", detail=words, pointer="/floor/waiting"))
        self._finishing = list(go_on(told, now, self._runs))
        for task in self._finishing:
            words = f"{task.operator} is at {task.id} until {book.at(task.end)}; the replan counts on that being finished"
            self.notes.append(Warning_(code="goes-on", detail=words, pointer="/floor/waiting"))
        self.notes.extend(notes(book, self._runs.values(), now))

    def write(self, now: Any) -> None:
        """Write the floor, the fixtures that were built, what is closed and the new `now` into the document."""
        draft, book = self.draft, self._book
        left_out = {run.plate for run in book.floor_left_out}
        draft.document["now"] = now
        stays = {table: [row for row in draft.rows(table) if row.get("plate") in left_out] for table in _TABLES}
        draft.document["floor"] = {table.removeprefix("floor."): list(rows) for table, rows in stays.items()}
        twice = {id(run): fault for run, fault in plates_twice(self._runs)}
        self.faults.extend(twice.values())
        for build in book.builds:
            row = draft.find("plates", id=build.plate)
            if row is not None and done(build, self._now):
                draft.set("plates", row, {"fixture": build.fixture}, {}, "/now")
        for run in self._runs.values():
            if run.on_plate and id(run) not in twice:
                self._write_run(run)
        for machine, fixture in last_fixtures(book, self._runs.values(), self._now).items():
            draft.add("floor.last_fixtures", {"machine": machine, "fixture": fixture}, {}, None, "/now")
        self._write_pieces()
        for index, closed in self._told.closed.items():
            self._close(index, closed.model_dump(exclude_none=True), now)
        cutting = {run.machine for run in self._runs.values() if run.cut_end is not None}
        for task in self._finishing:
            self._hold(task, now, cutting)

    def _write_run(self, run: Progress) -> None:
        place = pointer("happened", "runs", run.said) if run.said is not None else ""
        for held in run.trip.run.pieces:
            row: dict[str, Any] = {"plate": run.trip.run.plate, "order": held.order, "op": held.op, "pieces": held.pieces}
            fields = {"stage": place + "/stage"} if place else {}
            if run.cut_end is not None:
                row |= {"machine": run.machine, "cut_end": local_text(run.cut_end, self._book.shop.zone)}
                fields = {"cut_end": place + "/cut_end"} if place else {}
            else:
                row |= {"stage": run.stage, "machine": run.machine}
            self.draft.add("floor.running" if run.cut_end is not None else "floor.waiting", row, fields, None, place)

    def _write_pieces(self) -> None:
        """Pieces done and waiting; orders that are finished leave the request."""
        book = self._book
        found = stock(book, self._runs.values())
        said: dict[Piece, int] = {}
        for index, row, fault in counted(book, self._told):
            if fault is not None:
                self.faults.append(fault)
            else:
                found[row.order, row.op] = row.pieces
                said[row.order, row.op] = index
        self.faults.extend(self._missing(found))
        for order in book.orders.values():
            ops = book.ops[order.part]
            finish = book.results[order.id].finish
            if found[order.id, ops[-1]] == order.quantity and (finish is None or finish <= self._now):
                self.draft.drop("orders", id=order.id)
                continue
            for op in ops:
                if found[order.id, op] > 0:
                    self._add_pieces(order.id, op, found, said)

    def _add_pieces(self, order: str, op: int, found: Counter[Piece], said: Mapping[Piece, int]) -> None:
        row = {"order": order, "op": op, "pieces": found[order, op]}
        place = pointer("happened", "pieces", said[order, op]) if (order, op) in said else ""
        self.draft.add("floor.pieces", row, {name: place + pointer(name) for name in row} if place else {}, None, place)

    def _missing(self, found: Counter[Piece]) -> Iterator[Fault]:
        """A fault where later runs have taken more pieces of an op than there are."""
        for (order, op), pieces in found.items():
            if pieces < 0:
                words = f"order {order} would be {-pieces} pieces short after op {op}: later runs took more than were done"
                mend = "say of every run where it is, or count the pieces after that op"
                yield Fault(self._speaks_of(order, op), "pieces-missing", words, mend)

    def _speaks_of(self, order: str, op: int | None = None) -> str:
        """The first row of what has happened that speaks of an order, of its `op` rather than another one."""
        said = [(op is not None and op not in {row.op for row in run.trip.run.pieces if row.order == order}, run.said)
                for run in self._runs.values() if run.said is not None and order in run.trip.orders]
        if said:
            return pointer("happened", "runs", min(said)[1])
        counts = [index for index, row in self._told.pieces.items() if row.order == order]
        return pointer("happened", "pieces", min(counts)) if counts else "/happened"

    def _close(self, index: int, row: dict[str, Any], now: Any) -> None:
        place = pointer("happened", "closed", index)
        fields = {name: place + pointer(name) for name in row} | {"start": place, "end": place + "/until"}
        until = row.pop("until")
        self.draft.add("closures", row | {"start": now, "end": local_text(until, self._book.shop.zone)}, fields, None, place)

    def _hold(self, task: Task, now: Any, cutting: Container[str | None]) -> None:
        """Close who and what finishes a task until it is over; a mill at which a cut goes on stays open."""
        # What is loaded or unloaded in a machine stays there: hands are in that machine meanwhile.
        inside = task.kind in ("setup", "load", "unload") or (task.kind in ("place", "pull") and self._by_hand(task.machine))
        stops = inside and task.machine not in cutting
        held = {"operator": task.operator, "plate": task.plate, "machine": task.machine if stops else None}
        end = local_text(task.end, self._book.shop.zone)
        for what, name in held.items():
            if name is None:
                continue
            row = {what: name, "start": now, "end": end, "reason": f"{task.id} is being finished"}
            self.draft.add("closures", row | ({"present": True} if what == "operator" else {}), {}, None, "/now")

    def _by_hand(self, machine: str | None) -> bool:
        return machine is not None and self._book.machines[machine].exchange == "hand"

    def placed(self, faults: Sequence[Fault]) -> Iterator[Fault]:
        """The faults of the new request at the rows that brought them; where none says so, at what speaks of the same plate or machine."""
        for fault in faults:
            place = self.draft.place(fault.pointer)
            if place:
                said = place.split("/")
                label = f"row {int(said[3]) + 1} of {said[2]}" if len(said) > 3 else "the replan"
                yield replace(fault, pointer=place, detail=_ROW.sub(label, fault.detail))
            else:
                yield replace(fault, pointer=self._near(fault), detail=f"{fault.detail} ({fault.pointer} of the new request)")

    def _near(self, fault: Fault) -> str:
        steps = fault.pointer.split("/")
        rows = self.draft.rows(f"floor.{steps[2]}") if steps[1:2] == ["floor"] and len(steps) > 3 else []
        row: Mapping[str, Any] = rows[int(steps[3])] if rows else {}
        for run in self._runs.values():
            if run.said is not None and (run.trip.run.plate == row.get("plate") or (run.machine and run.machine == row.get("machine"))):
                return pointer("happened", "runs", run.said)
        if "order" in row:
            return self._speaks_of(row["order"])
        return "/happened/closed" if self._told.closed else "/happened"
