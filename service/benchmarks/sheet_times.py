"""How long a workbook of 600 runs takes, out and in: ``python service/benchmarks/sheet_times.py``. Goals: 2 s out, 1 s in.

The plan is the example's one run, 600 times over on ten mills; the request is the demo week four times over, so about as large as
one that needs 600 runs. Medians of seven, in this process.
"""

from __future__ import annotations

import json
import statistics
import time
from collections.abc import Callable
from typing import Any

from platerota_service.answers import example
from platerota_service.demo import request_text
from platerota_service.workbook import PlanBook, plan_csvs, plan_workbook, read_sheets, template_csvs, template_workbook
from platerota_shared.plan import Plan

RUNS, MILLS, TIMES = 600, 10, 7
DAY = 86_400


def large_plan() -> Plan:
    """The example's run, `RUNS` times over."""
    one = Plan.from_document({name: value for name, value in example("plan").items() if name not in ("problem", "progress")})
    runs, tasks, windows = [], [], []
    for number in range(RUNS):
        later, name = number // MILLS * 3_000, f"R{number + 1}"
        runs.append(one.runs[0].model_copy(update={"id": name}))
        tasks += [
            task.model_copy(update={"id": f"{name}.{task.kind}", "run": name, "start": task.start + later, "end": task.end + later})
            for task in one.tasks
        ]
        windows.append(one.load_windows[0].model_copy(update={"run": name}))
    lanes = [
        one.lanes[0].model_copy(update={"id": f"mill-{mill}", "tasks": tuple(task.id for task in tasks[mill::MILLS])})
        for mill in range(MILLS)
    ]
    update = {"runs": tuple(runs), "tasks": tuple(tasks), "load_windows": tuple(windows), "lanes": tuple(lanes)}
    return one.model_copy(update=update)


def large_request() -> dict[str, Any]:
    """The demo week, four times over: every name of the second shop ends in ``-2``, and so on."""
    week: dict[str, Any] = json.loads(request_text("full"))
    tables = [(week["shop"], name) for name, rows in week["shop"].items() if isinstance(rows, list)] + [(week, "orders")]
    for holder, name in tables:
        holder[name] = [_renamed(row, number) for number in range(1, 5) for row in holder[name]]
    return {**week, "floor": {}}


NAMES = ("id", "mount", "fixture", "stays_in", "part", "operator", "machine", "plate")


def _renamed(row: dict[str, Any], number: int) -> dict[str, Any]:
    named = {name: f"{value}-{number}" if name in NAMES and value is not None else value for name, value in row.items()}
    if isinstance(named.get("machines"), list):
        named["machines"] = [f"{machine}-{number}" for machine in named["machines"]]
    return named


def median(work: Callable[[], object]) -> float:
    """The median of `TIMES` runs in seconds."""
    took: list[float] = []
    for _ in range(TIMES):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return statistics.median(took)


def main() -> None:
    """Print the medians."""
    book, request = PlanBook(large_plan()), large_request()
    workbook, files = template_workbook(request), template_csvs(request)
    print(f"{len(book.plan.runs)} runs, {len(book.plan.tasks)} tasks; {len(request['orders'])} orders")
    for words, work in (
        ("plan out, workbook", lambda: plan_workbook(book)), ("plan out, CSV", lambda: plan_csvs(book)),
        ("request in, workbook", lambda: read_sheets(workbook)), ("request in, CSV", lambda: read_sheets(files)),
        ("template out", lambda: template_workbook(request)),
    ):
        print(f"{words:22} {median(work):6.3f} s")


if __name__ == "__main__":
    main()
