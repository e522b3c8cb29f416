"""The formats a plan is answered in, and how a caller says which: `?format=` for those who cannot set headers, else `Accept`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal, get_args

from fastapi import Depends, Query, Request
from pydantic import JsonValue

from platerota_service.kinds import NO_SUCH_TABLE
from platerota_service.problems import ProblemError
from platerota_service.workbook.columns import request_sheets
from platerota_service.workbook.plan_tables import PLAN_TABLES

Format = Literal["json", "xlsx", "csv", "zip"]

FORMATS: tuple[Format, ...] = get_args(Format)
XLSX: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
MEDIA: Final[Mapping[Format, str]] = {"json": "application/json", "xlsx": XLSX, "csv": "text/csv; charset=utf-8", "zip": "application/zip"}
"""The media type of each format."""

WORKBOOK_BODIES: Final = (XLSX, "application/vnd.ms-excel.sheet.macroenabled.12", "application/vnd.oasis.opendocument.spreadsheet")
"""Media types of bodies that are workbooks; macros in them are not looked at."""

ZIP_BODIES: Final = ("application/zip", "application/x-zip-compressed")
"""Media types of a body that is a zip of CSV files."""

SHEET_BODIES: Final = (*WORKBOOK_BODIES, *ZIP_BODIES)
CSV_BODY: Final = "text/csv"
"""The media type of a body that is one table."""

_FORMAT_WORDS: Final = (
    "The format of the answer, for callers that cannot set headers; it goes before `Accept`. Without either a workbook is answered"
    " with a workbook, a zip of CSV files with such a zip, a CSV file with one, JSON with JSON."
)
_TABLE_WORDS: Final = "Which table, where the format is csv."
_PLAN_TABLES: Final = [table.name for table in PLAN_TABLES]


@dataclass(frozen=True, slots=True)
class Wanted:
    """The format that a caller asked for, and the table where that is CSV."""

    format: Format
    table: str = ""


JSON: Final = Wanted("json")


def body_kind(call: Request) -> str:
    """The media type of the body, lower case, without parameters."""
    return call.headers.get("content-type", "").partition(";")[0].strip().lower()


def wanted_format(call: Request) -> Format:
    """The format that the caller of `call` asked for; that of the body where nothing was asked."""
    asked = call.query_params.get("format")
    for name in FORMATS:
        if name == asked:
            return name
    return _accepted(call, _format_of_body(call))


def _format_of_body(call: Request) -> Format:
    kind = body_kind(call)
    if kind in WORKBOOK_BODIES:
        return "xlsx"
    if kind in ZIP_BODIES:
        return "zip"
    return "csv" if kind == CSV_BODY else "json"


def _accepted(call: Request, otherwise: Format) -> Format:
    """The format of ours that the Accept header wants most (RFC 9110 section 12.5.1); wildcards leave the choice to us."""
    by_media: dict[str, Format] = {MEDIA[name].partition(";")[0]: name for name in FORMATS}
    found: list[tuple[float, int, Format]] = []
    for at, item in enumerate(",".join(call.headers.getlist("accept")).split(",")):
        media, *parameters = (part.strip().lower() for part in item.split(";"))
        quality = next((_quality(part[2:]) for part in parameters if part.startswith("q=")), 1.0)
        if media in by_media and quality > 0:
            found.append((-quality, at, by_media[media]))
    return min(found)[2] if found else otherwise


def _quality(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0


async def _plan_wanted(
    call: Request,
    format: Annotated[Format | None, Query(description=_FORMAT_WORDS)] = None,
    table: Annotated[str, Query(description=_TABLE_WORDS, json_schema_extra={"enum": list[JsonValue](_PLAN_TABLES)})] = "plan",
) -> Wanted:
    check_table(table, _PLAN_TABLES)
    return Wanted(wanted_format(call), table)


async def _rows_wanted(
    call: Request,
    format: Annotated[Literal["json", "csv"] | None, Query(description="The format, for callers that cannot set `Accept`.")] = None,
) -> Wanted:
    return Wanted("csv") if (format or _accepted(call, "json")) == "csv" else JSON


def _request_tables() -> list[str]:
    return [sheet.name for sheet in request_sheets()]


async def _template_wanted(
    call: Request,
    format: Annotated[Literal["xlsx", "csv", "zip"] | None, Query(description="xlsx where nothing is said.")] = None,
    table: Annotated[str, Query(description=_TABLE_WORDS, json_schema_extra={"enum": list[JsonValue](_request_tables())})] = "orders",
) -> Wanted:
    check_table(table, _request_tables())
    chosen: Format = format if format is not None else _accepted(call, "xlsx")
    return Wanted("xlsx" if chosen == "json" else chosen, table)


def check_table(name: str, known: list[str]) -> None:
    """Refuse a name that is not among the `known` ones.

    Raises
    ------
    ProblemError
        400.
    """
    if name not in known:
        raise ProblemError(NO_SUCH_TABLE, f"there is no table '{name[:60]}'; there are {', '.join(known)}")


async def _decimal(
    decimal: Annotated[
        Literal["point", "comma"], Query(description="What parts the decimals of numbers that a workbook or CSV file holds as text."),
    ] = "point",
) -> str:
    return decimal


DecimalOf = Annotated[str, Depends(_decimal)]
PlanFormatOf = Annotated[Wanted, Depends(_plan_wanted)]
RowsFormatOf = Annotated[Wanted, Depends(_rows_wanted)]
TemplateFormatOf = Annotated[Wanted, Depends(_template_wanted)]


def binary(media: str) -> dict[str, Any]:
    """The described content of a file."""
    return {media: {"schema": {"type": "string", "format": "binary"}}}


def csv_content(example: str) -> dict[str, Any]:
    """The described content of one table as CSV."""
    return {"text/csv": {"schema": {"type": "string"}, "examples": {"table": {"summary": "One table", "value": example}}}}
