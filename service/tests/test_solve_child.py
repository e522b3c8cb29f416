"""The child that solves: what it says, and how it obeys. The solver itself is tested beside it; here it is a few lines."""

import json
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from platerota_service import solve_child
from platerota_service.solve_lines import AnyLine, Failed, Improved, Reached, Rejected, order_line
from platerota_shared.audit import Finding
from platerota_shared.plan import Plan, Stage
from platerota_shared.starts import Aim, Start
from platerota_shared.tables import PlanRequest

Solve = Callable[[PlanRequest, Any, Start | None], Plan]
StartChild = Callable[..., "subprocess.Popen[bytes]"]


@pytest.fixture
def plan(plan_document: dict[str, Any]) -> Plan:
    return Plan.from_document(plan_document)


@pytest.fixture
def said(request_document: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> Callable[[Solve], list[AnyLine]]:
    """What the child says when its solver is the one given and every plan of score 666 fails the audit."""

    def audit(request: PlanRequest, plan: Plan, base: Plan | None) -> list[Finding]:
        return [Finding("F6", (), "two cuts at once")] if plan.score.total == 666 else []

    def say_with(solve: Solve) -> list[AnyLine]:
        lines: list[AnyLine] = []
        monkeypatch.setattr(solve_child, "audit", audit)
        monkeypatch.setattr(solve_child, "solve", solve)
        well = solve_child.run({"memory_mib": 512, "start": None, "request": request_document}, lines.append, threading.Event())
        assert well is not isinstance(lines[-1], Failed)
        return lines

    return say_with


def scored(plan: Plan, total: float) -> Plan:
    return plan.model_copy(update={"score": plan.score.model_copy(update={"total": total})})


def test_stages_and_the_plan_are_said(said: Callable[[Solve], list[AnyLine]], plan: Plan) -> None:
    def solve(request: PlanRequest, listener: Any, start: Start | None) -> Plan:
        listener.stage(Stage(name="first", seconds=0.5, total=4.0, bound=3.0))
        assert not listener.should_stop()
        return plan

    assert said(solve) == [Reached(stage="first", seconds=0.5, total=4.0, bound=3.0, gap=0.25), Improved(plan=plan.document())]


def test_a_plan_that_fails_the_audit_is_said_to_be_rejected(said: Callable[[Solve], list[AnyLine]], plan: Plan) -> None:
    def solve(request: PlanRequest, listener: Any, start: Start | None) -> Plan:
        listener.improved(plan)
        return scored(plan, 666)

    assert said(solve) == [
        Improved(plan=plan.document()), Rejected(plan=scored(plan, 666).document(), findings=("F6: two cuts at once",)),
    ]


def test_plans_in_quick_succession_are_not_all_audited_but_the_last_is(
    said: Callable[[Solve], list[AnyLine]], plan: Plan, monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Each look at the clock is one second later: an audit takes one, so the next may begin ten later.
    ticks = iter(range(1_000))
    monkeypatch.setattr(solve_child, "time", SimpleNamespace(monotonic=lambda: float(next(ticks))))

    def solve(request: PlanRequest, listener: Any, start: Start | None) -> Plan:
        for total in range(20, 0, -1):
            listener.improved(scored(plan, total))
        return scored(plan, 0)

    totals = [line.plan["score"]["total"] for line in said(solve) if isinstance(line, Improved)]
    assert totals == [20, 10, 0]


@pytest.mark.parametrize("counts_moves", [False, True])
def test_the_solver_gets_the_start_and_the_audit_its_plan_where_moves_count(
    request_document: dict[str, Any], plan: Plan, monkeypatch: pytest.MonkeyPatch, counts_moves: bool,
) -> None:
    given: list[Start | None] = []
    bases: list[Plan | None] = []

    def solve(request: PlanRequest, listener: Any, start: Start | None) -> Plan:
        given.append(start)
        return plan

    def audit(request: PlanRequest, plan: Plan, base: Plan | None) -> list[Finding]:
        bases.append(base)
        return []

    monkeypatch.setattr(solve_child, "solve", solve)
    monkeypatch.setattr(solve_child, "audit", audit)
    start = Start(plan, counts_moves=counts_moves, frozen_until=plan.now + 3_600, aim=Aim("A-1042", 1e5, harmless=True))
    order = json.loads(order_line(json.dumps(request_document).encode(), 512, start.text()))
    lines: list[AnyLine] = []
    assert solve_child.run(order, lines.append, threading.Event())
    assert (given, bases, lines) == ([start], [plan if counts_moves else None], [Improved(plan=plan.document())])


@pytest.mark.parametrize("start", [5, {}, {"plan": {}, "aim": None}, {"plan": None, "aim": None, "counts_moves": True}])
def test_a_start_that_this_version_cannot_read_is_said_and_nothing_is_solved(request_document: dict[str, Any], start: Any) -> None:
    lines: list[AnyLine] = []
    assert not solve_child.run({"memory_mib": 512, "start": start, "request": request_document}, lines.append, threading.Event())
    (line,) = lines
    assert isinstance(line, Failed)
    assert "stored by another version" in line.detail


def test_a_fault_of_the_solver_is_said_without_its_internals(
    said: Callable[[Solve], list[AnyLine]], caplog: pytest.LogCaptureFixture,
) -> None:
    def solve(request: PlanRequest, listener: Any, start: Start | None) -> Plan:
        raise ValueError("variable x17 has no domain")

    (line,) = said(solve)
    assert isinstance(line, Failed)
    assert "x17" not in line.detail
    assert "x17" in caplog.text


def test_too_little_memory_is_said_with_the_limit(said: Callable[[Solve], list[AnyLine]]) -> None:
    def solve(request: PlanRequest, listener: Any, start: Start | None) -> Plan:
        raise MemoryError

    (line,) = said(solve)
    assert isinstance(line, Failed)
    assert "512 MiB" in line.detail


SCRIPT = """
import json, sys, threading
from platerota_service import solve_child
from platerota_shared.plan import Plan

def solve(request, listener, start):
    print("a native library prints this", flush=True)
    {body}
    return Plan.from_document(json.loads({plan!r}))

def warm(on_compiling):
    {warm}

solve_child.solve, solve_child.audit, solve_child.warm_up = solve, lambda request, plan, base: [], warm
solve_child.main()
"""


@pytest.fixture
def start(tmp_path: Path, plan_document: dict[str, Any]) -> StartChild:
    """The child's `main` as a process of its own, with a solver whose work, and whose way to get warm, is the Python line given."""

    def process(body: str, *arguments: str, warm: str = "pass") -> "subprocess.Popen[bytes]":
        script = tmp_path / "child.py"
        script.write_text(SCRIPT.format(body=body, warm=warm, plan=json.dumps(plan_document)), encoding="utf-8")
        pipe = subprocess.PIPE
        return subprocess.Popen([sys.executable, str(script), *arguments], stdin=pipe, stdout=pipe, stderr=pipe)

    return process


def order(document: dict[str, Any], mib: int = 4_096) -> bytes:
    return json.dumps({"memory_mib": mib, "start": None, "request": document}).encode() + b"\n"


def said_by(process: "subprocess.Popen[bytes]", told: bytes, last: str = "done") -> list[dict[str, Any]]:
    """Tell it something, and read until it says `last`."""
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(told)
    process.stdin.flush()
    lines: list[dict[str, Any]] = []
    while not lines or lines[-1]["event"] != last:
        lines.append(json.loads(process.stdout.readline()))
    return lines


def events(lines: list[dict[str, Any]]) -> list[str]:
    return [line["event"] for line in lines]


def test_standard_output_carries_lines_only(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("pass") as process:
        assert events(said_by(process, order(request_document))) == ["warm", "improved", "done"]
        assert process.stdin is not None
        process.stdin.close()
        assert process.stderr is not None
        assert b"a native library prints this" in process.stderr.read()
    assert process.returncode == 0


def test_stop_ends_each_with_its_best(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("\n    while not listener.should_stop(): pass") as process:
        for _ in range(2):
            assert events(said_by(process, order(request_document) + b"STOP\n")) == ["warm", "improved", "done"]


def test_it_takes_another_order_and_a_stop_that_came_too_late_is_none_for_it(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("assert not listener.should_stop()") as process:
        for _ in range(3):
            lines = said_by(process, order(request_document))
            assert events(lines) == ["warm", "improved", "done"]
            assert lines[-1]["again"]
            assert process.stdin is not None
            process.stdin.write(b"STOP\n")
            process.stdin.flush()
    assert process.returncode == 0


def test_it_ends_after_an_order_for_which_it_grew_much(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("sys.kept = b'x' * 1024**3") as process:
        assert not said_by(process, order(request_document))[-1]["again"]
        assert process.stdout is not None
        assert process.stdout.read() == b""
    assert process.returncode == 0


def test_it_ends_after_an_order_that_did_not_end_well(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("raise ValueError") as process:
        assert events(said_by(process, order(request_document), "failed")) == ["warm", "failed"]
        assert process.stdout is not None
        assert process.stdout.read() == b""
    assert process.returncode == 0


def test_it_ends_when_nobody_is_left_to_listen(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("\n    while True: pass") as process:
        out, _ = process.communicate(order(request_document))
    assert process.returncode == 3
    assert b"improved" not in out


def test_it_is_ready_before_its_order_comes(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("pass") as process:
        assert process.stdout is not None
        assert json.loads(process.stdout.readline())["event"] == "warm"
        assert events(said_by(process, order(request_document))) == ["improved", "done"]


def test_it_ends_quietly_when_it_is_told_nothing(start: StartChild) -> None:
    with start("pass") as process:
        assert b"improved" not in process.communicate(b'{"memory_mib": 51')[0]
    assert process.returncode == 0


def test_memory_is_limited(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("bytearray(8 * 1024**3)") as process:
        assert process.stdin is not None
        process.stdin.write(order(request_document))
        process.stdin.flush()
        assert process.stdout is not None
        _, line = map(json.loads, process.stdout)
    assert line["event"] == "failed"
    assert "4096 MiB" in line["detail"]


def test_to_warm_up_is_all_it_does_where_that_is_asked(start: StartChild) -> None:
    with start("raise AssertionError", "--warm", warm="on_compiling()") as process:
        assert process.stdout is not None
        assert [json.loads(line)["event"] for line in process.stdout] == ["compiling", "warm"]
    assert process.returncode == 0


def test_a_solver_that_cannot_get_warm_says_so(start: StartChild, request_document: dict[str, Any]) -> None:
    with start("raise AssertionError", warm="raise RuntimeError('no locator')") as process:
        assert process.stdin is not None
        process.stdin.write(order(request_document))
        process.stdin.flush()
        assert process.stdout is not None
        (line,) = map(json.loads, process.stdout)
        assert process.stderr is not None
        assert b"no locator" in process.stderr.read()
    assert line == {"event": "failed", "detail": "the solver cannot be made ready on this machine (RuntimeError)"}


def test_it_ends_while_it_warms_up_when_nobody_is_left_to_listen(start: StartChild) -> None:
    with start("pass", "--warm", warm="\n    while True: pass") as process:
        out, _ = process.communicate(b"")
    assert (process.returncode, out) == (3, b"")
