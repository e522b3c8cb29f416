"""The calls about single rows of a stored shop, and about many rows of one table.

A row is addressed by its id, or by its key columns with `;` between them (a `;` or `/` inside one is percent-encoded). Shifts
and closures have no key and are addressed by position, from 0; an address may then mean another row by now, so a change needs
the ETag of the row that was seen. A row's ETag is that of its content.
"""

from __future__ import annotations

import asyncio
from typing import Annotated, Any
from urllib.parse import quote, unquote

from fastapi import APIRouter, Depends, Path, Request, Response
from starlette.convertors import StringConvertor, register_url_convertor

from platerota_service.access.callers import Reader, ShopKeeper
from platerota_service.answers import guarded_answers, not_changed
from platerota_service.bodies import read_body
from platerota_service.calls import SettingsOf, StoreOf
from platerota_service.cursors import LONGEST_PAGE, Cursor, PageLimit, Place, page
from platerota_service.etags import already_seen, check_may_replace, may_create
from platerota_service.kinds import (
    BAD_CURSOR,
    BAD_HEADER,
    CHANGED,
    FAULTS,
    IF_MATCH_MISSING,
    NOT_FOUND,
    TOO_LARGE,
    UNKNOWN_ROW,
    UNKNOWN_SHOP,
    UNREADABLE,
    WRONG_MEDIA_TYPE,
)
from platerota_service.problems import ProblemError, ProblemFault
from platerota_service.shops.answers import (
    ROWS_EXAMPLE,
    RowList,
    RowResult,
    RowResults,
    row_body,
    rows_body,
    shop_example,
    tagged,
)
from platerota_service.shops.book import ShopBook, digest, tables, tag, written
from platerota_service.shops.editing import Edit, ManyRows, edit_shop, existing, problem_faults
from platerota_service.shops.routes import ShopId
from platerota_service.shops.tables import KEYS, Document, RowAddress, find, key_of, rows_of, with_key, with_row, without_row
from platerota_service.store import ShopRow
from platerota_shared.document import duplicate_keys, is_list, is_object, read_document
from platerota_shared.faults import Fault, RequestRefused, shown
from platerota_shared.reading import LIMITS


class _RowConvertor(StringConvertor):
    """The rest of an address, slashes and line breaks included, which the framework's own kind `path` does not take."""

    regex = r"[\s\S]*"


register_url_convertor("row", _RowConvertor())
router = APIRouter(prefix="/v1/shops/{shop_id}", tags=["shops"])

_CHANGES = (UNREADABLE, BAD_HEADER, UNKNOWN_SHOP, UNKNOWN_ROW, CHANGED, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, IF_MATCH_MISSING)


async def _table(
    table: Annotated[str, Path(description="A table of the shop.", examples=["plates"], json_schema_extra={"enum": list(KEYS)})],
) -> str:
    if table not in KEYS:
        raise ProblemError(NOT_FOUND, f"a shop has no table '{table}', only {', '.join(KEYS)}")
    return table


TableOf = Annotated[str, Depends(_table)]


async def _address(
    call: Request, table: TableOf,
    row: Annotated[str, Path(
        description="The row's id, or its key columns with `;` between them: fixture, part and op of a nest, part and op of an operation;"
        " the position of a shift or closure, from 0.", examples=["P1"],
    )],
) -> RowAddress:
    """The row that the address means, from the path as it was sent, so that a percent-encoded `;` stays inside its column."""
    sent = call.scope.get("raw_path", b"").decode("ascii", "replace").partition("?")[0].partition(f"/{table}/")[2]
    parts = tuple(unquote(part) for part in sent.split(";")) if KEYS[table] not in ((), ("id",)) else (row,)
    address = RowAddress(table, parts)
    if not address.complete:
        how = f"by {', '.join(KEYS[table])} with ';' between them" if KEYS[table] else "by its position, from 0"
        raise ProblemError(UNKNOWN_ROW, f"a row of {table} is addressed {how}, not by '{row[:100]}'")
    return address


AddressOf = Annotated[RowAddress, Depends(_address)]


@router.get(
    "/{table}", operation_id="list_rows", summary="The rows of one table",
    responses={
        **tagged(200, "The rows, and the shop's ETag", "RowList", ROWS_EXAMPLE), **not_changed(),
        **guarded_answers(BAD_HEADER, NOT_FOUND, UNKNOWN_SHOP, BAD_CURSOR, FAULTS),
    },
)
async def list_rows(
    call: Request, shop_id: ShopId, table: TableOf, caller: Reader, store: StoreOf, cursor: Cursor = None,
    limit: PageLimit = LONGEST_PAGE,
) -> Response:
    """Answer the rows of one table, in the order in which they are stored.

    Pages belong to one version of the shop: where it has changed meanwhile a cursor is refused, so that no row is missed or comes twice.
    """
    row = await asyncio.to_thread(existing, ShopBook(store, caller.tenant), shop_id)
    if already_seen(call, tag(row)):
        return Response(status_code=304, headers={"ETag": tag(row)})
    rows, start = rows_of(tables(row), table), _start(row, cursor)
    shown, here, following = page(
        f"/v1/shops/{row.id}/{table}", {}, rows[start:start + limit + 1], cursor, limit, lambda _: _row_place(row, start + limit),
    )
    answer = RowList(items=shown, self=here, next=following)
    return Response(answer.model_dump_json(by_alias=True), headers={"ETag": tag(row)}, media_type="application/json")


@router.post(
    "/{table}", operation_id="put_rows", summary="Store many rows of one table", status_code=207,
    openapi_extra={"requestBody": rows_body()},
    responses={
        207: {
            "description": "What became of each row",
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/RowResults"}}},
        },
        **guarded_answers(*(kind for kind in _CHANGES if kind is not UNKNOWN_ROW), NOT_FOUND),
    },
)
async def put_rows(
    call: Request, shop_id: ShopId, table: TableOf, caller: ShopKeeper, store: StoreOf, settings: SettingsOf,
) -> Response:
    """Put each row in the place of the one with its key, or add it; rows with faults are left out and the others are stored.

    Shifts and closures have no key, so theirs are always added: send the shop's ETag in `If-Match`, so that a call that is sent
    again cannot add them twice. For other tables `If-Match` is welcome and not needed.
    """
    rows = await asyncio.to_thread(_read_rows, await read_body(call, settings.max_body_bytes), table)
    many = ManyRows(table, rows)

    def change(row: ShopRow, document: dict[str, Any]) -> Edit:
        if not KEYS[table] or not may_create(call):
            check_may_replace(call, tag(row), any_will_do=bool(KEYS[table]))
        return many.applied(document)

    stored = await edit_shop(ShopBook(store, caller.tenant), shop_id, change)
    answer = RowResults(results=[_result(many, index) for index in range(len(rows))], version=stored.version)
    return Response(answer.model_dump_json(), status_code=207, headers={"ETag": tag(stored)}, media_type="application/json")


@router.get(
    "/{table}/{row:row}", operation_id="get_row", summary="One row",
    responses={
        **tagged(200, "The row, as it was stored", "row", shop_example()["plates"][0]), **not_changed(),
        **guarded_answers(BAD_HEADER, NOT_FOUND, UNKNOWN_SHOP, UNKNOWN_ROW),
    },
)
async def get_row(call: Request, shop_id: ShopId, address: AddressOf, caller: Reader, store: StoreOf) -> Response:
    """Answer one row with the ETag of its content."""
    document = tables(await asyncio.to_thread(existing, ShopBook(store, caller.tenant), shop_id))
    row = rows_of(document, address.table)[_place(document, address)]
    if already_seen(call, _row_tag(row)):
        return Response(status_code=304, headers={"ETag": _row_tag(row)})
    return _row(row, 200)


@router.put(
    "/{table}/{row:row}", operation_id="put_row", summary="Store one row", openapi_extra={"requestBody": row_body()},
    responses={
        **tagged(200, "The row is replaced", "row", shop_example()["plates"][0]),
        **tagged(201, "The row is added", "row", shop_example()["plates"][0]),
        **guarded_answers(*_CHANGES, NOT_FOUND),
    },
)
async def put_row(
    call: Request, shop_id: ShopId, address: AddressOf, caller: ShopKeeper, store: StoreOf, settings: SettingsOf,
) -> Response:
    """Replace a row, or add one that is not there; the position after the last adds a shift or closure.

    To replace one send its ETag in `If-Match`; `If-Match: *` replaces whatever is there, not in shifts and closures. The whole shop
    is checked: faults in this row have pointers into it, faults that the change causes elsewhere have pointers that begin with
    `/shop`.
    """
    given = await asyncio.to_thread(_read_row, await read_body(call, settings.max_body_bytes), address)
    statuses = list[int]()

    def change(_row: ShopRow, document: dict[str, Any]) -> Edit:
        place = find(document, address)
        statuses.append(200 if place is not None else 201)
        if place is not None:
            check_may_replace(call, _row_tag(rows_of(document, address.table)[place]), any_will_do=not address.by_position)
        else:
            _check_may_add(call, document, address)
        at = place if place is not None else len(rows_of(document, address.table))
        return Edit(with_row(document, address.table, place, given), f"/{address.table}/{at}")

    await edit_shop(ShopBook(store, caller.tenant), shop_id, change)
    location = f"/v1/shops/{shop_id}/{address.table}/{';'.join(quote(part, safe='') for part in address.parts)}"
    return _row(given, statuses[-1], {"Location": location} if statuses[-1] == 201 else {})


@router.delete(
    "/{table}/{row:row}", operation_id="delete_row", summary="Take one row out", status_code=204, response_class=Response,
    response_description="The row is taken out",
    responses=guarded_answers(BAD_HEADER, NOT_FOUND, UNKNOWN_SHOP, UNKNOWN_ROW, CHANGED, FAULTS, IF_MATCH_MISSING),
)
async def delete_row(call: Request, shop_id: ShopId, address: AddressOf, caller: ShopKeeper, store: StoreOf) -> None:
    """Take a row out, unless the shop would have faults without it. Send its ETag in `If-Match`, or `*`, not in shifts and closures."""

    def change(_row: ShopRow, document: dict[str, Any]) -> Edit:
        place = _place(document, address)
        check_may_replace(call, _row_tag(rows_of(document, address.table)[place]), any_will_do=not address.by_position)
        # No fault lies in a row that is gone: every one is somewhere else in the shop.
        return Edit(without_row(document, address.table, place), "/-")

    await edit_shop(ShopBook(store, caller.tenant), shop_id, change)


def _row_place(shop: ShopRow, position: int) -> Place:
    """The row of that position, in this version of the shop."""
    return Place(shop.version, f"{shop.digest[:16]}.{position}")


def _start(shop: ShopRow, cursor: str | None) -> int:
    """The position of the row with which the page of `cursor` begins."""
    if cursor is None:
        return 0
    place = Place.read(cursor)
    position = place.id.rpartition(".")[2]
    if not (position.isascii() and position.isdigit()) or place != _row_place(shop, int(position)):
        raise ProblemError(BAD_CURSOR, "the shop has changed since the page was answered that named this one")
    return int(position)


def _place(document: Document, address: RowAddress) -> int:
    place = find(document, address)
    if place is None:
        raise ProblemError(UNKNOWN_ROW, f"{address.table} has no row '{str(address)[:200]}'")
    return place


def _check_may_add(call: Request, document: Document, address: RowAddress) -> None:
    if not may_create(call):
        raise ProblemError(CHANGED, f"{address.table} has no row '{str(address)[:200]}' any more")
    count = len(rows_of(document, address.table))
    if address.by_position and int(address.parts[0]) != count:
        raise ProblemError(UNKNOWN_ROW, f"{address.table} has {count} rows; a new one goes to position {count}")


def _read_row(body: bytes, address: RowAddress) -> dict[str, Any]:
    """The row in a body, with the key of its address."""
    document = read_document(body)
    row, wrong = with_key(document, address)
    faults = list(duplicate_keys(document))
    if faults:
        raise RequestRefused(faults)
    if wrong:
        said = dict(zip(KEYS[address.table], address.parts, strict=True))
        raise ProblemError(FAULTS, "the row is not the one of the address", errors=[
            ProblemFault(
                pointer=f"/{column}", code="row-elsewhere", mend="leave it out, or PUT the row where it belongs",
                detail=f"{column} of the row is {shown(row[column])}, but the address says {shown(said[column])}",
            )
            for column in wrong
        ])
    return row


def _read_rows(body: bytes, table: str) -> list[Any]:
    """The rows in a body: an object with the list `rows` and nothing else."""
    document = read_document(body)
    faults = list(duplicate_keys(document))
    faults.extend(
        Fault(f"/{name}", "unknown-field", f"the request has no field {shown(name)}", "give rows, and nothing else")
        for name in document if name != "rows"
    )
    rows = document.get("rows")
    if not is_list(rows):
        what = "the request has no rows" if rows is None else f"rows must be a list of rows, not {shown(rows)}"
        faults.append(Fault("/rows", "missing-field" if rows is None else "wrong-type", what, "give a list of rows"))
    elif not 1 <= len(rows) <= LIMITS[table]:
        words = f"rows has {len(rows):,} rows; at least 1 and at most {LIMITS[table]:,} are taken"
        faults.append(Fault("/rows", "too-many-rows" if rows else "out-of-range", words, "send a part of them, or none at all"))
    if faults or not is_list(rows):
        raise RequestRefused(faults)
    return list(rows)


def _result(many: ManyRows, index: int) -> RowResult:
    row = many.rows[index]
    key = key_of(many.table, row) if KEYS[many.table] and is_object(row) else None
    if index in many.errors:
        return RowResult(row=";".join(key) if key is not None else str(index), status=422, errors=problem_faults(many.errors[index]))
    name = ";".join(key) if key is not None else str(many.places[index])
    return RowResult(row=name, status=201 if many.added(index) else 200)


def _row(row: Any, status: int, headers: dict[str, str] | None = None) -> Response:
    return Response(written(row), status_code=status, headers={"ETag": _row_tag(row), **(headers or {})}, media_type="application/json")


def _row_tag(row: Any) -> str:
    return f'"{digest(written(row))[:32]}"'
