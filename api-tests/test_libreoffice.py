"""A spreadsheet program itself with our workbooks and our macros, against a live service."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import openpyxl
import pytest

from .conftest import Server
from .libreoffice import Office, running

MACROS = Path(__file__).parents[1] / "service" / "macros"
ODS = {"Content-Type": "application/vnd.oasis.opendocument.spreadsheet"}
SHEETS_OF = {"plan": "Plan", "load_windows": "Load windows", "orders": "Orders", "machines": "Machines", "kpis": "KPIs"}
DAY_ZERO = dt.datetime(1899, 12, 30)


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    with running(tmp_path_factory.mktemp("office")) as office:
        yield office


@pytest.fixture
def book(client: httpx.Client, tmp_path: Path) -> Path:
    """The template as a file, to be planned in a second."""
    book = openpyxl.load_workbook(io.BytesIO(client.get("/v1/workbook-template").content))
    page = book["settings"]
    next(row for row in page.iter_rows() if row[0].value == "solve_seconds")[1].value = 1
    path = tmp_path / "week.xlsx"
    book.save(path)
    return path


def macro(name: str, server: Server) -> str:
    """A macro that speaks to that server."""
    text = (MACROS / name).read_text(encoding="utf-8")
    assert "http://127.0.0.1:8080" in text
    return text.replace("http://127.0.0.1:8080", server.url)


def records(rows: list[list[Any]]) -> list[dict[str, Any]]:
    """The rows of a sheet by their headings."""
    return [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]


def spoilt(book: Path) -> Path:
    """The same file with a date in an order that two countries read differently."""
    opened = openpyxl.load_workbook(book)
    heads = [cell.value for cell in next(opened["orders"].iter_rows(max_row=1))]
    opened["orders"].cell(3, heads.index("due") + 1).value = "03/04/2027"
    opened.save(book)
    return book


def planned(sheets: dict[str, list[list[Any]]]) -> None:
    """A plan stands beside its request."""
    assert len(sheets["orders"]) > 10
    names = ["Plan", "Load windows", "Machines (plan)", "Orders (plan)", "Runs", "KPIs", "Gantt", "Warnings"]
    assert [name for name in sheets if name in names] == names
    status = {row["figure"]: row["value"] for row in records(sheets["KPIs"]) if row["of"] == "plan"}["status"]
    assert status == "ready"
    assert {row["id"] for row in records(sheets["Orders (plan)"])} == {row["id"] for row in records(sheets["orders"])}
    assert all(row["operator"] and row["plate"] and row["end"] > row["start"] > 40_000 for row in records(sheets["Load windows"]))


class TestOurWorkbooks:
    def test_it_shows_every_value_of_a_plan_as_the_csv_files_have_it(
        self, client: httpx.Client, office: Office, book: Path, tmp_path: Path,
    ) -> None:
        answer = client.post("/v1/plans", content=book.read_bytes(), headers=ODS)
        assert answer.status_code == 200, answer.text
        path = tmp_path / "plan.xlsx"
        path.write_bytes(answer.content)
        shown = office.run("cells", path)["sheets"]
        for table, title in SHEETS_OF.items():
            text = client.get(answer.headers["location"], params={"format": "csv", "table": table}).text
            rows = list(csv.reader(io.StringIO(text, newline="")))
            assert len(rows) > 1
            assert [[as_csv(value, heading) for value, heading in zip(row, rows[0], strict=True)] for row in shown[title][1:]] == [
                [local(value) for value in row] for row in rows[1:]
            ], title

    @pytest.mark.parametrize(("kind", "filter_"), [("ods", "calc8"), ("xlsx", "Calc MS Excel 2007 XML")])
    def test_a_template_that_it_saved_again_is_taken(
        self, client: httpx.Client, office: Office, book: Path, tmp_path: Path, kind: str, filter_: str,
    ) -> None:
        saved = tmp_path / f"saved.{kind}"
        office.run("save", book, saved, filter_)
        answer = client.post("/v1/plans?format=json", content=saved.read_bytes(), headers={**ODS, "Prefer": "respond-async"})
        assert answer.status_code == 202, answer.text
        client.delete(answer.headers["location"])

    def test_the_cells_in_question_are_marked_and_told(self, client: httpx.Client, office: Office, book: Path, tmp_path: Path) -> None:
        answer = client.post("/v1/plans", content=spoilt(book).read_bytes(), headers=ODS)
        path = tmp_path / "problems.xlsx"
        path.write_bytes(answer.content)
        sheets = office.run("cells", path)["sheets"]
        (row,) = records(sheets["Problems"])
        assert (row["sheet"], row["row"], row["column"], row["code"]) == ("orders", 3, "F", "ambiguous-date")
        assert sheets["orders"][2][5] == "03/04/2027"


def as_csv(value: Any, heading: str) -> str:
    """A cell as LibreOffice holds it, in the words of our CSV files, times without their offset."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and heading in ("start", "end", "finish", "due", "earliest_start", "latest_end", "place_at"):
        return (DAY_ZERO + dt.timedelta(seconds=round(value * 86_400))).isoformat()
    return number(value) if isinstance(value, float) else str(value)


def local(text: str) -> str:
    """A value of a CSV file as compared: instants without their offset, numbers to twelve digits."""
    try:
        return number(float(text))
    except ValueError:
        pass
    try:
        return dt.datetime.fromisoformat(text).replace(tzinfo=None).isoformat() if "T" in text else text
    except ValueError:
        return text


def number(value: float) -> str:
    return f"{value:.12g}"


class TestMacros:
    def test_python_puts_the_plan_beside_the_week(self, server: Server, office: Office, book: Path) -> None:
        office.install(macro("libreoffice_python.py", server), "platerota_plan.py")
        planned(office.run("python", book, "platerota_plan.py", "plan_week")["sheets"])

    def test_python_brings_the_problems(self, server: Server, office: Office, book: Path) -> None:
        office.install(macro("libreoffice_python.py", server), "platerota_plan.py")
        sheets = office.run("python", spoilt(book), "platerota_plan.py", "plan_week")["sheets"]
        assert records(sheets["Problems"])[0]["code"] == "ambiguous-date"
        assert "Plan" not in sheets

    def test_basic_puts_the_plan_beside_the_week(self, server: Server, office: Office, book: Path, tmp_path: Path) -> None:
        source = tmp_path / "macro.bas"
        source.write_text(macro("libreoffice_basic.bas", server), encoding="utf-8")
        planned(office.run("basic", book, source, "PlanWeek")["sheets"])

    def test_basic_brings_the_problems(self, server: Server, office: Office, book: Path, tmp_path: Path) -> None:
        source = tmp_path / "macro.bas"
        source.write_text(macro("libreoffice_basic.bas", server), encoding="utf-8")
        sheets = office.run("basic", spoilt(book), source, "PlanWeek")["sheets"]
        assert records(sheets["Problems"])[0]["code"] == "ambiguous-date"
        assert "Plan" not in sheets

    def test_basic_tells_what_is_no_workbook(self, server: Server, office: Office, book: Path, tmp_path: Path) -> None:
        """No service at that address; and one that answers with a problem in words."""
        source, text = tmp_path / "macro.bas", macro("libreoffice_basic.bas", server)
        source.write_text(text.replace(server.url, "http://127.0.0.1:9"), encoding="utf-8")
        assert "platerota did not answer" in office.run("basic", book, source, "PlanWeek")["sheets"]["Problems"][0][0]
        source.write_text(text.replace("/v1/plans", "/v1/plan"), encoding="utf-8")
        assert "nothing is there" in office.run("basic", book, source, "PlanWeek")["sheets"]["Problems"][0][0]

    def test_python_tells_a_problem(self, server: Server, office: Office, book: Path) -> None:
        office.install(macro("libreoffice_python.py", server).replace("/v1/plans", "/v1/plan"), "platerota_wrong.py")
        assert "nothing is there" in office.run("python", book, "platerota_wrong.py", "plan_week", fails=True)

    def test_the_macro_for_excel_is_good_basic(self, office: Office, book: Path, tmp_path: Path) -> None:
        """LibreOffice reads VBA (`Option VBASupport 1`); it compiles the whole module to run one function of it."""
        source, text = tmp_path / "macro.bas", (MACROS / "vba.bas").read_text(encoding="utf-8")
        probe = "\nPublic Function Probe(path As String) As String\nProbe = Extension(path)\nEnd Function\n"
        source.write_text(f"Option VBASupport 1\n{text}{probe}", encoding="utf-8")
        assert office.run("basic", book, source, "Probe", "C:\\Week 9\\Orders.XLSM")["given"] == ".xlsm"
        source.write_text(f"Option VBASupport 1\n{text.replace('End If', 'End Iff')}{probe}", encoding="utf-8")
        assert office.run("basic", book, source, "Probe", "a.xlsm")["given"] != ".xlsm", "a fault of grammar goes unseen"
