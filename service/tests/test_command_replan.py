"""`platerota replan` as a planner meets it: wrong use first. The example: one mill, one plate; at 06:20 the mill breaks until ten."""

import copy
import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from platerota_service import command_line, command_plans
from platerota_service.answers import example
from platerota_shared.audit import audit
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request

FakeChild = Callable[[str], tuple[str, ...]]
Run = Callable[..., Result]
BESIDE = ("problem", "progress", "shop", "base", "compare")
NOW = ("--now", example("replan-request")["now"])


def plan_of(name: str) -> dict[str, Any]:
    return {field: value for field, value in copy.deepcopy(example(name)).items() if field not in BESIDE}


@pytest.fixture
def plan_document() -> dict[str, Any]:
    """What the fake children find: the example's replan as the solver gives it, without the note of its request."""
    found = plan_of("replan-plan")
    return {**found, "warnings": found["warnings"][:-1]}


@pytest.fixture
def files(tmp_path: Path, request_document: dict[str, Any]) -> Path:
    """A folder with request, plan and what has happened."""
    documents = {"request": request_document, "plan": plan_of("plan"), "happened": example("replan-request")["happened"]}
    for name, document in documents.items():
        (tmp_path / f"{name}.json").write_text(json.dumps(document), encoding="utf-8")
    return tmp_path


@pytest.fixture
def run(files: Path, child: FakeChild, monkeypatch: pytest.MonkeyPatch) -> Run:
    """The command on the files of the folder, over a fake child."""
    monkeypatch.setattr(command_plans, "SOLVE_CHILD", child("exact"))

    def invoke(*arguments: str | Path) -> Result:
        names = ["replan", files / "request.json", files / "plan.json", *arguments]
        return CliRunner().invoke(command_line.app, [str(one) for one in names])

    return invoke


def test_without_an_instant_or_with_impossible_minutes(run: Run) -> None:
    assert run().exit_code == 2
    for minutes in ("-1", "10081", "an hour"):
        assert run(*NOW, "--frozen-minutes", minutes).exit_code == 2
    for points in ("-1", "1e10", "nan", "inf", "dear"):
        assert run(*NOW, "--moved-task", points).exit_code == 2, points


def test_every_fault_is_said_with_its_place(run: Run, files: Path) -> None:
    path = files / "happened.json"
    closed = [{"machine": "mill-7", "until": "2027-03-01T10:00:00"}]
    path.write_text(json.dumps({"runs": [{"run": "R7", "stage": "cut"}], "closed": closed}), encoding="utf-8")
    result = run(*NOW, "--happened", path)
    assert (result.exit_code, result.stdout) == (2, "")
    assert f"{path}: /runs/0/run: the plan has no run 'R7'" in result.stderr
    assert f"{path}: /closed/0/machine: " in result.stderr
    assert result.stderr.splitlines()[-1] == "2 faults"
    for body in (b"", b"[]", b"\xff"):
        path.write_bytes(body)
        result = run(*NOW, "--happened", path)
        assert (result.exit_code, str(path) in result.stderr) == (2, True)
    result = run("--now", "yesterday")
    assert (result.exit_code, "--now: " in result.stderr) == (2, True)


def test_a_plan_with_findings_is_not_replanned(run: Run, files: Path) -> None:
    bent = plan_of("plan")
    bent["score"]["parts"]["setup"] += 5
    (files / "plan.json").write_text(json.dumps(bent), encoding="utf-8")
    result = run(*NOW)
    assert (result.exit_code, result.stdout) == (1, "")
    assert "nothing is replanned" in result.stderr


def test_files_that_could_not_be_written_are_refused_before_solving(run: Run, files: Path) -> None:
    for option in ("-o", "--request-out", "--changes"):
        result = run(*NOW, option, files / "nowhere" / "file")
        assert (result.exit_code, "there is no folder" in result.stderr) == (2, True), option


def test_the_replan_is_written_with_its_request_and_every_change(run: Run, files: Path) -> None:
    out, asked, changes = files / "plan2.json", files / "request2.json", files / "changes.csv"
    result = run(*NOW, "--happened", files / "happened.json", "-o", out, "--request-out", asked, "--changes", changes)
    assert (result.exit_code, result.stdout) == (0, ""), result.stderr
    plan, base = Plan.from_document(json.loads(out.read_text("utf-8"))), Plan.from_document(plan_of("plan"))
    assert audit(read_request(asked.read_text("utf-8")), plan, base) == []
    assert plan.warnings[-1].code == "cut-again"
    assert "the cut of run R1 stands still" in result.stderr
    assert "order A-1042 is later by 4.0 hours" in result.stderr
    assert "tasks: 2 done, 0 kept, 3 moved, 0 gone, 0 new" in result.stderr
    rows = [row for row in csv.DictReader(io.StringIO(changes.read_text("utf-8-sig"))) if row["section"] == "task"]
    assert [(row["what"], row["detail"]) for row in rows] == [
        ("cut moved", "start; mill-1 is closed then: spindle bearing"), ("pull moved", "start; mill-1 is closed then: spindle bearing"),
        ("unload moved", "start; mill-1 is closed when R1.cut was to run: spindle bearing"),
    ]


def test_what_a_moved_task_costs_may_be_said_anew(run: Run, files: Path, request_document: dict[str, Any]) -> None:
    """The fake child's plan counts 2 points a task, so it passes the audit with these alone."""
    request_document["settings"]["score"] = {"late_hour": 100, "moved_task": 7}
    (files / "request.json").write_text(json.dumps(request_document), encoding="utf-8")
    out, asked = files / "plan2.json", files / "request2.json"
    for price, points, code in (((), 7, 1), (("--moved-task", "2"), 2, 0)):
        result = run(*NOW, "--happened", files / "happened.json", "-o", out, "--request-out", asked, *price)
        assert result.exit_code == 0, result.stderr
        assert json.loads(asked.read_text("utf-8"))["settings"]["score"] == {"late_hour": 100, "moved_task": points}
        checked = CliRunner().invoke(command_line.app, ["audit", str(asked), str(out), "--base", str(files / "plan.json")])
        assert checked.exit_code == code, checked.stdout


def test_a_replan_is_audited_and_replanned_again_with_the_plan_before_it(run: Run, files: Path) -> None:
    out, asked = files / "plan2.json", files / "request2.json"
    assert run(*NOW, "--happened", files / "happened.json", "-o", out, "--request-out", asked).exit_code == 0
    base = ("--base", str(files / "plan.json"))
    for more, code in (((), 1), (base, 0)):
        result = CliRunner().invoke(command_line.app, ["audit", str(asked), str(out), *more])
        assert (result.exit_code, "moved_task" in result.stdout) == (code, code == 1)
        later = ["replan", str(asked), str(out), "--now", "2027-03-01T10:00:00", "-o", str(files / "plan3.json"), *more]
        assert CliRunner().invoke(command_line.app, later).exit_code == code
