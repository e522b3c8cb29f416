"""Values checked against outside sources: tests say what they check, and the page that lists it is made of what they said.

A test takes the fixture `outside` and calls it with what was found and what the source says. The call asserts, and only what held
is recorded; the fixture fails where the page does not have it. `make proof` runs all such tests and writes the page; the test in
`shared/tests/test_outside_proof.py` comes last, and where the run was whole the page says what was recorded, and no more.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, cast

import pytest

from proof_tools.sources import KNOWN, SOURCES

PAGE: Final = Path(__file__).parents[1] / "outside-proof.md"
"""The page, beside the packages of shared."""
_HEAD: Final = """# Checked against the outside

Every value here was held against a source outside this project while the tests ran, and agreed. `make proof` runs those tests
and writes this page of what they recorded; `make test` fails where a value that it holds is not here.
"""
_COLUMNS: Final = ("| what | source says | here | known | test |", "| --- | --- | --- | --- | --- |")


@dataclass(frozen=True, order=True)
class Check:
    """One value that held: the texts of a row of the page."""

    source: str
    what: str
    published: str
    found: str
    known: str
    test: str

    def row(self) -> str:
        """The row as Markdown."""
        cells = (self.what, self.published, self.found, self.known, f"`{self.test}`")
        return f"| {' | '.join(cell.replace('|', '¦') for cell in cells)} |"


@dataclass
class Record:
    """What the tests of one run checked; `complete` where nothing was left out of the run."""

    checks: set[Check] = field(default_factory=set[Check])
    complete: bool = False


@dataclass(frozen=True)
class Outside:
    """The fixture: called with each value that a test holds against a source."""

    test: str
    checks: set[Check]

    def __call__(self, what: str, found: Any, published: Any, source: str, known: str, *, off: float = 0) -> None:
        """Assert that `found` is what `source` says, and record it.

        Parameters
        ----------
        what
            The value in a planner's words, with its unit and the inputs that decide it.
        found, published
            What the code under test gives, and what the source says: numbers, text, or lists of them.
        source
            A key of `SOURCES`.
        known
            A key of `KNOWN`: how we know what the source says.
        off
            How far a number may lie from the published one, at most; in its unit.

        Raises
        ------
        AssertionError
            If they differ.
        KeyError
            If the source, or the way it is known, is not one of those.
        """
        assert off >= 0
        for name, names in ((source, SOURCES), (known, KNOWN)):
            if name not in names:
                raise KeyError(name)
        assert found == (pytest.approx(published, rel=0, abs=off) if off else published), f"{what}: {source} says {published}, not {found}"
        words = f"{_shown(published, off)} (± {off:.2g})" if off else _shown(published, off)
        self.checks.add(Check(source, what, words, _shown(found, off), known, self.test))


def page(checks: Iterable[Check]) -> str:
    """The page of `checks`, a table for each source."""
    rows = sorted(checks)
    values = {(check.source, check.what, check.published) for check in rows}
    sources = sorted({check.source for check in rows}, key=str.casefold)
    lines = [_HEAD, f"{len(values)} values from {len(sources)} sources, in {len(rows)} checks. How a value is known:", ""]
    for known, words in KNOWN.items():
        own = len({(check.source, check.what, check.published) for check in rows if check.known == known})
        lines.append(f"- **{known}** ({own}): {words}.")
    for source in sources:
        lines += ["", f"## {source}", "", f"{SOURCES[source]}.", "", *_COLUMNS]
        lines += [check.row() for check in rows if check.source == source]
    return "\n".join(lines) + "\n"


def _shown(value: Any, off: float) -> str:
    """A value as the page shows it: numbers with as many digits as the allowed difference leaves a meaning to."""
    if isinstance(value, list | tuple):
        return ", ".join(_shown(one, off) for one in cast("Sequence[Any]", value))
    if isinstance(value, bool) or not hasattr(value, "__float__"):
        return f"`{value}`" if isinstance(value, str) else str(value)
    return f"{round(float(value), max(0, math.ceil(-math.log10(off)))) if off else float(value):.10g}"
