"""ETags (RFC 9110 section 8.8.3): who has seen a thing already, and whose change would overwrite another one."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from importlib.metadata import version
from typing import Any, Final

from fastapi import Request

from platerota_service.engine import PlanState
from platerota_service.kinds import BAD_HEADER, CHANGED, IF_MATCH_MISSING
from platerota_service.problems import ProblemError

_LIST: Final = re.compile(r'\s*(W/)?"([^"\x00-\x20\x7f]*)"\s*(?:,|$)')
ANY: Final = "*"
IF_MATCH: Final[dict[str, Any]] = {
    "name": "If-Match", "in": "header", "required": False, "schema": {"type": "string", "examples": ['"3f2b8a4c.3-fresh"', "*"]},
    "description": "The ETag that was seen: what has another one by now is left as it is, and answered 412. `*`, or no such header:"
    " whatever is there.",
}
"""The described precondition of a call that changes a thing and may come without one."""
FRESHNESS: Final = {"Cache-Control": "private, no-cache", "Vary": "Accept, Authorization, Cookie, X-API-Key"}
"""Of a page or file: ask each time whether it has changed; what one caller got is not another one's."""


def file_tag(*states: PlanState, more: str = "") -> str:
    """The ETag of what is made from plans: a page, a picture, a file.

    It is weak, because the same is told again in other bytes: a workbook holds the time it was written. It changes with the plans, with
    the base of one, which may be deleted, with `more`, and with this program.
    """
    plans = "-".join(f"{state.id[:8]}.{state.revision}{'' if state.base_id is None else '.b'}" for state in states)
    return f'W/"{plans}{more}-{version("platerota")}"'


def already_seen(call: Request, tag: str) -> bool:
    """Whether the caller's If-None-Match names `tag` (with its quotes, weak or not): weak comparison, section 13.1.2.

    Raises
    ------
    ProblemError
        400 for a header that is no list of ETags.
    """
    named = _named(call, "if-none-match")
    return named is not None and (named.strip() == ANY or tag.removeprefix("W/").strip('"') in {text for _, text in _pairs(named)})


def may_create(call: Request) -> bool:
    """Whether the caller's preconditions allow to make what is not there yet: no If-Match says otherwise (section 13.1.1)."""
    return _named(call, "if-match") is None


def check_may_replace(call: Request, tag: str, *, any_will_do: bool = True) -> None:
    """Refuse to overwrite or delete the thing with `tag`, unless If-Match names it: strong comparison, section 13.1.1.

    Parameters
    ----------
    any_will_do
        Whether `If-Match: *` is enough; not where an address may mean another thing by now.

    Raises
    ------
    ProblemError
        412 where it has another ETag or `If-None-Match: *` was said, 428 where the caller names none, 400 for a malformed header.
    """
    unseen, named = _named(call, "if-none-match"), _named(call, "if-match")
    if unseen is not None and (unseen.strip() == ANY or tag.strip('"') in {text for _, text in _pairs(unseen)}):
        raise ProblemError(CHANGED, "If-None-Match asks for what is not there yet, but it is there")
    if named is None:
        raise ProblemError(IF_MATCH_MISSING, "the header If-Match is missing")
    if named.strip() == ANY:
        if any_will_do:
            return
        raise ProblemError(IF_MATCH_MISSING, "'If-Match: *' is not enough here: the address is a position, and may mean another row by now")
    _check_named(named, tag)


def only_unchanged(call: Request) -> Callable[[str], None] | None:
    """What refuses to change the thing with the ETag it is given, unless If-Match names that: strong comparison, section 13.1.1.

    It raises ProblemError: 412 where the thing has another ETag, 400 for a malformed header. None where the caller names no ETag, so that
    whatever is there may be changed.
    """
    named = _named(call, "if-match")
    return partial(_check_named, named) if named is not None else None


def _check_named(named: str, tag: str) -> None:
    if named.strip() != ANY and tag.strip('"') not in {text for weak, text in _pairs(named) if not weak}:
        raise ProblemError(CHANGED, f"If-Match names another ETag than the present one, {tag}")


def _named(call: Request, name: str) -> str | None:
    values = call.headers.getlist(name)
    return ", ".join(values) if values else None


def _pairs(header: str) -> list[tuple[bool, str]]:
    """Each ETag of a list, and whether it is a weak one."""
    found, place = list[tuple[bool, str]](), 0
    while place < len(header):
        match = _LIST.match(header, place)
        if match is None:
            raise ProblemError(BAD_HEADER, f"an ETag is written in double quotes, as it was answered; this cannot be read: {header[:80]}")
        found.append((match[1] is not None, match[2]))
        place = match.end()
    return found
