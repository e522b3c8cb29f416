"""How many branches of each package the tests reach: ``python -m coverage json --quiet -o - | python -m proof_tools.branches``.

A branch is a way that the code may go on after a line: an `if` has two. What `coverage report --fail-under` compares is a mix of
lines and branches, in which the many lines hide the branches that no test takes.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Final, TypedDict

GOALS: Final = {"platerota_shared": 95, "platerota_solver": 95, "platerota_service": 90}
"""Package → percent of its branches that the tests of the whole house shall reach."""


class _Summary(TypedDict):
    num_branches: int
    covered_branches: int


class _Measured(TypedDict):
    summary: _Summary


class Report(TypedDict):
    """What is read of the JSON report of coverage.py: path → the counts of a file."""

    files: Mapping[str, _Measured]


@dataclass(frozen=True)
class Reached:
    """How many branches of a package there are, and how many of them tests reach."""

    package: str
    reached: int
    branches: int

    @property
    def enough(self) -> bool:
        """Whether the goal of the package is met; a package that was not measured meets none."""
        return self.branches > 0 and 100 * self.reached >= GOALS[self.package] * self.branches

    def __str__(self) -> str:
        share = 100 * self.reached / max(1, self.branches)
        goal = f"goal {GOALS[self.package]} %, {'met' if self.enough else 'NOT met'}"
        return f"{self.package}: {self.reached} of {self.branches} branches reached, {share:.2f} % ({goal})"


def packages(report: Report) -> Iterator[Reached]:
    """The packages, each with the branches of all its files."""
    for package in GOALS:
        counts = [measured["summary"] for path, measured in report["files"].items() if package in PurePath(path).parts]
        yield Reached(package, sum(one["covered_branches"] for one in counts), sum(one["num_branches"] for one in counts))


def main(text: str) -> int:
    """Print a line for each package; 0 where every goal is met.

    Parameters
    ----------
    text
        The JSON report, of a run that measured branches.
    """
    found = list(packages(json.loads(text)))
    for one in found:
        print(one)
    return 0 if all(one.enough for one in found) else 1


if __name__ == "__main__":
    sys.exit(main(sys.stdin.read()))
