"""The call that answers the service's numbers, in the text format of Prometheus."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Response

from platerota_service.access.callers import MetricsReader
from platerota_service.answers import Answers, guarded_answers
from platerota_service.calls import PartsOf
from platerota_service.watch.metrics import MEDIA_TYPE
from platerota_service.watch.plans import PlanNumbers

router = APIRouter(tags=["service"])

_TEXT: Answers = {
    200: {
        "description": "The numbers",
        "content": {"text/plain": {"schema": {"type": "string"}, "example": 'platerota_plans{state="waiting"} 3.0\n'}},
    },
}


@router.get(
    "/metrics", operation_id="get_metrics", summary="Numbers for whoever watches the service", response_class=Response,
    responses={**_TEXT, **guarded_answers()},
)
async def get_metrics(_caller: MetricsReader, parts: PartsOf) -> Response:
    """Answer queue, waits, solves, gaps, workers and calls as Prometheus reads them; of every tenant together, none is named.

    Plans and workers are counted from the store, so that each API process of a fleet tells the same; calls are those of this process alone.
    """
    plans = await asyncio.to_thread(PlanNumbers.now, parts.store)
    return Response(parts.metrics.text(plans), media_type=MEDIA_TYPE)
