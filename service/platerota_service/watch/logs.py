"""Structured logs: one JSON object a line, with the trace and the plan it is about, for every logger of this process."""

from __future__ import annotations

import logging
import sys
from typing import Any, Final, TextIO

import structlog
from structlog.types import Processor

from platerota_service.access.tokens import without_secrets

_SHARED: Final[list[Processor]] = [
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.stdlib.add_logger_name,
    structlog.stdlib.ExtraAdder(),
    structlog.processors.TimeStamper(fmt="iso", utc=True),
    structlog.processors.format_exc_info,
]


def _shown(_logger: object, _method: str, line: Any) -> str:
    return without_secrets(line)


def start_logging(*, readable: bool = False, stream: TextIO | None = None) -> None:
    """Send the records of every logger to one stream, once for this process.

    Parameters
    ----------
    readable
        Lines for people at a screen instead of JSON.
    stream
        Standard error where not given.
    """
    renderer: Processor = structlog.dev.ConsoleRenderer(colors=False) if readable else structlog.processors.JSONRenderer(ensure_ascii=False)
    handler = logging.StreamHandler(stream if stream is not None else sys.stderr)
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=_SHARED,
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, renderer, _shown],
    ))
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    for name in ("httpx", "httpcore", "alembic", "dbos"):
        logging.getLogger(name).setLevel(logging.WARNING)
