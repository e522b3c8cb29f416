"""What can be wrong with a request, and how it is said.

The error tree::

    RequestRefused          the request has faults, every one of them in `faults`
    └── Unreadable          no request could be read at all: no JSON, no UTF-8, no finite numbers, too large, too deep

Neither knows anything of how a request arrived. Every :class:`Fault` carries one code of :data:`CODES`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, LiteralString

from pydantic_core import PydanticCustomError

CODES: Final[dict[str, str]] = {
    # The document as a whole
    "too-large": "the request is larger than 16 MiB",
    "not-utf-8": "the request is not UTF-8 text",
    "not-json": "the request is not JSON",
    "not-finite": "a number is NaN, infinite, or too large to count with",
    "too-deep": "lists and objects are nested deeper than any request needs",
    "duplicate-key": "one object gives the same field twice",
    "more-faults": "there are more faults than are listed",
    # One row by itself
    "missing-field": "a field that has no default is not given",
    "unknown-field": "a field that the contract does not have",
    "wrong-type": "a value is of another kind than its field: text for a number, a number for a list",
    "out-of-range": "a number, length, mass, duration or instant lies outside what its field allows",
    "unknown-choice": "a word is not among those the field allows",
    "bad-text": "text is blank, too long, or holds characters that cannot be printed",
    "bad-unit": "a length or mass has no unit, or one that is not known",
    "bad-instant": "an instant is not written as RFC 3339 or local date and time",
    "bare-number-instant": "an instant is a bare number, such as a spreadsheet's serial date",
    "skipped-hour": "a local time does not exist because the clock is put forward",
    "doubled-hour": "a local time happens twice because the clock is put back",
    "bad-time-of-day": "a time of day or a break is not written HH:MM",
    "bad-date": "a date is not written YYYY-MM-DD",
    "unknown-timezone": "the timezone is not in the public timezone database",
    "too-many-rows": "a table or list is longer than its limit",
    # Tables against each other
    "unknown-id": "a row names a machine, plate, fixture, operator or order that is not in its table",
    "unknown-part": "a row names a part that has no operations",
    "unknown-op": "a row names an op that its part does not have",
    "unknown-mount": "a fixture can only be built on a mount that no plate has",
    "duplicate-row": "two rows say the same thing, or carry the same id",
    # Times
    "ends-before-start": "something ends at or before its start",
    "break-outside-shift": "a break is not inside its shift",
    "shift-all-breaks": "the breaks of a shift leave no working time",
    "shift-never-falls": "no day of a shift lies between its first and last date",
    "closure-names-several": "a closure names more than one of machine, plate and operator",
    "present-names-nobody": "a closure says that somebody is present, and names no operator",
    # What can be made
    "too-few-positions": "a machine with automatic exchange has fewer than two positions",
    "too-many-tools": "a machine's resident tools are more than its tool slots",
    "too-many-runs": "the orders need more runs of a plate than one plan can hold",
    "no-nest": "no fixture has a nest for an op that an order needs",
    "no-plate": "no plate carries a fixture that an order needs, and it cannot be built",
    "no-blank-plate": "a fixture must be built, but no blank plate takes it",
    "no-machine": "no machine takes a plate: mount, size, mass, tool slots or the fixture's own list of machines",
    "stays-misfit": "a plate stays in a machine that cannot take it",
    "too-many-plates": "more plates are on a machine than it has positions",
    "nobody": "nobody with a skill that an order needs is on shift inside the horizon",
    # The floor as it is
    "too-many-pieces": "more pieces are done or under way than were ordered",
    "plate-without-fixture": "a run is on a plate that carries no fixture",
    "nest-missing": "a run holds pieces of an op for which its fixture has no nest",
    "nests-overfilled": "a run holds more pieces than its fixture has nests",
    "run-disagrees": "the rows of one plate do not describe one run",
    "plate-twice": "one plate is in two runs at once",
    "two-cuts": "two plates are being cut on one machine",
    "cut-end-past": "a running cut ends at or before now",
    "cut-end-beyond": "a running cut ends after the horizon",
    "machine-missing": "a run is in a machine that is not named",
    "machine-not-due": "a run at the bench names a machine",
    "stays-elsewhere": "a plate that stays in one machine is said to be elsewhere",
    "stage-never": "a plate that stays in its machine is never placed or pulled",
    "run-misfit": "a run is in a machine that cannot take its plate, or no machine can",
    # What-if changes
    "changes-nothing": "a change says nothing to change, or what it allows is allowed already",
    "changes-contradict": "two changes say different things of the same row",
    "order-under-way": "an order to be dropped has pieces on a plate",
    # What has happened since a plan was made
    "now-outside-plan": "the new now lies before the plan begins or after it ends",
    "cut-end-not-due": "a run that is not being cut has a cut_end",
    "cuts-while-closed": "a run is said to be cut on a machine that is said to be closed",
    "pieces-missing": "more pieces are on plates or used up than there were",
}
"""Every code and what it means, in trade words."""

MAX_FAULTS = 10_000
"""Faults listed for one request; past them a last one says how many more there are."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a request.

    Parameters
    ----------
    pointer
        Where, as an RFC 6901 JSON pointer.
    code
        One of :data:`CODES`.
    detail
        A sentence in trade words.
    mend
        What to change.
    """

    pointer: str
    code: str
    detail: str
    mend: str

    def __post_init__(self) -> None:
        if self.code not in CODES:
            raise ValueError(f"code {self.code!r} is not in the catalogue of faults")


class RequestRefused(Exception):
    """A request with faults.

    Parameters
    ----------
    faults
        All of them, at least one; kept in `faults`.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        found = tuple(faults)
        self.faults: tuple[Fault, ...] = found if len(found) <= MAX_FAULTS else (*found[:MAX_FAULTS], _more(len(found) - MAX_FAULTS))
        super().__init__("; ".join(f"{fault.pointer or '/'}: {fault.detail}" for fault in self.faults[:5]))


class Unreadable(RequestRefused):
    """A request that could not be read at all."""


def _more(count: int) -> Fault:
    return Fault("", "more-faults", f"the request has {count} more faults than are listed here", "mend the listed ones and send it again")


def pointer(*steps: str | int) -> str:
    """The RFC 6901 pointer of `steps`, ``~`` and ``/`` escaped; what cannot be written in UTF-8 becomes a question mark."""
    written = "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in steps)
    return written if written.isascii() else written.encode("utf-8", "replace").decode("utf-8")


def refusal(code: LiteralString, words: str, mend: str) -> PydanticCustomError:
    """The error by which a field refuses its value: `words` follow the field's name, `mend` says what to write."""
    return PydanticCustomError(code, "{words}", {"words": words, "mend": mend})


def shown(value: Any) -> str:
    """A value as it may be quoted in a sentence: short, in JSON's words, text in single quotes."""
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, str):
        return f"'{_short(value)}'"
    if isinstance(value, (int, float)):
        return "a huge number" if isinstance(value, int) and value.bit_length() > 200 else repr(value)
    return "an object" if isinstance(value, dict) else "a list"


def _short(text: str) -> str:
    printable = "".join(char if char.isprintable() else "?" for char in text[:61])
    return printable if len(printable) <= 60 else printable[:57] + "..."


def listed(names: Sequence[str], limit: int = 5) -> str:
    """Names as a planner reads them aloud: ``A, B and 3 more``."""
    if len(names) > limit:
        return f"{', '.join(names[:limit])} and {len(names) - limit} more"
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]])) if names else "none"
