"""Workbooks that we write, read back by a second library (openpyxl): the plan, the template, the caller's sheets with faults marked."""

from __future__ import annotations

import datetime as dt
import io
import json
from typing import Any
from zoneinfo import ZoneInfo

import openpyxl
import pytest

from platerota_service.answers import example
from platerota_service.demo import request_text
from platerota_service.workbook import (
    PLAN_TABLES,
    PlanBook,
    SheetsRefused,
    plan_workbook,
    problems_workbook,
    read_sheets,
    request_sheets,
    template_workbook,
)
from platerota_shared.plan import Plan, Warning_
from platerota_shared.reading import read_request
from proof_tools.outside import Outside

from .sheet_files import Sheets

TITLES = ["Plan", "Load windows", "Machines", "Orders", "Runs", "KPIs", "Gantt", "Warnings"]
DANGEROUS = ["=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0", "\t=1", "=HYPERLINK(\"x\")"]


@pytest.fixture
def plan(plan_document: dict[str, Any]) -> Plan:
    return Plan.from_document(plan_document)


def opened(content: bytes) -> Any:
    """A workbook as openpyxl reads it."""
    return openpyxl.load_workbook(io.BytesIO(content))


def table(book: Any, title: str) -> list[dict[str, Any]]:
    """The rows of a sheet by their headings."""
    rows = [[cell.value for cell in row] for row in book[title].iter_rows()]
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


class TestPlan:
    def test_the_sheets_are_those_promised(self, plan: Plan) -> None:
        assert opened(plan_workbook(PlanBook(plan))).sheetnames == TITLES

    def test_every_value_is_that_of_the_plan_in_the_shops_time(self, outside: Outside, plan: Plan) -> None:
        book, zone = opened(plan_workbook(PlanBook(plan))), ZoneInfo(plan.timezone)
        local = {task.id: dt.datetime.fromtimestamp(task.start, zone).replace(tzinfo=None) for task in plan.tasks}
        assert {row["id"]: row["start"] for row in table(book, "Plan")} == local
        (window,) = table(book, "Load windows")
        (given,) = plan.load_windows
        assert {name: window[name] for name in ("operator", "plate", "machine", "run")} == {
            "operator": given.operator, "plate": given.plate, "machine": given.machine, "run": given.run,
        }
        assert window["latest_end"] == dt.datetime.fromtimestamp(given.latest_end, zone).replace(tzinfo=None)
        assert window["pieces_held"] == "A-1042 op 10: 4"
        assert [row["id"] for row in table(book, "Machines")] == list(plan.lanes[0].tasks)
        (order,) = table(book, "Orders")
        assert (order["id"], order["placed"], order["late_seconds"], order["quantity"]) == ("A-1042", True, 0, None)
        figures = {(row["of"], row["resource"], row["figure"]): row["value"] for row in table(book, "KPIs")}
        assert figures["plan", None, "score"] == plan.score.total
        assert plan.kpis.shop is not None
        assert figures["shop", None, "on_time_orders"] == plan.kpis.shop.on_time_orders
        assert figures["machine", "mill-1", "seconds.cutting"] == plan.kpis.machines[0].seconds["cutting"]
        assert figures["machine", "mill-1", "APT"] == plan.kpis.machines[0].elements["APT"]
        assert [row for row in table(book, "KPIs") if not row["meaning"]] == []

    def test_with_the_request_an_order_has_its_name_and_quantity(self, plan: Plan) -> None:
        request = read_request({**example("request"), "orders": [{**example("request")["orders"][0], "name": "Brackets for June"}]})
        (order,) = table(opened(plan_workbook(PlanBook(plan, request))), "Orders")
        assert (order["name"], order["part"], order["quantity"]) == ("Brackets for June", "bracket", 4)

    def test_seconds_of_a_time_are_kept(self, outside: Outside, plan: Plan) -> None:
        task = plan.tasks[0].model_copy(update={"start": plan.tasks[0].start + 7, "end": plan.tasks[0].start + 69})
        odd = plan.model_copy(update={"tasks": (task, *plan.tasks[1:])})
        rows = table(opened(plan_workbook(PlanBook(odd))), "Plan")
        read = next(row["end"] for row in rows if row["id"] == task.id)
        outside("seconds past the minute of a task's end, read back", read.second, task.end % 60, "openpyxl", "library")

    def test_summer_time_is_the_shops(self, outside: Outside, plan: Plan) -> None:
        july = int(dt.datetime(2027, 7, 1, 5, 30, tzinfo=dt.UTC).timestamp())
        later = plan.model_copy(update={"load_windows": (plan.load_windows[0].model_copy(update={"start": july}),)})
        (window,) = table(opened(plan_workbook(PlanBook(later))), "Load windows")
        outside("start of a load at 05:30 UTC in July, read back", str(window["start"]), "2027-07-01 06:30:00", "openpyxl", "library")

    def test_every_column_says_what_it_is(self, plan: Plan) -> None:
        book = opened(plan_workbook(PlanBook(plan)))
        for one in PLAN_TABLES:
            heads = next(book[one.title].iter_rows(max_row=1))
            assert [cell.value for cell in heads] == [column.name for column in one.columns]
            assert all(cell.comment is not None and len(cell.comment.text) > 8 for cell in heads), one.title

    def test_no_text_ever_becomes_a_formula(self, outside: Outside, plan_document: dict[str, Any]) -> None:
        for text in DANGEROUS:
            document = json.loads(json.dumps(plan_document).replace('"P1"', json.dumps(text)))
            plan = Plan.from_document(document)
            plan = plan.model_copy(update={"warnings": (Warning_(code="x", detail=text, pointer=""),)})
            book = opened(plan_workbook(PlanBook(plan)))
            cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value == text]
            assert len(cells) >= 4
            assert all(cell.data_type == "s" and cell.quotePrefix for cell in cells)
            formulas = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.data_type == "f"]
            outside(f"formulas in a workbook that holds the text {text!r}", len(formulas), 0, "openpyxl", "library")

    def test_the_gantt_shows_each_task_in_its_slot_by_a_letter(self, plan: Plan) -> None:
        page = opened(plan_workbook(PlanBook(plan)))["Gantt"]
        lanes = {(row[0].value, row[1].value): "".join(cell.value or "." for cell in row[2:]) for row in page.iter_rows(min_row=4)}
        assert set(lanes) == {(lane.resource, lane.id) for lane in plan.lanes}
        cut = next(task for task in plan.tasks if task.kind == "cut")
        assert lanes["machine", "mill-1"].count("C") == pytest.approx((cut.end - cut.start) / 900, abs=1)
        assert "L" in lanes["operator", "ana"]
        assert "15 minutes" in page["A1"].value

    def test_a_plan_of_months_still_fits_the_gantt(self, plan: Plan) -> None:
        task = plan.tasks[0].model_copy(update={"end": plan.tasks[0].start + 100 * 86_400})
        page = opened(plan_workbook(PlanBook(plan.model_copy(update={"tasks": (task, *plan.tasks[1:])}))))["Gantt"]
        assert page.max_column <= 482
        assert "480 minutes" in page["A1"].value

    def test_a_plan_without_tasks_says_so(self, plan: Plan) -> None:
        blank = plan.model_copy(update={"tasks": (), "lanes": (), "runs": (), "load_windows": (), "orders": ()})
        book = opened(plan_workbook(PlanBook(blank, problem="out of coolant")))
        assert "no tasks" in book["Gantt"]["A1"].value
        assert "out of coolant" in table(book, "Warnings")[0]["detail"]

    def test_the_same_plan_gives_the_same_cells(self, plan: Plan) -> None:
        first, second = opened(plan_workbook(PlanBook(plan))), opened(plan_workbook(PlanBook(plan)))
        assert [[cell.value for cell in row] for sheet in first for row in sheet.iter_rows()] == [
            [cell.value for cell in row] for sheet in second for row in sheet.iter_rows()
        ]


@pytest.fixture(scope="module")
def book() -> Any:
    """The template."""
    return opened(template_workbook(json.loads(request_text("basic"))))


class TestTemplate:
    def test_a_sheet_for_each_table_with_the_columns_of_the_contract(self, book: Any) -> None:
        assert book.sheetnames == ["help", *(sheet.name for sheet in request_sheets())]
        for sheet in request_sheets()[1:]:
            assert [cell.value for cell in next(book[sheet.name].iter_rows(max_row=1))] == [column.name for column in sheet.columns]

    def test_every_heading_has_a_note_and_those_of_quantities_name_the_unit(self, book: Any) -> None:
        for sheet in request_sheets()[1:]:
            for cell in next(book[sheet.name].iter_rows(max_row=1)):
                note = cell.comment.text
                assert "Write " in note
                assert "Needed." in note or "Blank: " in note or "May stay blank." in note
                assert "null" not in note
                for part, unit in (("_seconds", "second"), ("travel_", " mm"), ("size_", " mm"), ("mass", " kg")):
                    assert part not in cell.value or unit in note.lower(), (sheet.name, cell.value)

    @pytest.mark.parametrize(("sheet", "column", "source"), [
        ("machines", "exchange", '"hand,automatic"'), ("floor.waiting", "stage", '"loaded,placed,cut,pulled"'),
        ("shifts", "overtime", '"TRUE,FALSE"'), ("plates", "fixture", "'fixtures'!$A$2:$A$5001"),
        ("plates", "stays_in", "'machines'!$A$2:$A$501"),
        ("shifts", "operator", "'operators'!$A$2:$A$501"), ("nests", "fixture", "'fixtures'!$A$2:$A$5001"),
        ("floor.pieces", "order", "'orders'!$A$2:$A$5001"),
    ])
    def test_a_cell_of_few_words_or_of_ids_is_a_list_to_choose_from(self, book: Any, sheet: str, column: str, source: str) -> None:
        heads = [cell.value for cell in next(book[sheet].iter_rows(max_row=1))]
        place = f"{openpyxl.utils.get_column_letter(heads.index(column) + 1)}2"
        rules = [rule for rule in book[sheet].data_validations.dataValidation if place in rule.sqref]
        assert [(rule.type, rule.formula1) for rule in rules] == [("list", source)]

    def test_ids_are_text_so_that_a_spreadsheet_leaves_them_alone(self, book: Any) -> None:
        assert book["orders"].column_dimensions["A"].number_format == "@"

    def test_a_caution_stands_in_the_help(self, book: Any) -> None:
        assert any("injure" in str(row[0].value) for row in book["help"].iter_rows())


class TestProblems:
    @pytest.fixture
    def error(self, request_document: dict[str, Any]) -> SheetsRefused:
        sheets = Sheets(request_document).put("orders", "due", "03/04/2027").put("plates", "mount", "=M69").put("orders", "note", "=1+1")
        with pytest.raises(SheetsRefused) as error:
            read_sheets(sheets.xlsx())
        return error.value

    def test_each_fault_has_its_place_and_what_to_do(self, error: SheetsRefused) -> None:
        book = opened(problems_workbook(error.faults, error.grids))
        assert book.sheetnames[0] == "Problems"
        rows = table(book, "Problems")
        assert [(row["sheet"], row["row"], row["column"], row["heading"]) for row in rows] == [
            (fault.sheet, fault.row, fault.column, fault.heading) for fault in error.faults
        ]
        assert all(row["what"] and row["mend"] and row["code"] for row in rows)
        assert "no formulas" in book["Problems"]["A1"].comment.text
        assert book["Problems"]["A2"].hyperlink.location == "'orders'!F2"

    def test_the_callers_cells_are_there_and_the_faulty_ones_marked(self, error: SheetsRefused) -> None:
        book = opened(problems_workbook(error.faults, error.grids))
        cell = book["orders"]["F2"]
        assert (cell.value, cell.fill.start_color.rgb) == ("03/04/2027", "FFFBDAD7")
        assert "2027-04-03" in cell.comment.text
        assert book["orders"]["A2"].value == "A-1042"
        assert book["orders"]["A2"].fill.start_color.rgb != "FFFBDAD7"
        assert (book["orders"]["C2"].value, book["orders"]["C2"].data_type) == ("=1+1", "s")

    def test_mended_and_sent_again_it_is_planned(self, error: SheetsRefused) -> None:
        book = opened(problems_workbook(error.faults, error.grids))
        book["orders"]["F2"] = dt.datetime(2027, 3, 2, 14)
        book["plates"]["D2"] = "M96"
        book["orders"]["C2"] = "urgent"
        buffer = io.BytesIO()
        book.save(buffer)
        read = read_sheets(buffer.getvalue())
        assert (read.request.orders[0].note, read.remarks) == ("urgent", ())

    def test_thousands_of_faults_are_all_listed(self, request_document: dict[str, Any]) -> None:
        sheets = Sheets(request_document)
        sheets.rows["orders"] += [[f"B{number}", "", "", "brackett", 1, dt.datetime(2027, 3, 2), "", ""] for number in range(1_000)]
        with pytest.raises(SheetsRefused) as error:
            read_sheets(sheets.xlsx())
        assert len(table(opened(problems_workbook(error.value.faults, error.value.grids)), "Problems")) == 1_000
