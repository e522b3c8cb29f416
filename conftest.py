"""What holds for every test: what is checked against outside sources is recorded, and in continuous integration nothing is left out."""

import gc
import os
from collections.abc import Generator, Iterator

import pytest

from proof_tools.outside import PAGE, Check, Outside, Record, page

WHOLE_RUNS = ("", "not nightly", "outside or last")
RECORD = pytest.StashKey[Record]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--write-proof` is what `make proof` runs."""
    parser.addoption("--write-proof", action="store_true", help="write the page of what was checked against outside sources")


def pytest_configure(config: pytest.Config) -> None:
    """Nothing is recorded yet; the run is whole where the whole house is asked for and nothing is picked out of it."""
    options, asked = config.option, config.args_source is pytest.Config.ArgsSource.TESTPATHS
    config.stash[RECORD] = Record(complete=asked and options.markexpr in WHOLE_RUNS and not options.keyword and not options.deselect)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that take `outside` are marked so, and the test that holds the page against them comes last."""
    for item in items:
        if "outside" in getattr(item, "fixturenames", ()):
            item.add_marker("outside")
    items.sort(key=lambda item: item.get_closest_marker("last") is not None)


def pytest_collection_finish() -> None:
    """What is there before the first test stays: the collector need not look through it again and again."""
    gc.collect()
    gc.freeze()


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Write the page, where that was asked for and every test agreed."""
    if session.config.option.write_proof and exitstatus == 0:
        PAGE.write_text(page(session.config.stash[RECORD].checks), encoding="utf-8")


@pytest.fixture
def record(pytestconfig: pytest.Config) -> Record:
    """What this run has checked against outside sources so far."""
    return pytestconfig.stash[RECORD]


@pytest.fixture
def outside(request: pytest.FixtureRequest, record: Record) -> Iterator[Outside]:
    """Holds a value against an outside source, and records it; fails where the page does not have it."""
    checks: set[Check] = set()
    yield Outside(request.node.nodeid.partition("[")[0], checks)
    record.checks |= checks
    if not request.config.option.write_proof:
        missing = {check.row() for check in checks} - set(PAGE.read_text("utf-8").splitlines())
        assert not missing, f"not on {PAGE.name}, which `make proof` writes: {missing}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where `CI` is set, a test that is skipped has failed."""
    report = yield
    if os.environ.get("CI") and report.skipped:
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped: {report.longrepr}"
    return report
