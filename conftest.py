"""What holds for every test: where everything is installed, in continuous integration, nothing is left out."""

import os
from collections.abc import Generator

import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where `CI` is set, a test that is skipped has failed."""
    report = yield
    if os.environ.get("CI") and report.skipped:
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped: {report.longrepr}"
    return report
