"""The call for the template: a workbook, or CSV files, with an example week to write over."""

from __future__ import annotations

import asyncio
import json
from functools import cache
from typing import Any

from fastapi import APIRouter, Response

from platerota_service.access.callers import LinkReader
from platerota_service.answers import Answers, guarded_answers
from platerota_service.demo.weeks import request_text
from platerota_service.formats import XLSX, TemplateFormatOf, Wanted, binary, csv_content
from platerota_service.kinds import FAULTS, NO_SUCH_TABLE
from platerota_service.plan_files import file_answer
from platerota_service.workbook import SOLVE_SECONDS, sheet_named, template_csv, template_csvs, template_workbook

router = APIRouter(prefix="/v1", tags=["sheets"])

_ANSWER: Answers = {
    200: {
        "description": "The template, in the format asked for",
        "content": {**binary(XLSX), **csv_content("fixture,part,op,count\r\nbracket vise,bracket,10,4\r\n"), **binary("application/zip")},
    },
}


@router.get(
    "/workbook-template", operation_id="get_workbook_template", summary="An empty form with an example week",
    responses={**_ANSWER, **guarded_answers(NO_SUCH_TABLE, FAULTS)}, response_class=Response,
)
async def get_workbook_template(_caller: LinkReader, wanted: TemplateFormatOf) -> Response:
    """Answer a workbook (.xlsx) with a sheet for each table: headings, notes with units, lists to choose from, an example week.

    Write your own shop over the example and send the file, as .xlsx or .ods, as the body of `POST /v1/plans`. The same as CSV:
    one table with `?format=csv&table=orders`, all of them with `?format=zip`.
    """
    return await asyncio.to_thread(_template, wanted)


def _template(wanted: Wanted) -> Response:
    sheet = sheet_named(wanted.table)
    if wanted.format == "csv" and sheet is not None:
        return file_answer(template_csv(sheet, example_week()), wanted, sheet.name)
    if wanted.format == "zip":
        return file_answer(template_csvs(example_week()), wanted, "platerota-template")
    return file_answer(template_workbook(example_week()), Wanted("xlsx"), "platerota-template")


@cache
def example_week() -> dict[str, Any]:
    """The request in the template: the demo week, planned in the time that a workbook has by default."""
    document: dict[str, Any] = json.loads(request_text("basic"))
    settings = {name: value for name, value in document.get("settings", {}).items() if name != "repeatable"}
    return {**document, "settings": {**settings, "solve_seconds": SOLVE_SECONDS}}
