"""`make coverage` holds the branches of each package against its goal, not the lines, and not all packages together."""

from __future__ import annotations

import json

import pytest

from proof_tools.branches import main

WELL = {
    "shared/platerota_shared/plan.py": (96, 100), "solver/platerota_solver/search.py": (95, 100),
    "service/platerota_service/app.py": (9, 10),
}


def report(**changed: tuple[int, int]) -> str:
    """The report of a run that meets every goal exactly or by a little, with other counts for some files."""
    files = WELL | {path: counts for path in WELL for name, counts in changed.items() if path.endswith(f"/{name}.py")}
    return json.dumps({"files": {
        path: {"summary": {"covered_branches": reached, "num_branches": branches, "covered_lines": 1000, "num_statements": 1000}}
        for path, (reached, branches) in files.items()
    }})


def test_each_package_has_its_line_and_its_goal(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(report()) == 0
    assert capsys.readouterr().out.splitlines() == [
        "platerota_shared: 96 of 100 branches reached, 96.00 % (goal 95 %, met)",
        "platerota_solver: 95 of 100 branches reached, 95.00 % (goal 95 %, met)",
        "platerota_service: 9 of 10 branches reached, 90.00 % (goal 90 %, met)",
    ]


@pytest.mark.parametrize("changed", [
    {"search": (94_999, 100_000)},  # by a hair, with every line reached and the other packages far above
    {"app": (0, 0)},  # a package that was not measured
])
def test_one_package_below_its_goal_fails(changed: dict[str, tuple[int, int]], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(report(**changed)) == 1
    assert capsys.readouterr().out.count("NOT met") == 1
