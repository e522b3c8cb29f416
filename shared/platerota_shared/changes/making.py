"""What each kind of change does to a request document, and what is wrong with the change itself.

Values are put into the document as they came: whatever the tables refuse of them is found when the changed week is read,
with all the care for rows in doubt that reading takes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final
from zoneinfo import ZoneInfo

from platerota_shared.changes.draft import Draft
from platerota_shared.changes.kinds import KINDS
from platerota_shared.document import is_list, is_object
from platerota_shared.faults import Fault, listed, pointer, shown
from platerota_shared.records import read_row
from platerota_shared.suggestions import Suggestions

Raw = Mapping[str, Any]

_TABLES: Final[dict[str, str]] = {
    "add_order": "orders", "close": "closures", "add_shift": "shifts", "add_operator": "operators", "add_plate": "plates",
    "add_machine": "machines", "add_operation": "operations", "add_fixture": "fixtures", "add_nest": "nests",
}
"""Kind -> the table that it adds a row to."""


class Maker:
    """Makes changes on a draft, one after the other, and collects the faults of the changes themselves."""

    def __init__(self, document: Raw, zone: ZoneInfo) -> None:
        self.draft = Draft(document)
        self.faults: list[Fault] = []
        self._zone = zone
        self._suggestions = Suggestions()
        self._said: dict[tuple[str, str], dict[str, int]] = {}

    def make(self, index: int, change: Any) -> None:
        """Make the change at `index` of the list."""
        place = pointer("changes", index)
        kind = self._kind(place, index, change)
        if kind is None:
            return
        record, faults = read_row(KINDS[kind], change, place, f"change {index + 1} ({kind})", self._zone, self._suggestions)
        self.faults.extend(faults)
        if kind in _TABLES:
            self.faults.extend(self._add(index, place, kind, change))
        elif not record.doubts & {"order", "plate", "machine", "fixture"}:
            # What names its target clearly is made even with faults in other fields, so that no fault follows from its absence.
            self.faults.extend(getattr(self, f"_{kind}")(index, place, change))

    def _kind(self, place: str, index: int, change: Any) -> str | None:
        label, known = f"change {index + 1}", ", ".join(KINDS)
        if not is_object(change):
            self._fault(place, "wrong-type", f"{label} must be an object, not {shown(change)}", f"give an object with kind: {known}")
        elif "kind" not in change:
            self._fault(place + "/kind", "missing-field", f"{label}: kind is missing", f"add it: {known}")
        elif not isinstance(change["kind"], str) or change["kind"] not in KINDS:
            name = change["kind"]
            mend = self._suggestions.mend(name, KINDS, f"write one of {known}") if isinstance(name, str) else f"write one of {known}"
            self._fault(place + "/kind", "unknown-choice", f"{label}: there is no kind of change {shown(name)}", mend)
        else:
            return str(change["kind"])
        return None

    def _fault(self, place: str, code: str, detail: str, mend: str) -> None:
        self.faults.append(Fault(place, code, detail, mend))

    def _add(self, index: int, place: str, kind: str, change: Raw) -> Iterator[Fault]:
        table = _TABLES[kind]
        beside = ("kind", "shifts") if kind == "add_operator" else ("kind",)
        row = {name: value for name, value in change.items() if name not in beside}
        name = row.get("id")
        if isinstance(name, str):
            yield from self._say(index, place + "/id", table, name, ("the whole row",), f"{table[:-1]} {shown(name)}")
        self.draft.add(table, row, {field: place + pointer(field) for field in row}, place)
        shifts = change.get("shifts")
        if kind == "add_operator" and is_list(shifts):
            for number, shift in enumerate(shifts):
                if is_object(shift) and "operator" not in shift:
                    where = place + pointer("shifts", number)
                    fields = {field: where + pointer(field) for field in shift} | {"operator": place + "/id"}
                    self.draft.add("shifts", {"operator": name, **shift}, fields, where)

    def _change_order(self, index: int, place: str, change: Raw) -> Iterator[Fault]:
        values = {name: change[name] for name in ("quantity", "due", "weight", "release") if name in change}
        yield from self._known(place, "order", "orders", change["order"])
        if not values:
            yield _nothing(place, f"change {index + 1} gives nothing new for order {change['order']}", "quantity, due, weight or release")
        yield from self._set(index, place, "orders", "order", change, values)

    def _drop_order(self, index: int, place: str, change: Raw) -> Iterator[Fault]:
        name = change["order"]
        yield from self._known(place, "order", "orders", name)
        yield from self._say(index, place + "/order", "orders", name, ("the whole row",), f"order {shown(name)}")
        under_way = [*self.draft.rows("floor.running"), *self.draft.rows("floor.waiting")]
        plates = [row["plate"] for row in under_way if row["order"] == name]
        if plates:
            held = listed(list(dict.fromkeys(plates)))
            words = f"change {index + 1}: order {name} cannot be dropped, because pieces of it are on plate {held}"
            yield Fault(place + "/order", "order-under-way", words, "lower its quantity to what is done and under way instead")
            return
        self.draft.drop("orders", id=name)
        self.draft.drop("floor.pieces", order=name)

    def _copy_plate(self, index: int, place: str, change: Raw) -> Iterator[Fault]:
        yield from self._copy(index, place, "plates", "plate", change)

    def _copy_machine(self, index: int, place: str, change: Raw) -> Iterator[Fault]:
        yield from self._copy(index, place, "machines", "machine", change)
        for fixture in self.draft.rows("fixtures"):
            machines = fixture.get("machines") or ()
            if change["machine"] in machines and "id" in change:
                self.draft.set("fixtures", fixture, {"machines": [*machines, change["id"]]}, {}, place)

    def _copy(self, index: int, place: str, table: str, noun: str, change: Raw) -> Iterator[Fault]:
        yield from self._known(place, noun, table, change[noun])
        model = self.draft.find(table, id=change[noun])
        if model is None or "id" not in change:
            return
        if isinstance(change["id"], str):
            yield from self._say(index, place + "/id", table, change["id"], ("the whole row",), f"{noun} {shown(change['id'])}")
        own = {name: change[name] for name in ("id", "name", "note", "stays_in") if name in change}
        row = {name: value for name, value in model.items() if name not in ("name", "note")} | own
        self.draft.add(table, row, {name: place + pointer(name) for name in own}, None, place)

    def _change_fixture(self, index: int, place: str, change: Raw) -> Iterator[Fault]:
        fields = [name for name in KINDS["change_fixture"].model_fields if name not in ("kind", "fixture", "nests")]
        values = {name: change[name] for name in fields if name in change}
        yield from self._known(place, "fixture", "fixtures", change["fixture"])
        if not values and not change.get("nests"):
            yield _nothing(place, f"change {index + 1} gives nothing new for fixture {change['fixture']}", "times or nests")
        yield from self._set(index, place, "fixtures", "fixture", change, values)
        nests = change.get("nests")
        for number, nest in enumerate(nests if is_list(nests) else ()):
            if is_object(nest) and self.draft.find("fixtures", id=change["fixture"]) is not None:
                yield from self._nest(index, place + pointer("nests", number), change["fixture"], nest)

    def _nest(self, index: int, place: str, fixture: str, nest: Raw) -> Iterator[Fault]:
        key = {"fixture": fixture, "part": nest.get("part"), "op": nest.get("op")}
        said = f"the nests of fixture {fixture} for part {shown(key['part'])} op {shown(key['op'])}"
        yield from self._say(index, place, "nests", str(tuple(key.values())), ("count",), said)
        fields = {name: place + pointer(name) for name in nest}
        row = self.draft.find("nests", **key)
        if row is None:
            self.draft.add("nests", {**nest, "fixture": fixture}, fields, place)
        else:
            self.draft.set("nests", row, {name: value for name, value in nest.items() if name == "count"}, fields, place)

    def _allow_machine(self, index: int, place: str, change: Raw) -> Iterator[Fault]:
        yield from self._known(place, "fixture", "fixtures", change["fixture"])
        yield from self._known(place, "machine", "machines", change["machine"])
        fixture = self.draft.find("fixtures", id=change["fixture"])
        if fixture is None or self.draft.find("machines", id=change["machine"]) is None:
            return
        machines = fixture.get("machines") or ()
        if not machines or change["machine"] in machines:
            words = f"change {index + 1}: fixture {change['fixture']} may run on {change['machine']} already"
            yield _nothing(place, words if machines else f"{words}, because it names no machines", "a machine that it may not run on")
            return
        field = f"machines/{len(machines)}"
        self.draft.set("fixtures", fixture, {"machines": [*machines, change["machine"]]}, {field: place + "/machine"}, place)

    def _change_settings(self, index: int, place: str, change: Raw) -> Iterator[Fault]:
        values = {name: change[name] for name in ("horizon_days", "solve_seconds", "seed", "repeatable") if name in change}
        score = change.get("score")
        rates: Raw = score if is_object(score) else {}
        if not values and not rates:
            yield _nothing(place, f"change {index + 1} gives no settings", "horizon_days, solve_seconds, seed, repeatable or score")
        yield from self._say(index, place, "settings", "", (*values, *(f"score.{name}" for name in rates)), "the settings")
        self.draft.set_settings(values, rates, place)

    def _set(self, index: int, place: str, table: str, noun: str, change: Raw, values: Raw) -> Iterator[Fault]:
        row = self.draft.find(table, id=change[noun])
        yield from self._say(index, place, table, change[noun], tuple(values), f"{noun} {shown(change[noun])}")
        if row is not None:
            self.draft.set(table, row, values, {name: place + pointer(name) for name in values}, place)

    def _known(self, place: str, noun: str, table: str, name: str) -> Iterator[Fault]:
        """A fault where the row that a change is about is not there, unless an earlier change took it away."""
        known = self.draft.ids(table)
        if name not in known and "the whole row" not in self._said.get((table, name), {}):
            mend = self._suggestions.mend(name, known, f"name one that is there: {listed(sorted(known))}")
            yield Fault(place + pointer(noun), "unknown-id", f"there is no {noun} {shown(name)}", mend)

    def _say(self, index: int, place: str, table: str, name: str, fields: tuple[str, ...], what: str) -> Iterator[Fault]:
        """Note that a change speaks of these fields of a row; a fault where another change did before."""
        said = self._said.setdefault((table, name), {})
        for field in fields:
            earlier = said.get(field, said.get("the whole row"))
            if earlier is None and field == "the whole row":
                earlier = next(iter(said.values()), None)
            if earlier is not None and earlier != index:
                inner = f" ({field})" if field not in ("the whole row", "count") else ""
                words = f"change {index + 1} speaks of {what}{inner}, and so does change {earlier + 1}"
                mend = "say it in one of the two changes"
                yield Fault(_inside(place, field), "changes-contradict", words, mend)
            said.setdefault(field, index)


def _inside(place: str, field: str) -> str:
    return place if field == "the whole row" else place + pointer(*field.split("."))


def _nothing(place: str, words: str, wanted: str) -> Fault:
    return Fault(place, "changes-nothing", words, f"give {wanted}, or leave the change out")
