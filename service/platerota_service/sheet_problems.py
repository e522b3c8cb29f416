"""Faults of a workbook as an answer: marked in the workbook itself for whoever wants one back, else as a problem."""

from __future__ import annotations

import asyncio

from fastapi import FastAPI, Request, Response

from platerota_service.formats import Wanted, wanted_format
from platerota_service.kinds import FAULTS, TOO_LARGE, TOO_LONG_TO_WAIT, UNREADABLE
from platerota_service.plan_files import file_answer
from platerota_service.problems import ProblemFault, problem_response
from platerota_service.workbook import SheetFault, SheetsRefused, SheetsTooLong, problems_workbook

FAULTS_HEADER = "Platerota-Faults"
"""How many faults a workbook has that is answered with status 200."""


def install_sheet_problems(app: FastAPI) -> None:
    """Let `app` answer faults of sheets."""
    app.add_exception_handler(SheetsRefused, _refused)


async def _refused(call: Request, error: Exception) -> Response:
    assert isinstance(error, SheetsRefused)
    if wanted_format(call) == "xlsx" and error.readable:
        content = await asyncio.to_thread(problems_workbook, error.faults, error.grids)
        return file_answer(content, Wanted("xlsx"), "problems", {FAULTS_HEADER: str(len(error.faults))})
    faults = [_fault(one) for one in error.faults]
    if not error.readable:
        kind = TOO_LARGE if faults[0].code == "too-large-inside" else UNREADABLE
        return problem_response(kind, error.faults[0].detail, errors=faults)
    if isinstance(error, SheetsTooLong):
        return problem_response(TOO_LONG_TO_WAIT, error.faults[0].detail, errors=faults)
    count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    return problem_response(FAULTS, f"the workbook has {count}; nothing was stored", errors=faults)


def _fault(one: SheetFault) -> ProblemFault:
    return ProblemFault(sheet=one.sheet, row=one.row, column=one.column, code=one.code, detail=one.detail, mend=one.mend)
