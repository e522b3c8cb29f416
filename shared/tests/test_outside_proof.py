"""The page of what was checked against outside sources says what the tests of this run recorded, and nothing else."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from proof_tools.outside import PAGE, Check, Outside, Record, page
from proof_tools.sources import KNOWN, SOURCES

ROOT = Path(__file__).parents[2]


def rows() -> list[str]:
    """The rows of the page that stands in the repository."""
    return [line for line in PAGE.read_text("utf-8").splitlines() if line.startswith("| ") and line.endswith("` |")]


def test_what_differs_is_an_error_and_is_not_recorded() -> None:
    checks: set[Check] = set()
    outside = Outside("here", checks)
    for found, published, off in [(1, 2, 0), (1.0, 1.2, 0.1), ("a", "b", 0), ([1, 2], [1, 3], 0), ([1.0], [1.0, 2.0], 0.1)]:
        with pytest.raises(AssertionError, match="what it is"):
            outside("what it is", found, published, "RFC 6901", "memory", off=off)
    assert checks == set()
    outside("what it is", [1.04, 2], [1, 2], "RFC 6901", "memory", off=0.1)
    (check,) = checks
    assert (check.published, check.found) == ("1, 2 (± 0.1)", "1, 2")


@pytest.mark.parametrize(("source", "known"), [("hearsay", "memory"), ("RFC 6901", "somebody said so")])
def test_no_source_is_named_that_is_not_in_the_list(source: str, known: str) -> None:
    with pytest.raises(KeyError):
        Outside("here", set())("what it is", 1, 1, source, known)


def test_every_test_that_the_page_names_takes_the_fixture() -> None:
    for name in {row.split("`")[-2] for row in rows()}:
        path, *_, function = name.split("::")
        takes = {
            node.name: {argument.arg for argument in node.args.args} for node in ast.walk(ast.parse((ROOT / path).read_text("utf-8")))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        }
        assert "outside" in takes[function], name


@pytest.mark.last
def test_the_page_says_what_the_tests_recorded(record: Record, pytestconfig: pytest.Config) -> None:
    """`make proof` writes the page anew."""
    if pytestconfig.option.write_proof:
        written = page(record.checks)
        assert record.complete
    else:
        written = PAGE.read_text("utf-8")
    assert {check.row() for check in record.checks} <= set(written.splitlines())
    if record.complete:
        assert written == page(record.checks)
        assert {check.source for check in record.checks} == set(SOURCES)
        assert {check.known for check in record.checks} == set(KNOWN)
        assert len({(check.source, check.what) for check in record.checks}) >= 60
