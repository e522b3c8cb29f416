"""Whatever file or body comes, it is read or refused: no crash, no more than 5 CPU seconds, no more than 1 GiB.

The readers run in a child process that could not take more. `FUZZ_FILES` says how many files of each kind are drawn.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import selectors
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from platerota_service.answers import example
from platerota_service.workbook import SheetsRefused, read_sheets

from . import drawn_files
from .sheet_files import Sheets, changed

MANY = int(os.environ.get("FUZZ_FILES", "0"))
DRAWN = settings(
    max_examples=MANY or 60, derandomize=not MANY, database=None, deadline=None, suppress_health_check=list(HealthCheck), print_blob=True,
)
MOST_CPU_SECONDS = 5.0
CHILD = str(Path(__file__).with_name("file_reader_child.py"))
PATIENCE_SECONDS = 120
"""Wall seconds until a reader that says nothing counts as one that hangs, on a machine that does much else besides."""


class Reader:
    """The child process that reads; a new one after each that ended."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None

    def ask(self, kind: str, body: bytes) -> str:
        """What became of a body."""
        if self._child is None:
            self._child = subprocess.Popen([sys.executable, CHILD], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        child = self._child
        assert child.stdin is not None
        assert child.stdout is not None
        with contextlib.suppress(BrokenPipeError):  # it ended; what it said is read below
            child.stdin.write(f"{kind} {len(body)}\n".encode() + body)
            child.stdin.flush()
        with selectors.DefaultSelector() as selector:
            selector.register(child.stdout, selectors.EVENT_READ)
            ready = selector.select(PATIENCE_SECONDS)
        line = child.stdout.readline() if ready else b""
        if not line.startswith(b'{"said"'):
            if not ready:
                child.kill()
            rest = line + child.stdout.read()
            self.close()
            raise AssertionError(f"the reader {'ended' if ready else 'hangs'}: {rest.decode(errors='replace')[-2_000:]}")
        answer = json.loads(line)
        assert answer["seconds"] < MOST_CPU_SECONDS
        return str(answer["said"])

    def close(self) -> None:
        if self._child is not None:
            with self._child as child:  # closes its pipes and waits for it
                child.kill()
            self._child = None


@pytest.fixture(scope="module")
def reader() -> Iterator[Reader]:
    reader = Reader()
    yield reader
    reader.close()


def test_the_files_that_are_spoilt_are_true_ones(reader: Reader) -> None:
    said = {kind: reader.ask("point", content) for kind, content in drawn_files.true_files().items()}
    assert said == dict.fromkeys(("xlsx", "ods", "csv"), "read")
    assert reader.ask("json", json.dumps(example("request")).encode()) == "read"


@DRAWN
@given(body=drawn_files.spoilt_workbook(), kind=st.sampled_from(("point", "comma")))
def test_a_spoilt_workbook_is_read_or_refused(reader: Reader, body: bytes, kind: str) -> None:
    assert reader.ask(kind, body)


@DRAWN
@given(body=drawn_files.spoilt_csv(), kind=st.sampled_from(("point", "comma")))
def test_spoilt_csv_files_are_read_or_refused(reader: Reader, body: bytes, kind: str) -> None:
    assert reader.ask(kind, body)


@DRAWN
@given(body=drawn_files.odd_archive() | st.binary(max_size=2_000))
def test_an_archive_of_anything_is_refused(reader: Reader, body: bytes) -> None:
    assert reader.ask("point", body).startswith("refused")


@DRAWN
@given(body=drawn_files.spoilt_json())
def test_a_spoilt_request_is_read_or_refused(reader: Reader, body: bytes) -> None:
    assert reader.ask("json", body)


class TestFound:
    """What fuzzing found once stays a case."""

    @pytest.mark.parametrize("column", ["quantity", "weight", "due", "id"])
    @pytest.mark.parametrize("number", ["inf", "-inf", "nan", "1e999", "9" * 400])
    def test_a_number_without_end_in_a_cell_is_a_fault_of_that_cell(self, column: str, number: str) -> None:
        """An endless number in a column of whole numbers broke the reader: found with 1e308 in a sheet of settings."""
        marked = Sheets(example("request")).put("orders", column, 123_456.5)
        as_text = [] if column == "id" else [changed(marked.csv_zip(), lambda _, part: part.replace(b"123456.5", number.encode()))]
        for content in (
            *as_text,  # where it is a name like any other
            changed(marked.xlsx(), lambda _, part: part.replace(b"<v>123456.5</v>", f"<v>{number}</v>".encode())),
            changed(marked.ods(), lambda _, part: part.replace(b'office:value="123456.5"', f'office:value="{number}"'.encode())),
        ):
            with pytest.raises(SheetsRefused) as refused:
                read_sheets(content)
            assert {(fault.sheet, fault.row) for fault in refused.value.faults} <= {("orders", 2), (None, None)}

    def test_the_last_second_that_there_is_has_no_next(self) -> None:
        latest = Sheets(example("request")).put("orders", "due", dt.datetime.max.replace(microsecond=0))
        with pytest.raises(SheetsRefused):
            read_sheets(latest.xlsx())
