"""What every call leaves behind: its trace in the answer, a line in the log, and a count in the metrics."""

from __future__ import annotations

import logging
import time
from dataclasses import dataclass

import structlog
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platerota_service.watch.metrics import Metrics
from platerota_service.watch.traces import trace_of

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class WatchedCalls:
    """Passes calls on to `app` and watches them. The query is never logged: it may carry the signature of a link."""

    app: ASGIApp
    metrics: Metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one call."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        trace, began, status = trace_of(Headers(scope=scope).get("traceparent")), time.perf_counter(), 500
        structlog.contextvars.clear_contextvars()
        structlog.contextvars.bind_contextvars(trace_id=trace.trace_id, span_id=trace.span_id)

        async def send_traced(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)["traceparent"] = trace.traceparent
            await send(message)

        try:
            await self.app(scope, receive, send_traced)
        finally:
            seconds = time.perf_counter() - began
            self.metrics.count_call(scope["method"], _template(scope), status, seconds)
            facts = {"method": scope["method"], "path": scope["path"], "status": status, "seconds": round(seconds, 4)}
            _log.log(logging.DEBUG if scope["path"].startswith("/v1/health") else logging.INFO, "call", extra=facts)


def _template(scope: Scope) -> str:
    """The address with names for its ids, so that there are few of them; one word for every address that nobody knows."""
    route = scope.get("route")
    return getattr(route, "path_format", None) or "unknown"
