"""The command line as a new user meets it: wrong use first, then well. Exit codes: 0 well, 1 findings or unplaced, 2 faults."""

import json
import signal
import subprocess
import sys
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from platerota_service import command_line, command_plans
from platerota_service.answers import example
from platerota_service.risk_order import NO_SOLVER
from platerota_shared.audit import Finding

FakeChild = Callable[[str], tuple[str, ...]]


@pytest.fixture
def run() -> Callable[..., Result]:
    def invoke(*arguments: str | Path, **more: Any) -> Result:
        return CliRunner().invoke(command_line.app, [str(one) for one in arguments], **more)

    return invoke


@pytest.fixture
def request_file(tmp_path: Path, request_document: dict[str, Any]) -> Path:
    path = tmp_path / "request.json"
    path.write_text(json.dumps(request_document), encoding="utf-8")
    return path


@pytest.fixture
def plan_file(tmp_path: Path, plan_document: dict[str, Any]) -> Path:
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan_document), encoding="utf-8")
    return path


@pytest.fixture
def child_is(monkeypatch: pytest.MonkeyPatch, child: FakeChild) -> Callable[[str], None]:
    return lambda name: monkeypatch.setattr(command_plans, "SOLVE_CHILD", child(name))


@pytest.fixture
def findings(monkeypatch: pytest.MonkeyPatch) -> list[Finding]:
    """What the audit finds; the rules themselves are tested beside it."""
    found: list[Finding] = []
    monkeypatch.setattr(command_plans, "audit_plan", lambda request, plan, base: found)
    return found


def test_the_version_is_that_of_the_package(run: Callable[..., Result]) -> None:
    asked = run("--version")
    assert (asked.exit_code, asked.output) == (0, f"platerota {version('platerota')}\n")


class TestCheckPlate:
    def test_faults_are_told_with_what_to_change(self, run: Callable[..., Result], tmp_path: Path) -> None:
        path = tmp_path / "check.json"
        path.write_text('{"plate": {"size_x": "16", "size_y": 300}}', encoding="utf-8")
        result = run("check-plate", path)
        assert (result.exit_code, result.stdout) == (2, "")
        assert "/plate/size_x" in result.stderr

    @pytest.mark.parametrize(("travel", "code"), [(420, 0), (200, 1)])
    def test_the_answer_is_json_and_warnings_are_said(self, run: Callable[..., Result], tmp_path: Path, travel: int, code: int) -> None:
        path, out = tmp_path / "check.json", tmp_path / "answer.json"
        machines = [{"id": "M1", "travel_x": 760, "travel_y": travel}]
        path.write_text(json.dumps({"plate": {"size_x": 400, "size_y": 300, "mass": 30}, "machines": machines}), encoding="utf-8")
        result = run("check-plate", path, "-o", out)
        assert (result.exit_code, result.stdout) == (code, "")
        assert "30.0 kg" in result.stderr
        assert json.loads(out.read_text("utf-8"))["machines"][0]["fits"] is (code == 0)


class TestWrongInput:
    @pytest.mark.parametrize(
        ("name", "words"),
        [("missing.json", "there is no such file"), ("folder", "this is a folder"), ("file.txt/request.json", "cannot be read")],
    )
    def test_a_file_that_is_none(self, run: Callable[..., Result], tmp_path: Path, name: str, words: str) -> None:
        (tmp_path / "folder").mkdir()
        (tmp_path / "file.txt").write_text("")
        result = run("plan", tmp_path / name)
        assert (result.exit_code, result.stdout) == (2, "")
        assert words in result.stderr
        assert "Traceback" not in result.stderr

    @pytest.mark.parametrize(
        ("body", "words"),
        [
            (b"", "not JSON"), (b"orders;quantity", "not JSON"), (b"[1]", "not an object"), (b'{"now": NaN}', "number"),
            ('{"now": "Größe"}'.encode("latin-1"), "UTF-8"), (b"PK\x03\x04\x00\xff", "UTF-8"),
        ],
    )
    def test_a_file_that_is_no_request(self, run: Callable[..., Result], tmp_path: Path, body: bytes, words: str) -> None:
        path = tmp_path / "request.json"
        path.write_bytes(body)
        result = run("plan", path)
        assert result.exit_code == 2
        assert words in result.stderr
        assert str(path) in result.stderr

    def test_every_fault_is_printed_on_a_line_with_pointer_and_mend(
        self, run: Callable[..., Result], tmp_path: Path, request_document: dict[str, Any],
    ) -> None:
        request_document["orders"][0]["part"] = "brackett"
        del request_document["shop"]["machines"][0]["mount"]
        path = tmp_path / "request.json"
        path.write_text(json.dumps(request_document))
        result = run("plan", path)
        assert result.exit_code == 2
        lines = result.stderr.splitlines()
        assert any(f"{path}: /orders/0/part: " in line and "bracket" in line for line in lines)
        assert any(f"{path}: /shop/machines/0" in line and "mount" in line for line in lines)
        assert lines[-1].endswith(f"{len(lines) - 1} faults")

    def test_a_plan_that_could_not_be_written_is_refused_before_solving(
        self, run: Callable[..., Result], request_file: Path, tmp_path: Path, child_is: Callable[[str], None],
    ) -> None:
        child_is("hang")
        for target, words in ((tmp_path, "folder"), (tmp_path / "nowhere" / "plan.json", "there is no folder")):
            result = run("plan", request_file, "-o", target)
            assert result.exit_code == 2
            assert words in result.stderr

    def test_a_quantity_that_is_too_large_to_count_with(
        self, run: Callable[..., Result], tmp_path: Path, plan_file: Path, request_document: dict[str, Any],
    ) -> None:
        request_document["shop"]["machines"][0]["travel_x"] = "1e400 in"
        path = tmp_path / "request.json"
        path.write_text(json.dumps(request_document))
        result = run("audit", path, plan_file)
        assert (result.exit_code, type(result.exception)) == (2, SystemExit)
        assert "/shop/machines/0/travel_x: machine mill-1: travel_x is no length to plan with: '1e400 in'" in result.stderr

    @pytest.mark.parametrize("body", [b"", b"[]", b"{}", b'{"timezone": 5}', b"\xff", b"[" * 100_000, b"1" * 10_000])
    def test_a_file_that_is_no_plan(self, run: Callable[..., Result], request_file: Path, tmp_path: Path, body: bytes) -> None:
        path = tmp_path / "plan.json"
        path.write_bytes(body)
        result = run("audit", request_file, path)
        assert (result.exit_code, type(result.exception)) == (2, SystemExit)
        assert str(path) in result.stderr

    @pytest.mark.parametrize("name", ["Mars/Base", "Europe", "posix", "../../etc/passwd", "/etc/passwd", "", ".", "x" * 5_000, "UTC\0"])
    def test_a_plan_in_a_timezone_that_is_none(
        self, run: Callable[..., Result], request_file: Path, tmp_path: Path, plan_document: dict[str, Any], name: str,
    ) -> None:
        path = tmp_path / "plan.json"
        path.write_text(json.dumps({**plan_document, "timezone": name}))
        result = run("audit", request_file, path)
        assert (result.exit_code, type(result.exception)) == (2, SystemExit)
        assert f"{path}: it cannot be read as a plan: there is no timezone '" in result.stderr

    def test_request_and_plan_swapped(self, run: Callable[..., Result], request_file: Path, plan_file: Path) -> None:
        assert run("audit", plan_file, request_file).exit_code == 2

    def test_a_setting_of_the_environment_that_is_wrong(
        self, run: Callable[..., Result], request_file: Path, monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setenv("PLATEROTA_SOLVE_SLOTS", "many")
        result = run("plan", request_file)
        assert result.exit_code == 2
        assert "PLATEROTA_SOLVE_SLOTS" in result.stderr

    def test_no_arguments_and_an_unknown_command(self, run: Callable[..., Result]) -> None:
        assert run().exit_code == 2
        assert run("paln").exit_code == 2


class TestPlan:
    def test_the_plan_is_written_and_progress_goes_to_standard_error(
        self, run: Callable[..., Result], request_file: Path, tmp_path: Path, child_is: Callable[[str], None],
    ) -> None:
        child_is("good")
        out = tmp_path / "out.json"
        result = run("plan", request_file, "-o", out)
        assert (result.exit_code, result.stdout) == (0, "")
        assert json.loads(out.read_text())["score"]["total"] == 3.0
        first, *_, last = result.stderr.splitlines()
        assert all(words in first for words in ("first", "score 4.0", "bound 3.0", "gap 25.0%"))
        assert "1 orders, 0 late, 0 unplaced" in last

    def test_it_is_said_when_the_solver_must_be_compiled(
        self, run: Callable[..., Result], request_file: Path, child_is: Callable[[str], None],
    ) -> None:
        child_is("compiling")
        result = run("plan", request_file)
        assert result.exit_code == 0
        assert result.stderr.splitlines()[0] == "compiling the solver for this machine, once (two to three minutes)"

    def test_without_a_target_the_plan_is_printed_and_the_request_may_be_piped(
        self, run: Callable[..., Result], request_file: Path, child_is: Callable[[str], None],
    ) -> None:
        child_is("good")
        result = run("plan", "-", input=request_file.read_bytes())
        assert result.exit_code == 0
        assert json.loads(result.stdout)["status"] == "ready"

    def test_the_same_request_gives_the_same_bytes(
        self, run: Callable[..., Result], request_file: Path, child_is: Callable[[str], None],
    ) -> None:
        child_is("good")
        assert run("plan", request_file).stdout == run("plan", request_file).stdout

    def test_a_late_order_says_why(self, run: Callable[..., Result], request_file: Path, child_is: Callable[[str], None]) -> None:
        child_is("late")
        result = run("plan", request_file)
        assert result.exit_code == 0
        assert "order A-1042 is 1.5 hours late: plate P1 was cutting" in result.stderr

    def test_an_unplaced_order_is_exit_code_1_and_says_why(
        self, run: Callable[..., Result], request_file: Path, child_is: Callable[[str], None], plan_document: dict[str, Any],
    ) -> None:
        child_is("unplaced")
        result = run("plan", request_file)
        assert result.exit_code == 1
        assert "order A-1042 is not placed: nobody is on shift" in result.stderr

    @pytest.mark.parametrize(
        ("name", "words"),
        [("crash", "exit code 7"), ("failed", "out of coolant"), ("rejected", "F6: two cuts at once"), ("silent", "there is no plan")],
    )
    def test_no_plan_is_exit_code_1_and_says_why(
        self, run: Callable[..., Result], request_file: Path, tmp_path: Path, child_is: Callable[[str], None], name: str, words: str,
    ) -> None:
        child_is(name)
        out = tmp_path / "out.json"
        result = run("plan", request_file, "-o", out)
        assert result.exit_code == 1
        assert words in result.stderr
        assert not out.exists()

    def test_ctrl_c_keeps_the_best_plan(self, request_file: Path, tmp_path: Path, child: FakeChild) -> None:
        out = tmp_path / "out.json"
        # A shell that runs the tests in its background lets them ignore Ctrl-C.
        code = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
        code += f"from platerota_service import command_line as c, command_plans as p; p.SOLVE_CHILD = {child('talking')!r}; c.main()"
        with subprocess.Popen(
            [sys.executable, "-c", code, "plan", str(request_file), "-o", str(out)], stderr=subprocess.PIPE, text=True,
        ) as process:
            assert process.stderr is not None
            assert "searching" in process.stderr.readline()
            process.send_signal(signal.SIGINT)
            words = process.stderr.read()
        assert process.returncode == 0, words
        assert "the best plan so far is kept" in words
        assert json.loads(out.read_text())["score"]["total"] == 3.0


class TestAudit:
    def test_a_valid_plan(self, run: Callable[..., Result], request_file: Path, plan_file: Path, findings: list[Finding]) -> None:
        result = run("audit", request_file, plan_file)
        assert (result.exit_code, result.stdout) == (0, "")
        assert "no findings" in result.stderr

    def test_findings_are_printed_one_a_line(
        self, run: Callable[..., Result], request_file: Path, plan_file: Path, findings: list[Finding],
    ) -> None:
        findings += [Finding("F6", (), "two cuts at once"), Finding("F2", (), "unloaded before it was cut")]
        result = run("audit", request_file, plan_file)
        assert result.exit_code == 1
        assert result.stdout.splitlines() == ["F6: two cuts at once", "F2: unloaded before it was cut"]

    def test_an_unplaced_order_is_exit_code_1(
        self, run: Callable[..., Result], request_file: Path, tmp_path: Path, plan_document: dict[str, Any], findings: list[Finding],
    ) -> None:
        plan_document["orders"][0] |= {"placed": False, "start": None, "finish": None, "late_seconds": None, "why": "nobody is on shift"}
        path = tmp_path / "plan.json"
        path.write_text(json.dumps(plan_document))
        assert run("audit", request_file, path).exit_code == 1

    def test_a_plan_as_the_service_answers_it_is_read(
        self, run: Callable[..., Result], request_file: Path, tmp_path: Path, plan_document: dict[str, Any], findings: list[Finding],
    ) -> None:
        path = tmp_path / "plan.json"
        path.write_text(json.dumps({**plan_document, "problem": None, "progress": None}))
        assert run("audit", request_file, path).exit_code == 0


class TestRisks:
    def test_faults_of_the_question_are_told_with_what_to_change(
        self, run: Callable[..., Result], request_file: Path, plan_file: Path, tmp_path: Path,
    ) -> None:
        path = tmp_path / "question.json"
        path.write_text('{"samples": 1, "hand": {"variation": 9}}', encoding="utf-8")
        result = run("risks", request_file, plan_file, "--question", path)
        assert (result.exit_code, result.stdout) == (2, "")
        assert f"{path}: /samples: " in result.stderr
        assert f"{path}: /hand/variation: " in result.stderr

    def test_a_plan_with_findings_is_not_simulated(
        self, run: Callable[..., Result], request_file: Path, plan_file: Path, findings: list[Finding],
    ) -> None:
        findings.append(Finding("F6", (), "two cuts at once"))
        result = run("risks", request_file, plan_file)
        assert (result.exit_code, result.stdout) == (1, "")
        assert "F6: two cuts at once" in result.stderr

    def test_without_a_solver_there_is_no_answer(
        self, run: Callable[..., Result], request_file: Path, plan_file: Path, monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setattr(command_plans, "RISK_CHILD", (sys.executable, "-c", f"raise SystemExit({NO_SOLVER})"))
        result = run("risks", request_file, plan_file)
        assert (result.exit_code, result.stdout) == (1, "")
        assert "cannot be loaded" in result.stderr

    def test_the_child_is_told_all_that_was_given_and_its_answer_is_written(
        self, run: Callable[..., Result], request_file: Path, plan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        monkeypatch.setattr(command_plans, "RISK_CHILD", (sys.executable, "-I", "-S", "-c", "import sys; print(sys.stdin.read(), end='')"))
        question, out = tmp_path / "question.json", tmp_path / "answer.json"
        question.write_text(json.dumps(example("risks-question")), encoding="utf-8")
        result = run("risks", request_file, plan_file, "--question", question, "-o", out)
        assert (result.exit_code, result.stdout) == (0, ""), result.stderr
        order = json.loads(out.read_text("utf-8"))
        assert order["question"] == example("risks")["question"]
        assert json.loads(order["request"]) == json.loads(request_file.read_text("utf-8"))
        assert json.loads(order["plan"])["orders"] == json.loads(plan_file.read_text("utf-8"))["orders"]


class TestServe:
    @pytest.fixture
    def served(self, monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
        calls: list[dict[str, Any]] = []
        monkeypatch.setattr("platerota_service.server.run", lambda settings, host, port: calls.append({"host": host, "port": port}))
        return calls

    @pytest.fixture(autouse=True)
    def data(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setenv("PLATEROTA_DATA_DIRECTORY", str(tmp_path / "data"))
        monkeypatch.setattr("platerota_service.command_line.start_logging", lambda *, readable: None)

    @pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.20", "mill-office"])
    def test_an_address_beyond_this_computer_is_refused_while_there_is_no_key(
        self, run: Callable[..., Result], served: list[dict[str, Any]], host: str,
    ) -> None:
        result = run("serve", "--host", host)
        assert (result.exit_code, served) == (2, [])
        assert "platerota keys create" in result.stderr

    def test_a_revoked_key_is_no_key(self, run: Callable[..., Result], served: list[dict[str, Any]]) -> None:
        run("keys", "create")
        run("keys", "revoke", run("keys", "list").stdout.split("\t")[0])
        assert (run("serve", "--host", "0.0.0.0").exit_code, served) == (2, [])

    def test_it_is_served_where_there_is_a_key_and_that_it_speaks_plain_http_is_said(
        self, run: Callable[..., Result], served: list[dict[str, Any]],
    ) -> None:
        run("keys", "create")
        result = run("serve", "--host", "0.0.0.0")
        assert result.exit_code == 0
        assert "TLS" in result.stderr
        assert served[0]["host"] == "0.0.0.0"

    @pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "127.8.8.8"])
    def test_this_computer_alone_is_no_danger(self, run: Callable[..., Result], served: list[dict[str, Any]], host: str) -> None:
        result = run("serve", "--host", host, "--port", "9000")
        assert (result.exit_code, result.stderr, served[0]["port"]) == (0, "", 9_000)


def test_an_unknown_demo_week_is_a_fault_of_the_input(run: Callable[..., Result], tmp_path: Path) -> None:
    assert run("demo", "--week", "dull", "-o", tmp_path).exit_code == 2
