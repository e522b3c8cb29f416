"""The body of a call: its kind, its size, and the request in it, be it JSON or sheets."""

from __future__ import annotations

import codecs
from typing import Final
from urllib.parse import parse_qsl

from fastapi import Request

from platerota_service.engine import Submission
from platerota_service.formats import CSV_BODY, SHEET_BODIES, body_kind
from platerota_service.kinds import NO_FORM, TOO_LARGE, UNREADABLE, WRONG_MEDIA_TYPE
from platerota_service.long_solves import too_long
from platerota_service.problems import ProblemError
from platerota_service.workbook import SheetRequest, read_sheets
from platerota_shared.plan import Warning_
from platerota_shared.reading import read_request

FORM: Final = "application/x-www-form-urlencoded"
"""The media type of a form that a page sends (WHATWG URL, section 5)."""
_MOST_FIELDS: Final = 50


async def read_form(call: Request, limit: int) -> dict[str, str]:
    """The fields of a form that one of our own pages sent, at most `limit` bytes of it; of a field said twice the last.

    Raises
    ------
    ProblemError
        400, 413 or 415.
    """
    if body_kind(call) != FORM:
        raise ProblemError(NO_FORM, f"the Content-Type is not '{FORM}'")
    _check_coding(call)
    body = await _read_whole(call, limit)
    try:
        return dict(parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=_MOST_FIELDS))
    except ValueError:
        raise ProblemError(UNREADABLE, "the form is not UTF-8 in ASCII, or has too many fields") from None


async def read_body(call: Request, limit: int) -> bytes:
    """The JSON text in the body of `call`, at most `limit` bytes, not read yet.

    Raises
    ------
    ProblemError
        413 or 415.
    """
    _check_kind(call)
    return await _read_whole(call, limit)


async def read_json_or_sheets(call: Request, limit: int, *, csv: bool = False) -> bytes:
    """The body of a planning request, at most `limit` bytes: JSON text, a workbook or a zip of CSV files, not read yet.

    `csv`: one CSV file alone will do as well.

    Raises
    ------
    ProblemError
        413 or 415.
    """
    if body_kind(call) not in SHEET_BODIES and not (csv and body_kind(call) == CSV_BODY):
        return await read_body(call, limit)
    _check_coding(call)
    return await _read_whole(call, limit)


def submission_of(kind: str, body: bytes, *, decimal_comma: bool, waits: bool) -> Submission:
    """The request in a body of that media type, with notes on how sheets were read; work for a thread.

    Parameters
    ----------
    decimal_comma
        Whether a comma parts the decimals of numbers that sheets hold as text.
    waits
        Whether the call waits for the plan: then sheets may not ask for a longer solve than that allows.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault of a JSON request at once.
    platerota_service.workbook.SheetsRefused
        With every fault of a workbook or a zip of CSV files at once.
    platerota_service.workbook.SheetsTooLong
        Where they ask for too long a solve.
    """
    if kind not in SHEET_BODIES:
        return submission_from(body)
    read = read_sheets(body, decimal_comma=decimal_comma)
    return sheets_submission(read, waits=waits)


def sheets_submission(read: SheetRequest, *, waits: bool) -> Submission:
    """What was read of sheets, with notes on how.

    Raises
    ------
    platerota_service.workbook.SheetsTooLong
        Where the call `waits` and they ask for a longer solve than that allows.
    """
    fault = too_long(read.request.settings.solve_seconds) if waits else None
    if fault is not None:
        raise read.too_long(fault)
    notes = tuple(Warning_(code="as-it-was-read", detail=remark, pointer="") for remark in read.remarks)
    return Submission(read.text, read.request, notes=notes)


def submission_from(body: bytes) -> Submission:
    """The request in `body`; work for a thread, a large one takes a second.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault at once.
    """
    request = read_request(body)
    # JSON has line breaks between its tokens only, never inside text, so blanks may stand for them.
    return Submission(body.removeprefix(codecs.BOM_UTF8).replace(b"\n", b" ").replace(b"\r", b" "), request)


def _check_kind(call: Request) -> None:
    given = call.headers.get("content-type", "")
    kind, _, parameters = given.partition(";")
    if kind.strip().lower() != "application/json":
        raise ProblemError(WRONG_MEDIA_TYPE, f"the Content-Type is '{given}'" if given else "the Content-Type is missing")
    charset = parameters.lower().replace('"', "").replace(" ", "").partition("charset=")[2].partition(";")[0]
    if charset not in ("", "utf-8", "utf8", "us-ascii"):
        raise ProblemError(WRONG_MEDIA_TYPE, f"the Content-Type is '{given}'")
    _check_coding(call)


def _check_coding(call: Request) -> None:
    coding = call.headers.get("content-encoding", "identity")
    if coding.strip().lower() != "identity":
        raise ProblemError(WRONG_MEDIA_TYPE, f"the Content-Encoding is '{coding}'")


async def _read_whole(call: Request, limit: int) -> bytes:
    """The body; a larger one is refused by its announced length, else as soon as that much has come."""
    announced = call.headers.get("content-length", "")
    if announced.isdecimal() and int(announced) > limit:
        raise _too_large(limit)
    body = bytearray()
    async for chunk in call.stream():
        body += chunk
        if len(body) > limit:
            raise _too_large(limit)
    return bytes(body)


def _too_large(limit: int) -> ProblemError:
    # The rest is not read, so the connection cannot carry another call.
    return ProblemError(TOO_LARGE, f"the body has more than {limit:,} bytes", headers={"Connection": "close"})
