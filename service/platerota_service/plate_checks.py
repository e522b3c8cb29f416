"""The call that checks a plate before a fixture is built on it. Nothing is stored."""

from __future__ import annotations

import asyncio
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from platerota_service.access.callers import Reader
from platerota_service.answers import example_reference, guarded_answers, reference
from platerota_service.bodies import read_body
from platerota_service.calls import SettingsOf
from platerota_service.kinds import FAULTS, TOO_LARGE, UNREADABLE, WRONG_MEDIA_TYPE
from platerota_service.problems import ProblemFault
from platerota_shared.plate_checks import check_plate, read_plate_check

router = APIRouter(prefix="/v1/plate-checks", tags=["plate checks"])

_BODY: Final[dict[str, Any]] = {
    "required": True,
    "description": "The plate, and what of machines, piece, layout, lift and times is to be checked; JSON, UTF-8.",
    "content": {
        "application/json": {
            "schema": reference("PlateCheckRequest"), "examples": {"eight-pieces": example_reference("plate-check-request")},
        },
    },
}
_ANSWER: Final[dict[str, Any]] = {
    "description": "What the plate can do; each field says its formula",
    "content": {
        "application/json": {"schema": reference("PlateCheck"), "examples": {"eight-pieces": example_reference("plate-check")}},
    },
}
_FAULTS: Final = (
    ProblemFault(
        pointer="/nests", code="out-of-range", detail="the request: nests must be a whole number of at least 1, not 0",
        mend="give a whole number of at least 1",
    ),
    ProblemFault(
        pointer="/plate/thickness", code="missing-field", detail="plate: material is given without thickness",
        mend="give material and thickness, or neither",
    ),
)


@router.post(
    "", operation_id="check_plate", summary="Check a plate before a fixture is built", openapi_extra={"requestBody": _BODY},
    responses={200: _ANSWER, **guarded_answers(UNREADABLE, TOO_LARGE, WRONG_MEDIA_TYPE, FAULTS, faults=_FAULTS)},
)
async def post_plate_check(call: Request, _caller: Reader, settings: SettingsOf) -> Response:
    """Answer which mills take the plate, how many nests fit, what it weighs, how it lifts, and what more nests or plates gain.

    Everything is arithmetic over what is given, nothing is optimised and nothing stored. Fit: mount, travels either way round, table
    load. Nests: a plain grid. Mass: handbook densities, their sources named. Lift: the revised NIOSH lifting equation (DHHS (NIOSH)
    94-110), with its limits and cautions. Rhythm: a worker–machine chart of one and of two plates for each mill, by hand exchange.
    """
    body = await read_body(call, settings.max_body_bytes)
    answer = await asyncio.to_thread(lambda: check_plate(read_plate_check(body)).model_dump_json())
    return Response(answer, media_type="application/json")
