"""Reading the question of a plate check: bytes in, a :class:`PlateCheckRequest` out, or every fault of it at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Final, TypeVar
from zoneinfo import ZoneInfo

from pydantic import Field

from platerota_shared.document import duplicate_keys, read_document
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.plate_checks.asked import (
    MAX_MACHINES,
    CheckedMachine,
    CheckedPiece,
    CheckedPlate,
    Layout,
    LiftAsked,
    Nests,
    PlateCheckRequest,
    TimesAsked,
)
from platerota_shared.records import Record, Table, read_row
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

_SECTIONS: Final[dict[str, type[Row]]] = {
    "plate": CheckedPlate, "piece": CheckedPiece, "layout": Layout, "lift": LiftAsked, "times": TimesAsked,
}
_OPTIONAL: Final = ("piece", "lift", "times")
R = TypeVar("R", bound=Row)

_HOLDS: Final = "plate and what else is to be checked"


class _Outline(Row):
    """The question with its sections unread: each is read by a model of its own, so that a fault names its section."""

    plate: Any
    machines: Annotated[tuple[Any, ...], Field(max_length=MAX_MACHINES)] = ()
    piece: Any = None
    layout: Any = None
    nests: Nests | None = None
    lift: Any = None
    times: Any = None


def read_plate_check(data: bytes | str | Mapping[str, Any]) -> PlateCheckRequest:
    """The question in `data`.

    Parameters
    ----------
    data
        JSON as bytes (UTF-8) or text, or an object parsed elsewhere.

    Raises
    ------
    platerota_shared.faults.Unreadable
        Where `data` is no JSON object of finite numbers, of at most 16 MiB.
    platerota_shared.faults.RequestRefused
        With every fault of it.
    """
    document = read_document(data, _HOLDS)
    reader = _Reader(document)
    request = reader.request()
    if request is None:
        raise RequestRefused(reader.faults)
    return request


class _Reader:
    """Collects the faults of one question while it is read."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        self.faults: list[Fault] = list(duplicate_keys(document))
        self._suggestions = Suggestions()
        self._outline = self._row(_Outline, document, "", "the request")
        self._given = self._outline.raw

    def request(self) -> PlateCheckRequest | None:
        """The whole question, or None where there are faults."""
        sections = {name: self._section(name, model) for name, model in _SECTIONS.items()}
        machines = self._machines()
        self.faults += [*_twice(machines), *_masses(sections), *self._without_piece(sections)]
        outline = self._outline.row
        if self.faults or outline is None:
            return None
        given: dict[str, Any] = {name: row for name, row in sections.items() if row is not None}
        return PlateCheckRequest(machines=machines.rows(), nests=outline.nests, **given)

    def _section(self, name: str, model: type[Row]) -> Row | None:
        """A section by its model; None where it is not given or has faults."""
        if name not in self._given or (name in _OPTIONAL and self._given[name] is None):
            return None
        return self._row(model, self._given[name], f"/{name}", name).row

    def _machines(self) -> Table[CheckedMachine]:
        table: Table[CheckedMachine] = Table(unread="machines" in self._outline.doubts)
        for index, raw in enumerate(() if table.unread else self._given.get("machines", ())):
            table.add(self._row(CheckedMachine, raw, f"/machines/{index}", f"row {index + 1} of machines"))
        return table

    def _without_piece(self, sections: Mapping[str, Row | None]) -> Iterator[Fault]:
        # A program that writes every field out gives a layout of defaults, which asks for nothing.
        asked = [name for name in ("layout", "nests", "times") if self._given.get(name) is not None and sections.get(name) != Layout()]
        if asked and self._given.get("piece") is None:
            words = f"the request has no piece, but {' and '.join(asked)}, which say nothing without one"
            yield Fault("/piece", "missing-field", words, "add the piece, or leave the others out")

    def _row(self, model: type[R], raw: Any, place: str, label: str) -> Record[R]:
        # Nothing here is an instant, so any timezone will do.
        record, faults = read_row(model, raw, place, label, ZoneInfo("UTC"), self._suggestions)
        self.faults.extend(faults)
        return record


def _twice(machines: Table[CheckedMachine]) -> Iterator[Fault]:
    first: dict[str, str] = {}
    for record, machine in machines.good():
        earlier = first.setdefault(machine.id, record.label)
        if earlier != record.label:
            words = f"{record.label}: id {machine.id} is already given in {earlier}"
            yield Fault(f"{record.pointer}/id", "duplicate-row", words, "give it an id of its own")


def _masses(sections: Mapping[str, Row | None]) -> Iterator[Fault]:
    """A mass that is neither given nor follows from material and size; half of what it would follow from."""
    plate, piece = sections["plate"], sections["piece"]
    if isinstance(plate, CheckedPlate):
        yield from _mass("plate", plate.mass, {"material": plate.material, "thickness": plate.thickness})
    if isinstance(piece, CheckedPiece):
        yield from _mass("piece", piece.mass, {"material": piece.material, "size_z": piece.size_z})


def _mass(what: str, mass: float | None, follows_from: Mapping[str, object]) -> Iterator[Fault]:
    missing = [name for name, value in follows_from.items() if value is None]
    both = " and ".join(follows_from)
    if len(missing) == 1:
        (given,) = (name for name in follows_from if name not in missing)
        yield Fault(f"/{what}/{missing[0]}", "missing-field", f"{what}: {given} is given without {missing[0]}", f"give {both}, or neither")
    elif missing and mass is None:
        yield Fault(f"/{what}/mass", "missing-field", f"{what}: its mass is not known", f"give mass, or {both}")
