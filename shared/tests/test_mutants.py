"""The faults sown into the audit: what is changed, that each is one change, and that tests notice it."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from proof_tools import mutants as sown
from proof_tools.equivalent import EQUIVALENT
from proof_tools.mutants import AUDIT, mutants

SOURCE = '''"""Words."""

MINUTE = 60

def late(finish: int | None, due: int) -> list[int]:
    """More words."""
    found = []
    for one in (1, due):
        if finish is not None and finish + one > due:
            found.append(one)
        yield max(found)
    return [one for one in found if one]


class Day:
    @property
    def length(self) -> int:
        return 86400
'''


def test_every_change_is_one_change_of_what_the_code_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sown, "SHARED", tmp_path)
    path = tmp_path / "late.py"
    path.write_text(SOURCE, "utf-8")
    made = list(mutants(path))
    assert {one.words for one in made if len(one.words) < 80} == {
        "late.py late: 1  ->  2", "late.py late: finish is not None  ->  finish is None",
        "late.py late: finish + one > due  ->  finish + one >= due", "late.py late: finish + one  ->  finish - one",
        "late.py late: max  ->  min", "late.py late: for one in found if one  ->  for one in found if not one",
        "late.py Day.length: 86400  ->  86401", "late.py : 60  ->  61",
    }
    assert str(made[0]) == "./late.py : 60  ->  61, line 3"
    texts = {ast.unparse(one.tree()[0]) for one in made}
    assert len(texts) == len(made) == 11
    assert ast.unparse(ast.parse(SOURCE)) not in texts


def test_every_change_that_is_called_equivalent_is_one_of_those_made() -> None:
    files = {name.partition(" ")[0] for name in EQUIVALENT}
    made = {one.words for name in files for one in mutants(AUDIT / name)}
    assert set(EQUIVALENT) - made == set()


@pytest.mark.nightly
def test_what_changes_a_rule_is_noticed_and_what_changes_nothing_is_not() -> None:
    """In a process of its own, which has not loaded the audit; it runs the tests without any change first."""
    command = [sys.executable, "-m", "proof_tools.mutants", "--only", "durations.py", "--first", "20", "--every", "1000"]
    ran = subprocess.run(command, cwd=AUDIT.parents[1], capture_output=True, text=True, check=False)
    assert ran.stdout.splitlines()[-1] == "1 of 1 killed: 100.0%; 0 more change nothing", ran.stdout + ran.stderr
