"""Tables as CSV (RFC 4180), in and out: the same columns, by the same checks as a workbook."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platerota_service.answers import example
from platerota_service.workbook import PLAN_TABLES, PlanBook, SheetsRefused, plan_csv, plan_csvs, plan_table, read_sheets, request_sheets
from platerota_service.workbook.csv_reading import csv_rows, guarded, unguarded
from platerota_service.workbook.csv_writing import template_csv, template_csvs
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from proof_tools.outside import Outside

from .sheet_files import Sheets, csv_bytes, zipped


@pytest.fixture
def plan(plan_document: dict[str, Any]) -> Plan:
    return Plan.from_document(plan_document)


def csv_table(content: bytes) -> list[list[str]]:
    """The rows of a CSV file by Python's own reader, strict."""
    return list(csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True))


def table(name: str) -> Any:
    found = plan_table(name)
    assert found is not None
    return found


def code(body: bytes) -> tuple[str | None, int | None, str | None, str]:
    with pytest.raises(SheetsRefused) as error:
        read_sheets(body)
    (fault,) = error.value.faults
    return fault.sheet, fault.row, fault.column, fault.code


class TestOut:
    def test_lines_end_and_quotes_double_as_the_standard_says(self, outside: Outside, plan: Plan) -> None:
        held = plan.runs[0].model_copy(update={"fixture": 'vise "small", left\nhalf'})
        content = plan_csv(table("runs"), PlanBook(plan.model_copy(update={"runs": (held,)})))
        quoted = '"vise ""small"", left\nhalf"'
        times = content.decode().count(quoted)
        outside("times that a field with quotes, a comma and a line break stands there quoted", times, 1, "RFC 4180", "memory")
        outside("end of the last line", content[-2:].hex(" "), "0d 0a", "RFC 4180", "memory")
        assert not content.startswith(b"\xef\xbb\xbf")
        assert csv_table(content)[1][2] == 'vise "small", left\nhalf'

    def test_instants_carry_their_offset_and_truth_values_are_words(self, plan: Plan) -> None:
        rows = csv_table(plan_csv(table("load_windows"), PlanBook(plan)))
        row = dict(zip(rows[0], rows[1], strict=True))
        assert (row["start"], row["pieces_held"]) == ("2027-03-01T06:00:00+00:00", "A-1042 op 10: 4")
        orders = csv_table(plan_csv(table("orders"), PlanBook(plan)))
        assert dict(zip(orders[0], orders[1], strict=True))["placed"] == "true"

    @pytest.mark.parametrize("one", PLAN_TABLES, ids=lambda one: one.name)
    def test_every_table_has_its_headings_and_a_cell_for_each(self, plan: Plan, one: Any) -> None:
        rows = csv_table(plan_csv(one, PlanBook(plan)))
        assert rows[0] == [column.name for column in one.columns]
        assert {len(row) for row in rows} == {len(one.columns)}

    def test_all_tables_in_one_zip_the_same_bytes_for_the_same_plan(self, plan: Plan) -> None:
        content = plan_csvs(PlanBook(plan))
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            assert archive.namelist() == [f"{one.name}.csv" for one in PLAN_TABLES]
            assert archive.read("runs.csv") == plan_csv(table("runs"), PlanBook(plan))
        assert plan_csvs(PlanBook(plan)) == content

    @pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "'=1", "''+"])
    def test_text_that_a_spreadsheet_would_take_for_a_formula_is_guarded(self, outside: Outside, plan: Plan, text: str) -> None:
        held = plan.runs[0].model_copy(update={"plate": text})
        cell = csv_table(plan_csv(table("runs"), PlanBook(plan.model_copy(update={"runs": (held,)}))))[1][1]
        outside(f"cell of the text {text!r}", repr(cell), repr(f"'{text}"), "OWASP", "memory")
        assert unguarded(cell) == text

    @given(st.text())
    def test_a_guard_is_put_and_taken_off_whatever_the_text(self, text: str) -> None:
        assert unguarded(guarded(text)) == text
        assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r"))


class TestIn:
    def test_a_guarded_id_is_itself_again(self) -> None:
        document = json.loads(json.dumps(example("request")))
        document["orders"][0]["id"] = "-7"
        assert b"'-7" in template_csv(next(one for one in request_sheets() if one.name == "orders"), document)
        assert read_sheets(template_csvs(document)).request == read_request(document)

    @pytest.mark.parametrize(("delimiter", "encoding"), [(",", "utf-8"), (";", "utf-8"), (";", "utf-8-sig"), ("\t", "utf-8-sig")])
    def test_delimiters_are_found_and_a_byte_order_mark_is_no_part_of_a_heading(self, delimiter: str, encoding: str) -> None:
        sheets = Sheets(example("request")).put("orders", "note", "rush; ask, Grüße\tAna")
        assert read_sheets(sheets.csv_zip(delimiter, encoding)).request.orders[0].note == "rush; ask, Grüße\tAna"

    def test_a_semicolon_list_in_a_file_of_commas_is_one_cell(self) -> None:
        rows, fault = csv_rows("shifts", b"operator,days,start,end\r\nana,mon;tue;wed;thu;fri,06:00,14:30\r\n")
        assert (rows[1], fault) == (["ana", "mon;tue;wed;thu;fri", "06:00", "14:30"], None)

    def test_line_ends_of_every_system(self) -> None:
        for end in (b"\n", b"\r\n", b"\r"):
            rows, fault = csv_rows("orders", end.join([b"id,part", b"A,b", b"", b"C,d"]))
            assert ([row for row in rows if row], fault) == ([["id", "part"], ["A", "b"], ["C", "d"]], None)

    def test_a_file_in_a_folder_and_what_a_system_adds_to_a_zip(self) -> None:
        with zipfile.ZipFile(io.BytesIO(Sheets(example("request")).csv_zip())) as archive:
            files = {f"week 9/{name}": archive.read(name) for name in archive.namelist()}
        body = zipped({**files, "__MACOSX/week 9/._orders.csv": b"\x00\x05"})
        assert read_sheets(body).request == read_request(example("request"))

    @pytest.mark.parametrize(("content", "found"), [
        ("id;part\nGrün;b".encode("latin-1"), ("orders", None, None, "not-utf-8")),
        ("id;part".encode("utf-16"), ("orders", None, None, "not-utf-8")),
        (b'id,part\nA,"b\n', ("orders", None, None, "not-a-workbook")),
        (b"id,part\nA," + b"x" * 40_000, ("orders", None, None, "bad-text")),
        (b"id,part\nA,b\0", ("orders", None, None, "bad-text")),
    ])
    def test_a_file_that_cannot_be_read_is_one_fault(self, content: bytes, found: tuple[Any, ...]) -> None:
        with zipfile.ZipFile(io.BytesIO(Sheets(example("request")).csv_zip())) as archive:
            files = {name: archive.read(name) for name in archive.namelist()}
        assert code(zipped({**files, "orders.csv": content})) == found

    def test_a_table_twice(self) -> None:
        rows = Sheets(example("request")).rows
        files = {f"{name}.csv": csv_bytes(one) for name, one in rows.items()}
        assert code(zipped({**files, "old/orders.csv": b"id"})) == ("orders", None, None, "doubled-sheet")

    def test_rows_count_records_as_a_spreadsheet_shows_them(self) -> None:
        sheets = Sheets(example("request")).put("orders", "note", "two\nlines")
        sheets.rows["orders"].append(["A-2", "", "", "bracket", 0, "2027-03-02 14:00", "", ""])
        assert code(sheets.csv_zip()) == ("orders", 3, "E", "out-of-range")
