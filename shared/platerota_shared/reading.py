"""Reading a request: bytes in, a :class:`PlanRequest` out, or every fault of it at once.

Three passes: the document is parsed, each row is read by its own model, then the tables are checked against each other
over whatever rows are good.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo

from platerota_shared.checks import check
from platerota_shared.document import duplicate_keys, is_list, is_object, read_document
from platerota_shared.faults import Fault, RequestRefused, pointer, shown
from platerota_shared.fields import Instant
from platerota_shared.records import MAX_FIELDS, Table, field_names, read_row, unknown_field
from platerota_shared.request_tables import RequestTables
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import (
    Closure,
    Fixture,
    Floor,
    FloorPieces,
    LastFixture,
    Machine,
    Nest,
    Operation,
    Operator,
    Order,
    PlanRequest,
    Plate,
    Row,
    RunningCut,
    Settings,
    Shift,
    Shop,
    WaitingRun,
)
from platerota_shared.timezones import timezones, zone_named

LIMITS: Final[dict[str, int]] = {
    "machines": 500, "plates": 5_000, "fixtures": 5_000, "nests": 20_000, "operations": 20_000, "operators": 500, "shifts": 5_000,
    "closures": 5_000, "orders": 5_000, "pieces": 20_000, "last_fixtures": 500, "running": 5_000, "waiting": 10_000,
}
"""The most rows of each table."""

R = TypeVar("R", bound=Row)


def read_request(data: bytes | str | Mapping[str, Any]) -> PlanRequest:
    """The request in `data`.

    Parameters
    ----------
    data
        JSON as bytes (UTF-8) or text, or an object parsed elsewhere.

    Raises
    ------
    Unreadable
        Where `data` is no JSON object of finite numbers, of at most 16 MiB.
    RequestRefused
        With every fault of the request.
    """
    document = read_document(data)
    reader = _Reader(document)
    request = reader.request()
    if request is None:
        raise RequestRefused(reader.faults)
    return request


class _Reader:
    """Collects the faults of one request while it is read."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        self.faults: list[Fault] = list(duplicate_keys(document))
        self._document = document
        self._suggestions = Suggestions()
        self._known_fields(document, "", "the request", PlanRequest)
        self._shop = self._object("shop", Shop, required=True)
        self._floor = self._object("floor", Floor)
        self._zone = self._timezone()

    def request(self) -> PlanRequest | None:
        """The whole request, or None where there are faults."""
        now = self._now()
        settings = self._settings()
        tables = self._tables(now, settings)
        self.faults.extend(check(tables))
        if self.faults or now is None or settings is None:
            return None
        floor = Floor(
            pieces=tables.pieces.rows(), last_fixtures=tables.last_fixtures.rows(),
            running=tables.running.rows(), waiting=tables.waiting.rows(),
        )
        return PlanRequest(now=now, shop=tables.shop, orders=tables.orders.rows(), floor=floor, settings=settings)

    def _tables(self, now: int | None, settings: Settings | None) -> RequestTables:
        shop, floor, document = self._shop, self._floor, self._document
        horizon = settings.horizon_days * 86_400 if settings is not None else None
        return RequestTables(
            zone=self._zone, now=now, horizon_end=now + horizon if now is not None and horizon is not None else None,
            machines=self._table(shop, "/shop", "machines", "machine", Machine),
            plates=self._table(shop, "/shop", "plates", "plate", Plate),
            fixtures=self._table(shop, "/shop", "fixtures", "fixture", Fixture),
            nests=self._table(shop, "/shop", "nests", "", Nest),
            operations=self._table(shop, "/shop", "operations", "", Operation),
            operators=self._table(shop, "/shop", "operators", "operator", Operator),
            shifts=self._table(shop, "/shop", "shifts", "", Shift),
            closures=self._table(shop, "/shop", "closures", "", Closure),
            orders=self._table(document, "", "orders", "order", Order),
            pieces=self._table(floor, "/floor", "pieces", "", FloorPieces),
            last_fixtures=self._table(floor, "/floor", "last_fixtures", "", LastFixture),
            running=self._table(floor, "/floor", "running", "", RunningCut),
            waiting=self._table(floor, "/floor", "waiting", "", WaitingRun),
            suggestions=self._suggestions,
        )

    def _table(self, holder: Mapping[str, Any] | None, place: str, name: str, noun: str, model: type[R]) -> Table[R]:
        """One table; `noun` is what a row with an id is called, blank where rows have none."""
        if holder is None:
            return Table(unread=True)
        raw_rows, limit = holder.get(name, ()), LIMITS[name]
        if not is_list(raw_rows):
            words = f"{name} must be a list of rows, not {shown(raw_rows)}"
            self._add(f"{place}/{name}", "wrong-type", words, "give a list, empty if there are none")
            return Table(unread=True)
        if len(raw_rows) > limit:
            words = f"{name} has {len(raw_rows):,} rows; the most is {limit:,}"
            self._add(f"{place}/{name}", "too-many-rows", words, "leave out what this plan does not need")
            return Table(unread=True)
        table: Table[R] = Table()
        for index, raw in enumerate(raw_rows):
            record, faults = read_row(model, raw, f"{place}/{name}/{index}", _label(raw, name, noun, index), self._zone, self._suggestions)
            table.add(record)
            self.faults.extend(faults)
        return table

    def _object(self, name: str, model: type[Row], *, required: bool = False) -> Mapping[str, Any] | None:
        """An object of the request by name; None where it is in doubt what it holds."""
        raw = self._document.get(name, None if required else {})
        if name not in self._document and required:
            self._add(pointer(name), "missing-field", f"the request has no {name}", f"add the object {name}")
            return None
        if not is_object(raw):
            self._add(pointer(name), "wrong-type", f"{name} must be an object, not {shown(raw)}", "give an object")
            return None
        self._known_fields(raw, pointer(name), name, model)
        return raw

    def _known_fields(self, raw: Mapping[str, Any], place: str, label: str, model: type[Row]) -> None:
        known = field_names(model)
        if len(raw) > MAX_FIELDS:
            self._add(place, "unknown-field", f"{label} has {len(raw):,} fields", f"give only {', '.join(known)}")
            return
        self.faults.extend(unknown_field(place, label, name, known, self._suggestions) for name in raw if name not in known)

    def _timezone(self) -> ZoneInfo:
        """The shop's timezone; UTC where it cannot be read, so that the rest is still looked at."""
        name = self._shop.get("timezone") if self._shop is not None else "UTC"
        if isinstance(name, str) and name in timezones():
            return zone_named(name)
        if self._shop is not None and "timezone" not in self._shop:
            self._add("/shop/timezone", "missing-field", "shop has no timezone", "add one, such as Europe/Lisbon")
        elif isinstance(name, str):
            mend = self._suggestions.mend(name, timezones(), "write one of the public timezone database, such as Europe/Lisbon")
            self._add("/shop/timezone", "unknown-timezone", f"there is no timezone {shown(name)}", mend)
        else:
            self._add("/shop/timezone", "wrong-type", f"timezone must be text, not {shown(name)}", "write one such as Europe/Lisbon")
        return ZoneInfo("UTC")

    def _now(self) -> int | None:
        given = {"now": self._document["now"]} if "now" in self._document else {}
        record, faults = read_row(_Now, given, "", "the request", self._zone, self._suggestions)
        self.faults.extend(faults)
        return record.row.now if record.row is not None else None

    def _settings(self) -> Settings | None:
        record, faults = read_row(Settings, self._document.get("settings", {}), "/settings", "settings", self._zone, self._suggestions)
        self.faults.extend(faults)
        return record.row

    def _add(self, place: str, code: str, detail: str, mend: str) -> None:
        self.faults.append(Fault(place, code, detail, mend))


class _Now(Row):
    now: Instant


def _label(raw: Any, name: str, noun: str, index: int) -> str:
    """A row as sentences name it: ``order O1``, or ``row 3 of nests`` where it has no id."""
    given = raw.get("id") if noun and is_object(raw) else None
    return f"{noun} {shown(given)[1:-1]}" if isinstance(given, str) and given.strip() else f"row {index + 1} of {name}"
