"""What spreadsheets do to values, and what becomes of it: read as it was meant, or refused with sheet, row and column."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any
from unicodedata import category

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platerota_service.answers import example
from platerota_service.demo import WEEKS, request_text
from platerota_service.workbook import (
    SOLVE_SECONDS,
    PlanBook,
    SheetFault,
    SheetRequest,
    SheetsRefused,
    plan_workbook,
    read_sheets,
    template_workbook,
)
from platerota_service.workbook.columns import SETTINGS
from platerota_service.workbook.csv_writing import template_csvs
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from proof_tools.outside import Outside

from .sheet_files import Formula, Serial, Sheets, changed, ods_file

FROM_1904 = 1_462  # days between the two first days (ECMA-376 part 1, 18.17.4.1)


@pytest.fixture
def sheets(request_document: dict[str, Any]) -> Sheets:
    return Sheets(request_document)


def refused(body: bytes, **options: Any) -> tuple[SheetFault, ...]:
    """The faults of a file that is refused."""
    with pytest.raises(SheetsRefused) as error:
        read_sheets(body, **options)
    return error.value.faults


def only(faults: tuple[SheetFault, ...]) -> tuple[str | None, int | None, str | None, str]:
    """Sheet, row, column and code of the only fault there is."""
    (fault,) = faults
    assert fault.detail
    assert fault.mend
    return fault.sheet, fault.row, fault.column, fault.code


def order(read: SheetRequest) -> Any:
    return read.request.orders[0]


class TestTheSameRequestAsJson:
    @pytest.mark.parametrize("week", WEEKS)
    @pytest.mark.parametrize("kind", ["template", "csv-template", "xlsx", "ods", "csv", "semicolons", "tabs"])
    def test_a_week_reads_alike_from_every_kind_of_file(self, week: str, kind: str) -> None:
        document = json.loads(request_text(week))
        sheets = Sheets(document)
        body = {
            "template": lambda: template_workbook(document), "csv-template": lambda: template_csvs(document), "xlsx": sheets.xlsx,
            "ods": sheets.ods, "csv": sheets.csv_zip,
            "semicolons": lambda: sheets.csv_zip(";", "utf-8-sig"), "tabs": lambda: sheets.csv_zip("\t"),
        }[kind]()
        read = read_sheets(body)
        assert read.request == read_request(document)
        assert read.remarks == ()

    def test_the_text_for_the_solver_is_the_same_request_in_one_line(self, sheets: Sheets) -> None:
        read = read_sheets(sheets.xlsx())
        assert b"\n" not in read.text
        assert read_request(read.text) == read.request

    def test_a_workbook_is_planned_in_ten_seconds_where_it_does_not_say(self, sheets: Sheets) -> None:
        assert read_sheets(sheets.put(SETTINGS, "solve_seconds", "").xlsx()).request.settings.solve_seconds == SOLVE_SECONDS
        assert read_sheets(sheets.put(SETTINGS, "solve_seconds", 17).xlsx()).request.settings.solve_seconds == 17

    def test_sheets_that_are_not_there_are_empty_tables(self, sheets: Sheets) -> None:
        for name in [name for name in sheets.rows if name.startswith("floor.")] + ["closures"]:
            del sheets.rows[name]
        assert read_sheets(sheets.xlsx()).request == read_request({**example("request"), "floor": {}})

    def test_headings_may_be_capital_and_parted_by_blanks_and_stand_in_any_order(self, sheets: Sheets) -> None:
        rows = sheets.rows["operations"]
        sheets.rows["operations"] = [[cell.upper().replace("_", " ") for cell in rows[0]][::-1], *(row[::-1] for row in rows[1:])]
        assert read_sheets(sheets.xlsx()).request == read_request(example("request"))

    def test_blank_rows_above_and_between_are_passed_over_and_rows_keep_their_numbers(self, sheets: Sheets) -> None:
        rows = sheets.rows["orders"]
        blank: list[Any] = [""] * len(rows[0])
        sheets.rows["orders"] = [blank, blank, rows[0], blank, rows[1], blank]
        assert read_sheets(sheets.xlsx()).request == read_request(example("request"))
        rows[1][rows[0].index("part")] = "brackett"
        assert only(refused(sheets.xlsx())) == ("orders", 5, "D", "unknown-part")


class TestFaultsSayWhere:
    def test_every_fault_at_once_of_cells_rows_and_tables(self, sheets: Sheets) -> None:
        sheets.put("orders", "due", "03/04/2027").put("orders", "quantity", 0).put("plates", "mount", "M69")
        sheets.put(SETTINGS, "seed", -1).put("shifts", "end", "noon")
        found = {(fault.sheet, fault.row, fault.column, fault.code) for fault in refused(sheets.xlsx())}
        assert found == {
            ("orders", 2, "F", "ambiguous-date"), ("orders", 2, "E", "out-of-range"), ("plates", 2, "D", "no-machine"),
            ("settings", 6, "B", "out-of-range"), ("shifts", 2, "D", "bad-time-of-day"),
        }

    def test_a_row_without_an_id_is_named_by_its_row_in_the_sheet(self, sheets: Sheets) -> None:
        sheets.rows["nests"].insert(1, [""] * 4)
        (fault,) = refused(sheets.put("nests", "count", 0, row=3).xlsx())
        assert "row 3 of nests" in fault.detail

    @pytest.mark.parametrize("kind", ["xlsx", "ods", "csv_zip"])
    def test_the_place_is_the_same_in_every_kind_of_file(self, sheets: Sheets, kind: str) -> None:
        sheets.put("machines", "travel_x", "30 furlong")
        assert only(refused(getattr(sheets, kind)())) == ("machines", 2, "E", "bad-unit")

    def test_an_unknown_heading_is_one_fault_and_names_the_nearest(self, sheets: Sheets) -> None:
        sheets.rows["machines"][0][sheets.rows["machines"][0].index("max_mass")] = "max mas"
        (fault,) = refused(sheets.xlsx())
        assert (fault.sheet, fault.row, fault.column, fault.code) == ("machines", 1, "G", "unknown-column")
        assert "max_mass" in fault.mend

    def test_a_missing_column_is_one_fault_however_many_rows_lack_it(self, sheets: Sheets) -> None:
        at = sheets.rows["orders"][0].index("quantity")
        sheets.rows["orders"] = [[cell for number, cell in enumerate(row) if number != at] for row in sheets.rows["orders"]]
        sheets.rows["orders"].append(["A-2", *sheets.rows["orders"][1][1:]])
        assert only(refused(sheets.xlsx())) == ("orders", 1, None, "missing-column")

    def test_a_heading_twice(self, sheets: Sheets) -> None:
        sheets.rows["orders"][0].append("due")
        assert only(refused(sheets.xlsx())) == ("orders", 1, "I", "doubled-column")

    def test_a_value_under_no_heading(self, sheets: Sheets) -> None:
        sheets.rows["orders"][1].append("ask Ana")
        assert only(refused(sheets.xlsx())) == ("orders", 2, "I", "no-heading")

    def test_settings(self, sheets: Sheets) -> None:
        sheets.rows[SETTINGS] += [["horizon_day", 14, ""], ["seed", 2, ""], ["", "stray", ""]]
        rows = len(sheets.rows[SETTINGS])
        found = {(fault.row, fault.column, fault.code) for fault in refused(sheets.xlsx())}
        assert found == {(rows - 2, "A", "unknown-field"), (rows - 1, "A", "doubled-column"), (rows, "A", "no-heading")}

    def test_no_settings_at_all_miss_now_and_the_timezone(self, sheets: Sheets) -> None:
        del sheets.rows[SETTINGS]
        assert {(fault.sheet, fault.code) for fault in refused(sheets.xlsx())} == {("settings", "missing-field")}

    def test_a_sheet_without_headings_for_settings(self, sheets: Sheets) -> None:
        sheets.rows[SETTINGS][0] = ["name", "what", ""]
        assert ("settings", 1, None, "no-heading") in {(one.sheet, one.row, one.column, one.code) for one in refused(sheets.xlsx())}

    def test_a_sheet_whose_name_is_almost_a_table(self, sheets: Sheets) -> None:
        sheets.rows["machnies"] = sheets.rows.pop("machines")
        faults = refused(sheets.xlsx())
        (fault,) = (fault for fault in faults if fault.code == "unknown-sheet")
        assert "'machines'" in fault.mend

    def test_two_sheets_of_one_name(self, sheets: Sheets) -> None:
        sheets.rows["Floor.Pieces "] = [["order"]]
        assert only(refused(sheets.xlsx())) == ("Floor.Pieces ", None, None, "doubled-sheet")

    def test_other_sheets_are_not_read_and_the_planner_is_told(self, sheets: Sheets) -> None:
        sheets.rows["Prices 2027"] = [["=1+1", 5]]
        sheets.rows["Problems"] = [["sheet", "row"]]
        sheets.rows["help"] = [["read me"]]
        assert read_sheets(sheets.xlsx()).remarks == ("the sheet 'Prices 2027' is none of the tables and was not read",)

    def test_a_plan_that_came_back_is_no_request(self, plan_document: dict[str, Any]) -> None:
        assert only(refused(plan_workbook(PlanBook(Plan.from_document(plan_document))))) == (None, None, None, "a-plan-not-a-request")

    def test_a_plan_may_stand_beside_its_request(self, sheets: Sheets) -> None:
        for title in ("Plan", "Load windows", "Machines (plan)", "Orders (plan)", "Runs", "KPIs", "Gantt", "Warnings"):
            sheets.rows[title] = [["start"]]
        assert read_sheets(sheets.xlsx()).remarks == ()


def _seen(text: str) -> bool:
    """Whether there is something to see in a text, as an id needs."""
    return any(category(char)[0] not in "CZ" for char in text)


class TestNumbersAndIds:
    @pytest.mark.parametrize(("cell", "id_"), [(1001, "1001"), (1001.5, "1001.5"), ("  A-7\u00a0", "A-7"), ("0012", "0012"), (-3, "-3")])
    def test_ids_that_a_spreadsheet_holds_as_numbers_are_what_people_see(self, sheets: Sheets, cell: Any, id_: str) -> None:
        assert order(read_sheets(sheets.put("orders", "id", cell).xlsx())).id == id_

    def test_an_id_and_what_names_it_agree_whatever_each_cell_is(self, sheets: Sheets) -> None:
        sheets.put("operations", "part", 77).put("nests", "part", "77").put("orders", "part", 77.0)
        assert order(read_sheets(sheets.xlsx())).part == "77"

    def test_an_id_of_more_digits_than_a_spreadsheet_keeps(self, sheets: Sheets) -> None:
        assert only(refused(sheets.put("orders", "id", 1234567890123456).xlsx())) == ("orders", 2, "A", "long-number")

    @pytest.mark.parametrize("cell", [dt.date(2027, 1, 3), dt.datetime(2027, 1, 3, 4, 5), dt.timedelta(hours=10)])
    def test_an_id_that_became_a_date(self, sheets: Sheets, cell: Any) -> None:
        assert only(refused(sheets.put("orders", "id", cell).xlsx())) == ("orders", 2, "A", "became-a-date")

    def test_an_id_that_became_a_truth_value(self, sheets: Sheets) -> None:
        assert only(refused(sheets.put("orders", "id", True).xlsx())) == ("orders", 2, "A", "wrong-type")

    @pytest.mark.parametrize("cell", [300.0, 300.00000000000006, "300", dt.timedelta(minutes=5)])
    def test_seconds_may_be_a_number_a_calculated_one_text_or_a_duration(self, sheets: Sheets, cell: Any) -> None:
        assert read_sheets(sheets.put("fixtures", "load_seconds", cell).xlsx()).request.shop.fixtures[0].load_seconds == 300

    def test_a_duration_where_no_seconds_belong(self, sheets: Sheets) -> None:
        assert only(refused(sheets.put("orders", "quantity", dt.timedelta(hours=4)).xlsx())) == ("orders", 2, "E", "wrong-type")

    def test_half_a_piece(self, sheets: Sheets) -> None:
        assert only(refused(sheets.put("orders", "quantity", 2.5).xlsx())) == ("orders", 2, "E", "wrong-type")

    def test_a_decimal_comma_only_where_the_caller_says_so(self, sheets: Sheets) -> None:
        sheets.put("machines", "cut_factor", "1,25").put("plates", "mass", "20,5").put("plates", "size_x", "15,75 in")
        assert {fault.code for fault in refused(sheets.xlsx())} == {"bad-number"}
        assert {fault.code for fault in refused(sheets.csv_zip(";"))} == {"bad-number"}
        for body in (sheets.xlsx(), sheets.csv_zip(";")):
            shop = read_sheets(body, decimal_comma=True).request.shop
            assert (shop.machines[0].cut_factor, shop.plates[0].mass, shop.plates[0].size_x) == (1.25, 20.5, pytest.approx(400.05))

    @pytest.mark.parametrize("cell", ["1.234,5", "1 234", "1'234", "twelve", "0x10", "1e9999", "١٢"])
    def test_other_ways_to_write_numbers_are_refused(self, sheets: Sheets, cell: str) -> None:
        assert only(refused(sheets.put("orders", "weight", cell).xlsx(), decimal_comma=True))[:3] == ("orders", 2, "H")

    @pytest.mark.parametrize(("cell", "value"), [(True, True), ("TRUE", True), ("false", False), (1, True), (0, False)])
    def test_truth_values(self, sheets: Sheets, cell: Any, value: bool) -> None:
        assert read_sheets(sheets.put("shifts", "overtime", cell).xlsx()).request.shop.shifts[0].overtime is value

    @pytest.mark.parametrize("cell", ["yes", 2, dt.date(2027, 3, 1)])
    def test_what_is_no_truth_value(self, sheets: Sheets, cell: Any) -> None:
        assert only(refused(sheets.put("shifts", "overtime", cell).xlsx())) == ("shifts", 2, "H", "wrong-type")

    def test_lists_are_parted_by_semicolons_and_a_number_alone_is_a_list_of_one(self, sheets: Sheets) -> None:
        sheets.put("operations", "tools", 12).put("machines", "tools", " T1; T2 ;; 12;").put("shifts", "days", "Mon;TUE")
        shop = read_sheets(sheets.xlsx()).request.shop
        assert (shop.operations[0].tools, shop.machines[0].tools, shop.shifts[0].days) == (("12",), ("T1", "T2", "12"), ("mon", "tue"))

    def test_a_choice_that_is_none_is_refused_by_the_contract(self, sheets: Sheets) -> None:
        assert only(refused(sheets.put("machines", "exchange", "robot").xlsx())) == ("machines", 2, "I", "unknown-choice")

    @settings(max_examples=60, deadline=None)
    @given(st.text(st.characters(exclude_categories=("Cs", "Cc", "Zs", "Zl", "Zp", "Cn")), min_size=1, max_size=40).filter(_seen))
    def test_any_text_comes_back_as_it_was(self, text: str) -> None:
        sheets = Sheets(example("request")).put("orders", "note", text).put("orders", "id", text)
        for body in (sheets.xlsx(), template_csvs(_renamed(text))):
            assert (order(read_sheets(body)).id, order(read_sheets(body)).note) == (text, text)


def _renamed(text: str) -> dict[str, Any]:
    document = json.loads(json.dumps(example("request")))
    document["orders"][0].update(id=text, note=text)
    return dict(document)


class TestTimes:
    @pytest.mark.parametrize("second", [0, 1, 29, 59])
    def test_times_are_rounded_to_the_second(self, sheets: Sheets, second: int) -> None:
        # A time is a fraction of a day, so most seconds are not held exactly.
        serial = 46_449 + (14 * 3_600 + 7 * 60 + second) / 86_400
        read = read_sheets(sheets.put("orders", "due", Serial(serial, "yyyy-mm-dd hh:mm")).xlsx())
        assert order(read).due == int(dt.datetime(2027, 3, 3, 14, 7, second, tzinfo=dt.UTC).timestamp())

    def test_the_second_before_midnight_does_not_become_a_day_early(self, sheets: Sheets) -> None:
        read = read_sheets(sheets.put("orders", "due", Serial(46_449 - 1e-9, "yyyy-mm-dd hh:mm")).xlsx())
        assert order(read).due == int(dt.datetime(2027, 3, 3, tzinfo=dt.UTC).timestamp())

    def test_the_days_from_1904(self, outside: Outside, sheets: Sheets) -> None:
        read = read_sheets(sheets.xlsx(date_1904=True))
        assert read.request == read_request(example("request"))
        serial = Serial(46_449.5 - FROM_1904, "yyyy-mm-dd hh:mm")
        due = order(read_sheets(sheets.put("orders", "due", serial).xlsx(date_1904=True))).due
        outside("instant of serial 44987.5 in the 1904 date system, s since 1970", due, 1_804_075_200, "ECMA-376", "memory")

    def test_a_serial_number_that_is_not_formatted_is_refused_with_what_it_means(self, sheets: Sheets) -> None:
        (fault,) = refused(sheets.put("orders", "due", 46449.5).xlsx())
        assert (fault.code, "2027-03-03T12:00:00" in fault.detail) == ("bare-number-instant", True)
        (fault,) = refused(sheets.xlsx(date_1904=True))
        assert (fault.code, "2027" in fault.detail) == ("bare-number-instant", False)

    @pytest.mark.parametrize(("cell", "mend"), [
        ("03/04/2027", "2027-04-03 or 2027-03-04"), ("3.4.27 06:00", "2027-04-03 or 2027-03-04 06:00"), ("13/04/2027", "2027-04-13"),
        ("99/99/2027", "2027-03-01 06:00"),
    ])
    def test_a_date_that_two_countries_read_differently_is_refused_with_both_readings(self, sheets: Sheets, cell: str, mend: str) -> None:
        for body in (sheets.put("orders", "due", cell).xlsx(), sheets.csv_zip(), sheets.ods()):
            (fault,) = refused(body)
            assert (fault.sheet, fault.row, fault.column, fault.code) == ("orders", 2, "F", "ambiguous-date")
            assert mend in fault.mend

    def test_text_with_and_without_an_offset(self, sheets: Sheets) -> None:
        assert order(read_sheets(sheets.put("orders", "due", "2027-03-03 14:00").xlsx())).due == 1_804_082_400
        assert order(read_sheets(sheets.put("orders", "due", "2027-03-03T14:00:00+02:00").xlsx())).due == 1_804_075_200

    def test_a_date_alone_is_its_beginning_and_the_planner_is_told(self, sheets: Sheets) -> None:
        read = read_sheets(sheets.put("orders", "due", dt.date(2027, 3, 3)).xlsx())
        assert order(read).due == int(dt.datetime(2027, 3, 3, tzinfo=dt.UTC).timestamp())
        (remark,) = read.remarks
        assert "orders, column due" in remark
        assert "row 2" in remark

    def test_an_hour_that_does_not_exist_is_refused_in_its_cell(self, sheets: Sheets) -> None:
        assert only(refused(sheets.put("orders", "due", dt.datetime(2027, 3, 28, 1, 30)).xlsx())) == ("orders", 2, "F", "skipped-hour")

    @pytest.mark.parametrize("cell", [dt.time(9, 0), dt.timedelta(hours=30)])
    def test_a_time_without_a_date(self, sheets: Sheets, cell: Any) -> None:
        assert only(refused(sheets.put("orders", "due", cell).xlsx())) == ("orders", 2, "F", "bad-instant")

    @pytest.mark.parametrize(("cell", "minutes"), [
        (dt.time(6, 30), 390), (Serial(0.27083333333, "hh:mm"), 390), ("06:30", 390), ("6:30", 390), (Serial(0.0, "hh:mm"), 0),
    ])
    def test_times_of_day(self, sheets: Sheets, cell: Any, minutes: int) -> None:
        sheets.put("shifts", "breaks", "")
        assert read_sheets(sheets.put("shifts", "start", cell).xlsx()).request.shop.shifts[0].start == minutes

    @pytest.mark.parametrize("cell", [dt.timedelta(days=1), Serial(1.0, "hh:mm"), "24:00"])
    def test_24_00_is_the_end_of_the_day(self, sheets: Sheets, cell: Any) -> None:
        for options in ({}, {"date_1904": True}):
            read = read_sheets(sheets.put("shifts", "end", cell).xlsx(**options))
            assert read.request.shop.shifts[0].end == 1_440

    @pytest.mark.parametrize("cell", [dt.timedelta(hours=6, seconds=20), dt.timedelta(hours=25), 0.25, dt.datetime(2027, 3, 1, 6)])
    def test_what_is_no_time_of_day(self, sheets: Sheets, cell: Any) -> None:
        assert only(refused(sheets.put("shifts", "start", cell).xlsx())) == ("shifts", 2, "C", "bad-time-of-day")

    @pytest.mark.parametrize("cell", [dt.date(2027, 3, 1), dt.datetime(2027, 3, 1), "2027-03-01", "2027-03-01 00:00:00"])
    def test_dates(self, sheets: Sheets, cell: Any) -> None:
        assert read_sheets(sheets.put("shifts", "from", cell).xlsx()).request.shop.shifts[0].from_ == dt.date(2027, 3, 1)

    @pytest.mark.parametrize(("cell", "code"), [
        (46447.5, "bad-date"), (dt.datetime(2027, 3, 1, 6), "bad-date"), ("1/2/2027", "ambiguous-date"), ("Monday", "bad-date"),
    ])
    def test_what_is_no_date(self, sheets: Sheets, cell: Any, code: str) -> None:
        assert only(refused(sheets.put("shifts", "from", cell).xlsx())) == ("shifts", 2, "E", code)


class TestFormulas:
    def test_a_formula_with_its_result_is_its_result(self, sheets: Sheets) -> None:
        sheets.put("orders", "quantity", Formula("=2+2", 4)).put("orders", "part", Formula('="brack"&"et"', "bracket"))
        assert read_sheets(sheets.xlsx()).request == read_request(example("request"))

    def test_a_formula_without_a_result_is_refused_and_not_read_as_blank_or_0(self, sheets: Sheets) -> None:
        sheets.put("fixtures", "load_seconds", Formula("=30*2"))
        for body in (sheets.xlsx(), sheets.ods()):
            assert only(refused(body)) == ("fixtures", 2, "D", "uncalculated-formula")

    def test_a_stored_0_in_a_file_that_asks_to_be_calculated_is_no_result(self, sheets: Sheets) -> None:
        # What XlsxWriter writes for a formula whose result it is not told.
        body = sheets.put("fixtures", "load_seconds", Formula("=30*2", 0)).xlsx()
        assert only(refused(body)) == ("fixtures", 2, "D", "uncalculated-formula")
        calculated = changed(body, lambda _, part: part.replace(b' fullCalcOnLoad="1"', b""))
        assert read_sheets(calculated).request.shop.fixtures[0].load_seconds == 0

    @pytest.mark.parametrize("error", ["#N/A", "#DIV/0!", "#REF!", "#NAME?", "#VALUE!"])
    def test_a_formula_that_ends_in_an_error(self, sheets: Sheets, error: str) -> None:
        assert only(refused(sheets.put("orders", "part", Formula("=NA()", error)).xlsx())) == ("orders", 2, "D", "error-cell")

    def test_an_error_in_an_opendocument_file(self) -> None:
        cell = '<table:table-cell office:value-type="string" table:formula="of:=NA()"><text:p>#N/A</text:p></table:table-cell>'
        rows = f"<table:table-row>{_head('id')}</table:table-row><table:table-row>{cell}</table:table-row>"
        found = refused(ods_file(f'<table:table table:name="orders">{rows}</table:table>'))
        assert ("orders", 2, "A", "error-cell") in {(fault.sheet, fault.row, fault.column, fault.code) for fault in found}

    def test_a_formula_that_gives_blank_text_is_a_blank_cell(self, sheets: Sheets) -> None:
        body = sheets.put("orders", "note", Formula('=""', "")).xlsx()
        # A spreadsheet says that the result is text (ECMA-376 part 1, 18.18.11); the library that writes this test's file does not.
        told = changed(body, lambda _, part: part.replace(b'<c r="C2"><f>""', b'<c r="C2" t="str"><f>""'))
        assert told != body
        assert order(read_sheets(told)).note is None


def _head(name: str) -> str:
    return f'<table:table-cell office:value-type="string"><text:p>{name}</text:p></table:table-cell>'


