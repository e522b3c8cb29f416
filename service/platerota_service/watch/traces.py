"""W3C Trace Context (https://www.w3.org/TR/trace-context/): the caller's trace goes on in our logs, and every answer names it."""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass
from typing import Final

import structlog

_TRACEPARENT: Final = re.compile(r"([0-9a-f]{2})-([0-9a-f]{32})-([0-9a-f]{16})-([0-9a-f]{2})(-.*)?")


@dataclass(frozen=True, slots=True)
class Trace:
    """Where a call belongs: the trace (32 hex digits), our part of it (16), who called (16 or None), and the flags (2)."""

    trace_id: str
    span_id: str
    parent_id: str | None
    flags: str

    @property
    def traceparent(self) -> str:
        """The header that names our part of the trace."""
        return f"00-{self.trace_id}-{self.span_id}-{self.flags}"


def trace_of(traceparent: str | None) -> Trace:
    """Our part of the trace that a `traceparent` header names; a new trace where there is none or it is malformed (section 4.3)."""
    found = _TRACEPARENT.fullmatch(traceparent.strip()) if traceparent is not None else None
    if found is None or not _valid(*found.groups()):
        return Trace(secrets.token_hex(16), secrets.token_hex(8), None, "00")
    _, trace_id, parent_id, flags, _ = found.groups()
    return Trace(trace_id, secrets.token_hex(8), parent_id, f"{int(flags, 16) & 1:02x}")


def trace_id() -> str | None:
    """The trace that this task logs under; None where it has none."""
    found = structlog.contextvars.get_contextvars().get("trace_id")
    return found if isinstance(found, str) else None


def log_under(trace: str | None, **about: str) -> None:
    """Let this task log under a trace, where there is one, and what it is about, whatever it did before."""
    structlog.contextvars.clear_contextvars()
    structlog.contextvars.bind_contextvars(**about, **({"trace_id": trace} if trace is not None else {}))


def _valid(version: str, trace_id: str, parent_id: str, _flags: str, rest: str | None) -> bool:
    """Section 2.2: version ff and ids of zeros are invalid; version 00 ends after the flags, later ones may say more."""
    return version != "ff" and set(trace_id) != {"0"} and set(parent_id) != {"0"} and not (version == "00" and rest)
