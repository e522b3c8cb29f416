"""Workbooks, CSV and calendar over HTTP: what is asked for, what comes back, and where a workbook's faults are."""

from __future__ import annotations

import asyncio
import datetime as dt
import io
import zipfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import httpx
import icalendar
import openpyxl
import pytest

from platerota_service.formats import WORKBOOK_BODIES, XLSX, ZIP_BODIES
from platerota_service.settings import ServiceSettings
from platerota_service.workbook import PLAN_TABLES, SOLVE_SECONDS, read_sheets
from platerota_shared.reading import read_request

from .conftest import AppOver, EngineOf
from .sheet_files import Sheets, zipped
from .test_plans import problem

pytestmark = pytest.mark.anyio

BOOK = {"Content-Type": XLSX}
CSVS = {"Content-Type": "application/zip"}
BROWSER = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"


@pytest.fixture
def sheets(request_document: dict[str, Any]) -> Sheets:
    return Sheets(request_document)


@asynccontextmanager
async def service_over(app_over: AppOver, engine_of: EngineOf, child: str) -> AsyncIterator[httpx.AsyncClient]:
    """A service whose solves are fake children of that name."""
    engine = await engine_of(child)
    await engine.check_ready(patience=60)
    transport = httpx.ASGITransport(app=app_over(engine))
    async with httpx.AsyncClient(transport=transport, base_url="http://service.test") as client:
        yield client


@pytest.fixture
async def quick(app_over: AppOver, engine_of: EngineOf) -> AsyncIterator[httpx.AsyncClient]:
    """A service whose solves end at once."""
    async with service_over(app_over, engine_of, "good") as client:
        yield client


def titles(answer: httpx.Response) -> list[str]:
    """The sheets of an answer that is a workbook, for a file of that name."""
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == XLSX
    assert answer.headers["content-disposition"].endswith('.xlsx"')
    return list(openpyxl.load_workbook(io.BytesIO(answer.content)).sheetnames)


class TestBodies:
    @pytest.mark.parametrize("kind", [*WORKBOOK_BODIES, WORKBOOK_BODIES[0].upper() + "; charset=binary"])
    async def test_a_workbook_is_answered_with_a_workbook_and_200(self, quick: httpx.AsyncClient, sheets: Sheets, kind: str) -> None:
        body = sheets.ods() if "opendocument" in kind else sheets.xlsx()
        answer = await quick.post("/v1/plans", content=body, headers={"Content-Type": kind})
        assert titles(answer)[:2] == ["Plan", "Load windows"]
        assert "platerota-faults" not in answer.headers
        again = await quick.get(answer.headers["location"], params={"format": "xlsx"})
        assert titles(again) == titles(answer)

    @pytest.mark.parametrize("kind", ZIP_BODIES)
    async def test_a_zip_of_csv_files_is_answered_with_one(self, quick: httpx.AsyncClient, sheets: Sheets, kind: str) -> None:
        answer = await quick.post("/v1/plans", content=sheets.csv_zip(), headers={"Content-Type": kind})
        assert (answer.status_code, answer.headers["content-type"]) == (200, "application/zip")
        with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
            assert "load_windows.csv" in archive.namelist()

    async def test_whoever_asks_for_json_gets_json_and_201(self, quick: httpx.AsyncClient, sheets: Sheets) -> None:
        for options in ({"params": {"format": "json"}}, {"headers": BOOK | {"Accept": "application/json"}}):
            answer = await quick.post("/v1/plans", content=sheets.xlsx(), **{"headers": BOOK, **options})
            assert (answer.status_code, answer.json()["status"]) == (201, "ready")

    async def test_json_may_ask_for_a_workbook(self, quick: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        answer = await quick.post("/v1/plans", json=request_document, params={"format": "xlsx"})
        assert titles(answer)[0] == "Plan"
        assert answer.headers["location"].startswith("/v1/plans/")

    async def test_the_solver_is_given_ten_seconds_where_the_workbook_does_not_say(
        self, app_over: AppOver, engine_of: EngineOf, sheets: Sheets,
    ) -> None:
        async with service_over(app_over, engine_of, "echo") as client:
            body = sheets.put("settings", "solve_seconds", "").xlsx()
            answer = await client.post("/v1/plans", content=body, headers=BOOK, params={"format": "json"})
        assert f'"solve_seconds": {SOLVE_SECONDS}' in answer.json()["problem"]["detail"]

    async def test_what_was_not_read_of_a_workbook_is_a_warning_that_stays_in_its_plan(
        self, quick: httpx.AsyncClient, sheets: Sheets,
    ) -> None:
        sheets.rows["Prices"] = [["a", 1]]
        answer = await quick.post("/v1/plans", content=sheets.xlsx(), headers=BOOK, params={"format": "json"})
        assert answer.json()["warnings"][-1]["code"] == "as-it-was-read"
        assert (await quick.get(answer.headers["location"])).json()["warnings"] == answer.json()["warnings"]
        answer = await quick.post("/v1/plans", content=sheets.xlsx(), headers=BOOK)
        page = openpyxl.load_workbook(io.BytesIO(answer.content))["Warnings"]
        assert any("'Prices'" in str(row[1].value) for row in page.iter_rows())

    async def test_asked_for_later_it_is_taken_and_fetched_as_a_workbook(self, client: httpx.AsyncClient, sheets: Sheets) -> None:
        answer = await client.post("/v1/plans", content=sheets.xlsx(), headers=BOOK | {"Prefer": "respond-async"})
        assert (answer.status_code, answer.json()["runs"]) == (202, [])
        await client.post(answer.headers["location"] + "/stop")
        assert titles(await client.get(answer.headers["location"], headers={"Accept": XLSX, "Prefer": "wait=20"}))[0] == "Plan"

    async def test_sent_again_with_its_key_it_makes_no_second_plan_and_comes_back_as_a_workbook(
        self, client: httpx.AsyncClient, sheets: Sheets,
    ) -> None:
        body, once = sheets.xlsx(), BOOK | {"Idempotency-Key": "week-9"}
        first = await client.post("/v1/plans", content=body, headers=once | {"Prefer": "respond-async"})
        await client.post(first.headers["location"] + "/stop")
        await client.get(first.headers["location"], headers={"Prefer": "wait=20"})
        again = await client.post("/v1/plans", content=body, headers=once)
        assert titles(again)[0] == "Plan"
        assert again.headers["location"] == first.headers["location"]
        assert len((await client.get("/v1/plans")).json()["items"]) == 1

    async def test_a_workbook_that_asks_for_too_long_a_solve_comes_back_with_that_cell_marked(
        self, client: httpx.AsyncClient, sheets: Sheets,
    ) -> None:
        body = sheets.put("settings", "solve_seconds", 60).xlsx()
        answer = await client.post("/v1/plans", content=body, headers=BOOK)
        assert titles(answer)[0] == "Problems"
        assert answer.headers["platerota-faults"] == "1"
        book = openpyxl.load_workbook(io.BytesIO(answer.content))
        told = [str(cell.value) for row in book["Problems"].iter_rows() for cell in row if cell.value is not None]
        assert any("60 seconds; a call that waits allows 25" in text for text in told)
        assert any("set it to 25 or less" in text for text in told)
        (marked,) = [cell for row in book["settings"].iter_rows() for cell in row if cell.comment is not None]
        assert marked.value == 60
        refused = problem(await client.post("/v1/plans?format=json", content=body, headers=BOOK), 400, "too-long-to-wait")
        assert [(one["sheet"], one["row"], one["code"]) for one in refused["errors"]] == [("settings", marked.row, "out-of-range")]
        assert (await client.post("/v1/plans", content=body, headers=BOOK | {"Prefer": "respond-async"})).status_code == 202

    async def test_other_faults_of_a_workbook_come_before_the_length_of_its_solve(
        self, client: httpx.AsyncClient, sheets: Sheets,
    ) -> None:
        body = sheets.put("settings", "solve_seconds", 60).put("plates", "mount", "M69").xlsx()
        answer = await client.post("/v1/plans?format=json", content=body, headers=BOOK)
        assert [one["sheet"] for one in problem(answer, 422, "faults-in-request")["errors"]] == ["plates"]

    async def test_sheets_are_bodies_like_others(self, client: httpx.AsyncClient, settings: ServiceSettings) -> None:
        problem(await client.post("/v1/plans", content=b"a" * (settings.max_body_bytes + 1), headers=BOOK), 413, "too-large")
        problem(await client.post("/v1/plans", content=b"a", headers=BOOK | {"Content-Encoding": "gzip"}), 415, "wrong-media-type")
        problem(await client.post("/v1/plans", content=b"a", headers={"Content-Type": "application/vnd.ms-excel"}), 415, "wrong-media-type")


class TestFaults:
    async def test_a_workbook_comes_back_with_200_its_faults_and_the_cells_marked(self, client: httpx.AsyncClient, sheets: Sheets) -> None:
        body = sheets.put("orders", "due", "03/04/2027").put("plates", "mount", "M69").xlsx()
        answer = await client.post("/v1/plans", content=body, headers=BOOK)
        assert titles(answer)[:2] == ["Problems", "settings"]
        assert (answer.headers["platerota-faults"], "location" in answer.headers) == ("2", False)
        book = openpyxl.load_workbook(io.BytesIO(answer.content))
        assert book["orders"]["F2"].comment is not None

    @pytest.mark.parametrize("wanted", ["json", "zip", "csv&table=orders"])
    async def test_every_other_caller_gets_a_problem_with_sheet_row_and_column(
        self, client: httpx.AsyncClient, sheets: Sheets, wanted: str,
    ) -> None:
        body = sheets.put("orders", "due", "03/04/2027").xlsx()
        errors = problem(await client.post(f"/v1/plans?format={wanted}", content=body, headers=BOOK), 422, "faults-in-request")["errors"]
        (error,) = errors
        assert (error["sheet"], error["row"], error["column"], error["code"]) == ("orders", 2, "F", "ambiguous-date")
        assert "pointer" not in error

    @pytest.mark.parametrize(("body", "status", "kind"), [
        (b"no workbook", 400, "unreadable"), (zipped({"xl/workbook.xml": b"0" * 20_000_000}), 413, "too-large"),
    ])
    async def test_what_cannot_be_read_at_all_is_a_problem_whatever_is_asked(
        self, client: httpx.AsyncClient, body: bytes, status: int, kind: str,
    ) -> None:
        problem(await client.post("/v1/plans", content=body, headers=BOOK), status, kind)

    async def test_a_refused_workbook_takes_no_place_in_the_queue(
        self, client: httpx.AsyncClient, settings: ServiceSettings, sheets: Sheets,
    ) -> None:
        good, bad = sheets.xlsx(), sheets.put("orders", "due", "03/04/2027").xlsx()
        later = BOOK | {"Prefer": "respond-async"}
        for _ in range(settings.solve_slots + settings.queue_limit + 1):
            assert (await client.post("/v1/plans", content=bad, headers=later)).headers["platerota-faults"] == "1"
        assert (await client.post("/v1/plans", content=good, headers=later)).status_code == 202

    async def test_a_decimal_comma_is_read_where_the_call_says_so(self, quick: httpx.AsyncClient, sheets: Sheets) -> None:
        body = sheets.put("plates", "mass", "20,5").csv_zip(";")
        problem(await quick.post("/v1/plans?format=json", content=body, headers=CSVS), 422, "faults-in-request")
        answer = await quick.post("/v1/plans?format=json&decimal=comma", content=body, headers=CSVS)
        assert answer.status_code == 201

    async def test_an_unknown_word_for_the_format_or_decimal_is_refused(self, client: httpx.AsyncClient, sheets: Sheets) -> None:
        for query in ("format=pdf", "decimal=dot"):
            problem(await client.post(f"/v1/plans?{query}", content=sheets.xlsx(), headers=BOOK), 422, "faults-in-request")


class TestFormats:
    @pytest.mark.parametrize(("accept", "kind"), [
        (None, "application/json"), ("*/*", "application/json"), (BROWSER, "application/json"), ("application/*", "application/json"),
        (XLSX, XLSX),
        (f"text/csv;q=0.1, {XLSX};q=0.5, application/json;q=0.4", XLSX), (f"{XLSX};q=0, application/json", "application/json"),
        (f"application/json;q=0.3, {XLSX}", XLSX), ("application/zip", "application/zip"), ("nonsense;q=x", "application/json"),
    ])
    async def test_accept_chooses_the_format(self, client: httpx.AsyncClient, sheets: Sheets, accept: str | None, kind: str) -> None:
        address = await self.plan(client, sheets)
        answer = await client.get(address, headers={"Accept": accept} if accept else {})
        assert (answer.status_code, answer.headers["content-type"]) == (200, kind)

    async def test_the_address_goes_before_accept(self, client: httpx.AsyncClient, sheets: Sheets) -> None:
        address = await self.plan(client, sheets)
        assert (await client.get(f"{address}?format=json", headers={"Accept": XLSX})).headers["content-type"] == "application/json"

    @pytest.mark.parametrize("table", [table.name for table in PLAN_TABLES])
    async def test_each_table_as_csv(self, client: httpx.AsyncClient, sheets: Sheets, table: str) -> None:
        address = await self.plan(client, sheets)
        answer = await client.get(f"{address}?format=csv&table={table}")
        assert (answer.status_code, answer.headers["content-type"]) == (200, "text/csv; charset=utf-8")
        assert answer.headers["content-disposition"].endswith(f'-{table}.csv"')

    async def test_csv_without_a_table_is_the_plan_itself(self, client: httpx.AsyncClient, sheets: Sheets) -> None:
        address = await self.plan(client, sheets)
        assert (await client.get(f"{address}?format=csv")).text == (await client.get(f"{address}?format=csv&table=plan")).text

    @pytest.mark.parametrize("query", ["table=load-windows", "format=csv&table=", "format=csv&table=load-windows"])
    async def test_a_table_that_is_not_there_is_refused_with_those_that_are(
        self, client: httpx.AsyncClient, sheets: Sheets, query: str,
    ) -> None:
        address = await self.plan(client, sheets)
        assert "load_windows" in problem(await client.get(f"{address}?{query}"), 400, "no-such-table")["detail"]

    async def test_an_unknown_plan_is_a_problem_in_every_format(self, client: httpx.AsyncClient) -> None:
        for query in ("format=xlsx", "format=csv&table=plan", "format=zip"):
            problem(await client.get(f"/v1/plans/nothing?{query}"), 404, "unknown-plan")

    async def plan(self, client: httpx.AsyncClient, sheets: Sheets) -> str:
        answer = await client.post("/v1/plans", content=sheets.xlsx(), headers=BOOK | {"Prefer": "respond-async"})
        return str(answer.headers["location"])


class TestTemplate:
    async def test_the_template_is_a_workbook_that_can_be_planned_as_it_is(self, client: httpx.AsyncClient) -> None:
        answer = await client.get("/v1/workbook-template")
        assert titles(answer)[:2] == ["help", "settings"]
        read = read_sheets(answer.content)
        assert (read.remarks, read.request.settings.solve_seconds) == ((), SOLVE_SECONDS)
        assert len(read.request.orders) > 10

    async def test_as_csv_files_it_is_the_same_request(self, client: httpx.AsyncClient) -> None:
        book, files = await client.get("/v1/workbook-template"), await client.get("/v1/workbook-template", params={"format": "zip"})
        assert read_sheets(files.content).request == read_sheets(book.content).request

    async def test_one_table_as_csv(self, client: httpx.AsyncClient) -> None:
        answer = await client.get("/v1/workbook-template?format=csv&table=floor.pieces")
        assert answer.text.startswith("order,op,pieces\r\n")
        problem(await client.get("/v1/workbook-template?format=csv&table=load_windows"), 400, "no-such-table")
        problem(await client.get("/v1/workbook-template?format=json"), 422, "faults-in-request")

    async def test_a_caller_that_prefers_json_gets_the_workbook(self, client: httpx.AsyncClient) -> None:
        titles(await client.get("/v1/workbook-template", headers={"Accept": "application/json"}))


class TestCalendar:
    async def test_the_loads_of_a_plan_under_way_and_ended(self, client: httpx.AsyncClient, request_document: dict[str, Any]) -> None:
        answer = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
        address = answer.headers["location"]
        while not (await client.get(address)).json()["runs"]:
            await asyncio.sleep(0.01)
        before = await client.get(f"{address}/load-windows.ics")
        assert before.headers["content-type"] == "text/calendar; charset=utf-8"
        await client.post(f"{address}/stop")
        await client.get(address, headers={"Prefer": "wait=20"})
        after = await client.get(f"{address}/load-windows.ics", params={"operator": "ana"})
        (first,), (second,) = (icalendar.Calendar.from_ical(one.content).walk("VEVENT") for one in (before, after))
        assert first["UID"] == second["UID"]
        assert second["SEQUENCE"] > first["SEQUENCE"]
        assert second["STATUS"] == "TENTATIVE"
        assert second.decoded("DTSTART") == dt.datetime.fromtimestamp(read_request(request_document).now, dt.UTC)

    async def test_an_operator_who_is_not_there_and_a_plan_that_is_not(
        self, client: httpx.AsyncClient, request_document: dict[str, Any],
    ) -> None:
        answer = await client.post("/v1/plans", json=request_document, headers={"Prefer": "respond-async"})
        wrong = await client.get(f"{answer.headers['location']}/load-windows.ics", params={"operator": "anna"})
        assert "'anna'" in problem(wrong, 404, "unknown-operator")["detail"]
        problem(await client.get("/v1/plans/nothing/load-windows.ics"), 404, "unknown-plan")
