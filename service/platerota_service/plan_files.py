"""A plan as a file: workbook, one table as CSV, all tables as a zip of CSV files; and how such bodies and answers are described."""

from __future__ import annotations

from typing import Final

from fastapi import Response

from platerota_service.answers import Answers
from platerota_service.engine import PlanState
from platerota_service.formats import MEDIA, WORKBOOK_BODIES, XLSX, ZIP_BODIES, Wanted, binary, csv_content
from platerota_service.workbook import PlanBook, plan_csv, plan_csvs, plan_table, plan_workbook
from platerota_shared.tables import PlanRequest

_WINDOW: Final = (
    "operator,start,end,earliest_start,latest_end,plate,fixture,pieces_held,machine,place_at,run\r\n"
    "ana,2027-03-01T06:00:00+00:00,2027-03-01T06:02:00+00:00,2027-03-01T06:00:00+00:00,2027-03-01T06:02:00+00:00,P1,bracket-vise,"
    "A-1042 op 10: 4,mill-1,2027-03-01T06:02:00+00:00,R1\r\n"
)
PLAN_FILES: Final = {**binary(XLSX), **csv_content(_WINDOW), **binary("application/zip")}
"""The described content of a plan as a file."""

SHEETS_BODY: Final = {media: content for kind in (*WORKBOOK_BODIES, ZIP_BODIES[0]) for media, content in binary(kind).items()}
"""The described content of a request in sheets."""

WORKBOOK_ANSWER: Final[Answers] = {
    200: {
        "description": "The plan as a workbook, as one table or as a zip of CSV files; or the caller's workbook with the sheet Problems",
        "content": PLAN_FILES,
        "headers": {
            "Location": {"description": "The address of the plan; not given where there are problems.", "schema": {"type": "string"}},
            "Platerota-Faults": {
                "description": "How many faults the request has; given only where it has some.", "schema": {"type": "integer"},
            },
        },
    },
}
"""The described answer to a request whose answer is a file."""


def plan_file(state: PlanState, request: PlanRequest, wanted: Wanted) -> Response:
    """The answer, 200, in a format that is not JSON; work for a thread."""
    book = PlanBook(state.plan, request, state.problem)
    name = f"plan-{state.id}"
    table = plan_table(wanted.table)
    if wanted.format == "csv" and table is not None:
        return file_answer(plan_csv(table, book), wanted, f"{name}-{table.name}")
    if wanted.format == "zip":
        return file_answer(plan_csvs(book), wanted, name)
    return file_answer(plan_workbook(book), Wanted("xlsx"), name)


def file_answer(content: bytes, wanted: Wanted, name: str, headers: dict[str, str] | None = None) -> Response:
    """A file by its format, with a name to save it under."""
    disposition = f'attachment; filename="{name}.{wanted.format}"'
    return Response(content, headers={"Content-Disposition": disposition, **(headers or {})}, media_type=MEDIA[wanted.format])
