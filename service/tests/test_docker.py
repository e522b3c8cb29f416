"""What can be known of docker/ without a container engine: its files agree with the program, and its commands start what they say.

Images are not built and no container is started here; docker/README.md says so.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest
import typer
import yaml

from platerota_service.answers import example
from platerota_service.command_line import app
from platerota_service.settings import ServiceSettings

from .fleet import await_that, free_port
from .postgresql import Cluster, needs_postgresql

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
DOCKERFILE = (DOCKER / "Dockerfile").read_text("utf-8")
ONE_BOX, FLEET = (yaml.safe_load((DOCKER / name).read_text("utf-8")) for name in ("one-box.yaml", "fleet.yaml"))
OURS = {
    f"{file['name']}/{name}": service
    for file in (ONE_BOX, FLEET) for name, service in file["services"].items() if service["image"].startswith("platerota-")
}
PROGRAM = Path(sys.executable).parent / "platerota"
SETTINGS = {f"PLATEROTA_{name.upper()}" for name in ServiceSettings.model_fields}
TRACE = "4bf92f3577b34da6a3ce929d0e0e4736"
"""The example of W3C Trace Context, section 3.2.2."""
OTHERS = {"FORWARDED_ALLOW_IPS", "NUMBA_CACHE_DIR", "PATH", "PYTHONUNBUFFERED"}
"""What uvicorn, numba and the system read."""


def stages() -> dict[str, dict[str, list[str]]]:
    """The instructions of each stage of the Dockerfile, by name and kind."""
    found: dict[str, dict[str, list[str]]] = {"": {}}
    stage = found[""]
    text = re.sub(r"\\\n", " ", re.sub(r"(?m)^\s*#.*\n", "", DOCKERFILE))
    for line in filter(None, map(str.strip, text.splitlines())):
        kind, rest = line.split(maxsplit=1)
        if kind == "FROM":
            parent, _, name = rest.split()
            stage = found[name] = {key: list(each) for key, each in found.get(parent, {}).items()}
        else:
            stage.setdefault(kind, []).append(rest)
    return found


STAGES = stages()


def words(stage: str, kind: str) -> list[str]:
    """The last instruction of a kind, as the words of its JSON form."""
    return list(json.loads(re.sub(r"^.*?CMD (?=\[)", "", STAGES[stage][kind][-1])))


def environment(stage: str) -> dict[str, str]:
    return {name: value for line in STAGES[stage]["ENV"] for name, value in (word.split("=", 1) for word in line.split())}


def refuse_unless_known(arguments: list[str]) -> None:
    """Parse a command line of `platerota` as the program would, and run nothing; raises its usage error."""
    command: Any = typer.main.get_command(app)
    rest = list(arguments)
    while hasattr(command, "commands"):
        name = rest.pop(0)
        assert name in command.commands, f"there is no command {' '.join(arguments)}"
        command = command.commands[name]
    command.make_context(command.name, rest)


class TestFiles:
    def test_every_setting_of_ours_is_one_that_is_read(self) -> None:
        given = [name for service in OURS.values() for name in service.get("environment", {})]
        given += [name for stage in ("api", "worker") for name in environment(stage)]
        assert "PLATEROTA_WORKER_ID" in given
        assert set(given) <= SETTINGS | OTHERS

    def test_every_command_is_one_of_the_program(self) -> None:
        for stage in ("api", "worker"):
            refuse_unless_known(words(stage, "CMD"))
        for service in OURS.values():
            refuse_unless_known(service["command"])
        program, *check = words("worker", "HEALTHCHECK")
        assert program == "platerota"
        refuse_unless_known(check)
        noted = re.findall(r"run --rm \S+ ((?:keys|store) [a-z]+(?: --[a-z]+ \S+)*)", (DOCKER / "README.md").read_text("utf-8"))
        assert len(noted) >= 2
        for line in noted:
            refuse_unless_known(line.split())

    def test_the_image_that_answers_installs_nothing_that_solves(self) -> None:
        extras = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]
        installs = {stage: re.findall(r"'\.\[(.*?)\]'", " ".join(STAGES[stage]["RUN"])) for stage in ("api-build", "worker-build")}
        assert installs == {"api-build": ["service"], "worker-build": ["service,solver"]}
        heavy = {re.split(r"[><=]", line)[0] for line in extras["solver"]}
        assert heavy == {"ortools", "numpy", "numba"}
        assert not heavy & {re.split(r"[\[><=]", line)[0] for line in extras["service"]}
        copied = [line for line in STAGES["api"]["COPY"] if "--from=" in line]
        assert copied == ["--from=api-build /opt/platerota /opt/platerota"]

    def test_what_is_copied_is_there(self) -> None:
        local = [line.split() for stage in STAGES.values() for line in stage.get("COPY", []) if "--from=" not in line]
        sources = {word for line in local for word in line[:-1] if not word.startswith("--")}
        assert {"docker/start.sh", "service/platerota_service"} <= sources
        assert [name for name in sources if not (ROOT / name).exists()] == []

    @pytest.mark.parametrize("stage", ["api", "worker"])
    def test_images_run_as_a_user_without_rights_have_the_font_and_a_health_check(self, stage: str) -> None:
        assert re.fullmatch(r"[1-9]\d+:[1-9]\d+", STAGES[stage]["USER"][-1])
        assert "fonts-dejavu-core" in STAGES[stage]["RUN"][0]
        assert STAGES[stage]["HEALTHCHECK"]

    @pytest.mark.parametrize("service", OURS.values(), ids=OURS)
    def test_containers_are_read_only_but_for_what_is_written(self, service: dict[str, Any]) -> None:
        assert (service["read_only"], service["cap_drop"]) == (True, ["ALL"])
        assert service["security_opt"] == ["no-new-privileges:true"]
        assert service["build"]["dockerfile"] == "docker/Dockerfile"
        target = service["build"]["target"]
        assert service["image"] == f"platerota-{target}"
        written = {mount.split(":")[0] for mount in service["tmpfs"]} | {mount.split(":")[1] for mount in service.get("volumes", ())}
        needed = {"/tmp"} | ({environment(target)["NUMBA_CACHE_DIR"]} if target == "worker" else set())
        if "PLATEROTA_DATABASE_URL" not in service.get("environment", {}):
            needed.add(environment(target)["PLATEROTA_DATA_DIRECTORY"])
        assert written == needed

    def test_one_box_is_reached_from_itself_alone(self) -> None:
        assert ONE_BOX["services"]["platerota"]["ports"] == ["127.0.0.1:8080:8080"]

    def test_the_fleet_is_three_that_answer_and_four_of_a_name_each_that_solve_behind_a_proxy(self) -> None:
        services = FLEET["services"]
        answering = {name for name, service in services.items() if service.get("command", [""])[0] == "serve"}
        solving = {service["environment"]["PLATEROTA_WORKER_ID"] for service in services.values() if service.get("command") == ["work"]}
        assert (len(answering), len(solving)) == (3, 4)
        assert [name for name, service in services.items() if "ports" in service] == ["proxy"]
        config = (DOCKER / "haproxy.cfg").read_text("utf-8")
        servers = set(re.findall(r"(?m)^ +server (\S+) (\S+)$", config))
        assert servers == {(name, f"{name}:8080") for name in answering}
        listening = re.findall(r"bind :(\d+) ssl", config)
        assert services["proxy"]["ports"] == [f"443:{port}" for port in listening] != []
        assert all(set(services["proxy"]["networks"]) & set(services[name]["networks"]) == {"front"} for name in answering)
        assert not set(services["proxy"]["networks"]) & set(services["database"]["networks"]), "the database is out of the proxy's reach"
        reached = {name for name, service in services.items() if set(service["networks"]) & set(services["database"]["networks"])}
        assert reached == set(services) - {"proxy"}


@pytest.mark.nightly
@pytest.mark.parametrize("stage", ["api", "worker"])
def test_an_image_s_install_steps_run_in_a_clean_folder(stage: str, tmp_path: Path) -> None:
    """Copies what the Dockerfile copies and runs what it runs to build the stage, as plain commands. Minutes; needs the package index."""
    build, opt = tmp_path / "build", tmp_path / "opt"
    build.mkdir()
    opt.mkdir()
    for line in STAGES[f"{stage}-build"]["COPY"]:
        *sources, target = line.split()
        for source in sources:
            if (ROOT / source).is_dir():
                shutil.copytree(ROOT / source, build / target, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(ROOT / source, build / target)
    clean = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    clean["PATH"] = f"{Path(sys.base_prefix) / 'bin'}:/usr/bin:/bin"
    for line in STAGES[f"{stage}-build"]["RUN"]:
        step = line.replace("/opt/", f"{opt}/")
        done = subprocess.run(["sh", "-euc", step], cwd=build, env=clean, capture_output=True, text=True, timeout=3_000, check=False)
        assert done.returncode == 0, f"{step}: {done.stderr[-3_000:]}"
    shutil.rmtree(build)
    look = "import importlib.util as look; print([name for name in ('ortools', 'numpy', 'numba') if look.find_spec(name)])"
    for words, told in (([str(opt / "platerota/bin/python"), "-c", look], "[]" if stage == "api" else "'numba'"),
                        ([str(opt / "platerota/bin/platerota"), "serve", "--help"], "--role")):
        shown = subprocess.run(words, cwd=tmp_path, env=clean, capture_output=True, text=True, timeout=60, check=True)
        assert told in shown.stdout
    assert bool(list(opt.glob("platerota-kernel/kernel-*"))) == (stage == "worker")


class TestStart:
    """The entry of the worker image, over folders and a program of the test's."""

    @pytest.fixture
    def kernel(self, tmp_path: Path) -> Path:
        kernel = tmp_path / "seed" / "kernel-1"
        kernel.mkdir(parents=True)
        (kernel / "compiled").write_text("from the image")
        (tmp_path / "cache").mkdir()
        (tmp_path / "bin").mkdir()
        (tmp_path / "bin" / "platerota").write_text('#!/bin/sh\necho "platerota $*"\n')
        (tmp_path / "bin" / "platerota").chmod(0o755)
        return tmp_path / "cache" / "kernel-1"

    def start(self, folder: Path, cache: Path) -> subprocess.CompletedProcess[str]:
        variables = {
            "PATH": f"{folder / 'bin'}:{os.environ['PATH']}", "KERNEL_SEED": str(folder / "seed"), "NUMBA_CACHE_DIR": str(cache),
        }
        return subprocess.run([DOCKER / "start.sh", "work", "--check"], env=variables, capture_output=True, text=True, check=False)

    def test_the_kernel_of_the_image_is_there_before_the_program_starts(self, tmp_path: Path, kernel: Path) -> None:
        started = self.start(tmp_path, tmp_path / "cache")
        assert (started.returncode, started.stdout, started.stderr) == (0, "platerota work --check\n", "")
        assert (kernel / "compiled").read_text() == "from the image"
        assert [path.name for path in (tmp_path / "cache").iterdir()] == ["kernel-1"]

    def test_what_was_compiled_here_is_kept(self, tmp_path: Path, kernel: Path) -> None:
        kernel.mkdir()
        (kernel / "compiled").write_text("here")
        assert self.start(tmp_path, tmp_path / "cache").returncode == 0
        assert (kernel / "compiled").read_text() == "here"

    def test_a_cache_that_cannot_be_written_is_a_fault_at_once(self, tmp_path: Path, kernel: Path) -> None:
        started = self.start(tmp_path, tmp_path / "nowhere")
        assert started.returncode != 0
        assert started.stdout == ""
        assert "nowhere" in started.stderr


def platerota(arguments: list[str], variables: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run([PROGRAM, *arguments], env=os.environ | variables, capture_output=True, text=True, check=False, timeout=120)


@contextmanager
def running(arguments: list[str], variables: dict[str, str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process of the program, as a container would start it; told to end as a container is."""
    with log.open("wb") as out:
        process = subprocess.Popen([PROGRAM, *arguments], env=os.environ | variables, stdout=out, stderr=out)
    try:
        yield process
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    finally:
        process.kill()
        process.wait()


def at_port(arguments: list[str], port: int) -> list[str]:
    """The words with another port: 8080 may be taken on a test's machine."""
    assert any("8080" in word for word in arguments)
    return [word.replace("8080", str(port)) for word in arguments]


def healthy(check: list[str], port: int, log: Path) -> None:
    """Wait until the health check of a container, run as it stands, is well."""
    assert check[0] == "python"
    command = [sys.executable, *at_port(check[1:], port)]
    await_that(lambda: subprocess.run(command, capture_output=True, check=False).returncode == 0, 60, log.read_text)


def test_one_box_starts_as_its_file_says_once_there_is_a_key(tmp_path: Path) -> None:
    service, port = ONE_BOX["services"]["platerota"], free_port()
    variables = {"PLATEROTA_DATA_DIRECTORY": str(tmp_path / "plans")} | service.get("environment", {})
    command = at_port(service["command"], port)
    refused = platerota(command, variables)
    assert (refused.returncode, "platerota keys create" in refused.stderr) == (2, True)
    assert platerota(["keys", "create", "--name", "ERP"], variables).returncode == 0
    log = tmp_path / "log"
    with running(command, variables, log) as process:
        healthy(service["healthcheck"]["test"][1:], port, log)
        assert httpx.get(f"http://127.0.0.1:{port}/v1/plans").status_code == 401
    assert process.returncode in (0, -signal.SIGTERM), log.read_text()


@needs_postgresql
def test_a_fleet_starts_as_its_file_says_and_plans(cluster: Cluster, tmp_path: Path) -> None:
    """`upgrade`, a key, then one that answers and one that solves, each with the command and the settings of its container."""
    services, port = FLEET["services"], free_port()
    url = cluster.new_database(f"docker{uuid4().hex}")

    def variables(name: str) -> dict[str, str]:
        given = dict(services[name]["environment"])
        assert re.fullmatch(r"postgresql://platerota:\$\{DATABASE_PASSWORD:\?.*\}@database:5432/platerota", given["PLATEROTA_DATABASE_URL"])
        return given | {"PLATEROTA_DATABASE_URL": url, "PLATEROTA_DATA_DIRECTORY": str(tmp_path / "absent")}

    upgraded = platerota(services["upgrade"]["command"], variables("upgrade"))
    assert upgraded.returncode == 0, upgraded.stderr
    serve = at_port(services["api-1"]["command"], port)
    assert platerota(serve, variables("api-1")).returncode == 2, "there is no key yet"
    key = platerota(["keys", "create", "--name", "ERP"], variables("api-1")).stdout.strip()
    check = words("worker", "HEALTHCHECK")[1:]
    assert platerota(check, variables("worker-1")).returncode == 1, "no worker lives yet"
    api_log, worker_log = tmp_path / "api.log", tmp_path / "worker.log"
    with ExitStack() as stack:
        api = stack.enter_context(running(serve, variables("api-1"), api_log))
        worker = stack.enter_context(running(services["worker-1"]["command"], variables("worker-1"), worker_log))
        healthy(words("api", "HEALTHCHECK"), port, api_log)
        document = example("request") | {"settings": {"solve_seconds": 1}}
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", headers={"X-API-Key": key}, timeout=70) as caller:
            traced = {"Prefer": "respond-async", "traceparent": f"00-{TRACE}-00f067aa0ba902b7-01"}
            made = caller.post("/v1/plans", json=document, headers=traced)
            assert made.status_code == 202, made.text
            last = time.monotonic() + 120
            while (plan := caller.get(f"/v1/plans/{made.json()['id']}", headers={"Prefer": "wait=30"}).json())["status"] != "ready":
                assert time.monotonic() < last, worker_log.read_text()
        assert plan["orders"][0]["placed"]
        assert platerota(check, variables("worker-1")).returncode == 0
        absent = platerota(check, variables("worker-2"))
        assert (absent.returncode, "'worker-2'" in absent.stderr) == (1, True)
    assert {api.returncode, worker.returncode} <= {0, -signal.SIGTERM}, api_log.read_text() + worker_log.read_text()
    assert not (tmp_path / "absent").exists(), "a process of a fleet writes nothing to its disk"
    for log, event in ((api_log, "waits"), (worker_log, "is being solved"), (worker_log, "is ready")):
        told = [json.loads(line) for line in log.read_text().splitlines() if line.startswith("{")]
        (line,) = (one for one in told if one["event"].startswith(f"plan {plan['id']} {event}"))
        assert line["trace_id"] == TRACE, "the trace of the call goes on in the process that solves"


def test_a_worker_whose_database_is_away_is_not_well(tmp_path: Path) -> None:
    variables = {"PLATEROTA_DATABASE_URL": f"postgresql://nobody@127.0.0.1:{free_port()}/none", "PLATEROTA_DATA_DIRECTORY": str(tmp_path)}
    checked = platerota(["work", "--check"], variables)
    assert (checked.returncode, "cannot be used" in checked.stderr) == (1, True)
