"""Processes of a service as they run in real life, to be killed; and what became of the plans they took."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import psutil
import sqlalchemy as sa

from platerota_service.executor import prepare_queue
from platerota_service.store import Store

LAUNCH = """
import logging, os, sys, json
from platerota_service import server
from platerota_service.settings import ServiceSettings
logging.basicConfig(level="INFO", format="%(asctime)s %(process)d %(levelname)s %(name)s %(message)s")
role, port, *command = sys.argv[1:]
if role == "work":
    server.work(ServiceSettings(), command)
else:
    server.run(ServiceSettings(role=role), "127.0.0.1", int(port), command)
"""
ENDS = {
    "sqlite": """CREATE TRIGGER ends_told AFTER UPDATE OF state ON plans WHEN NEW.ended_ms IS NOT NULL
        BEGIN INSERT INTO ends VALUES (NEW.id, NEW.state, NEW.claim); END""",
    "postgresql": """CREATE FUNCTION tell_end() RETURNS trigger LANGUAGE plpgsql AS
        $$ BEGIN INSERT INTO ends VALUES (NEW.id, NEW.state, NEW.claim); RETURN NEW; END $$;
        CREATE TRIGGER ends_told AFTER UPDATE OF state ON plans FOR EACH ROW WHEN (NEW.ended_ms IS NOT NULL) EXECUTE FUNCTION tell_end()""",
}
"""Notes each time that a plan is given an end state: once is right, whatever happened before."""


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@dataclass
class Process:
    """One process of the service; `start` again after `kill`, on the same port and under the same name."""

    role: str
    command: Sequence[str]
    environment: dict[str, str]
    log: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-c", LAUNCH, self.role, str(self.port), *self.command], stdout=out, stderr=out,
                env=os.environ | self.environment,
            )

    def start_if_ended(self) -> None:
        assert self.process is not None
        if self.process.poll() is not None:
            self.start()

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def end(self) -> None:
        assert self.process is not None
        self.process.terminate()
        try:
            self.process.wait(40)
        finally:
            self.kill()

    def children(self) -> list[int]:
        """The ids of its solving processes."""
        assert self.process is not None
        return [child.pid for child in psutil.Process(self.process.pid).children()]

    def kill_child(self) -> bool:
        """Kill one of its solving processes; whether there was one."""
        for child in self.children():
            try:
                os.kill(child, signal.SIGKILL)
            except ProcessLookupError:
                continue
            return True
        return False


SUBMIT = """
import asyncio, json, sys
from platerota_service.bodies import submission_from
from platerota_service.durable_engine import DurableEngine
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store
from dataclasses import replace

async def submit(each, rush_every):
    settings = ServiceSettings(role="api")
    store = Store(settings.database_url, settings.data_directory)
    engine = DurableEngine(settings, store, solves=False)
    await engine.start()
    submission = submission_from(sys.stdin.buffer.read())
    for tenant in "abcde":
        for number in range(each):
            await engine.submit(replace(submission, tenant=tenant, rush=number % rush_every == rush_every - 1))
    await engine.close()
    store.close()

asyncio.run(submit(int(sys.argv[1]), int(sys.argv[2])))
"""
"""A process that takes requests as one for callers does, for five tenants, one tenant's after the other's."""


def submit_for_tenants(processes: int, each: int, rush_every: int, document: dict[str, Any], environment: dict[str, str]) -> None:
    """In each of so many processes at once, `each` plans for each of five tenants, every `rush_every`-th of them in a rush."""
    started = [
        subprocess.Popen([sys.executable, "-c", SUBMIT, str(each), str(rush_every)], stdin=subprocess.PIPE, env=os.environ | environment)
        for _ in range(processes)
    ]
    for process in started:
        assert process.stdin is not None
        process.stdin.write(json.dumps(document).encode())
        process.stdin.close()
    assert [process.wait(120) for process in started] == [0] * processes


class Caller:
    """Sends requests to any of `ports` and does not give up: what counts is what was accepted."""

    def __init__(self, ports: Sequence[int]) -> None:
        self._ports = ports
        self._next = 0

    def __call__(self, method: str, path: str, **more: Any) -> httpx.Response:
        last = time.monotonic() + 120
        while True:
            self._next += 1
            base = f"http://127.0.0.1:{self._ports[self._next % len(self._ports)]}"
            try:
                with httpx.Client(timeout=70, verify=False, base_url=base) as client:
                    answer = client.request(method, path, **more)
                if answer.status_code != 503:
                    return answer
            except httpx.TransportError:
                pass
            assert time.monotonic() < last, f"nobody answers {method} {path}"
            time.sleep(0.1)

    def submit(self, document: dict[str, Any]) -> str:
        """The id of an accepted plan."""
        answer = self("POST", "/v1/plans", json=document, headers={"Prefer": "respond-async"})
        assert answer.status_code == 202, answer.text
        return str(answer.json()["id"])


def open_store(url: str | None, folder: Path) -> Store:
    """A store with the newest schema, in which each end of a plan is noted."""
    store = Store(url, folder)
    prepare_queue(store)
    store.upgrade()
    with store.engine.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE ends (id TEXT, state TEXT, claim INTEGER)")
        connection.exec_driver_sql(ENDS[store.engine.dialect.name])
    return store


def ends(store: Store) -> dict[str, list[str]]:
    """The end states that each plan was given."""
    found: dict[str, list[str]] = {}
    with store.engine.connect() as connection:
        for plan_id, state in connection.execute(sa.text("SELECT id, state FROM ends")):
            found.setdefault(plan_id, []).append(state)
    return found


def await_that(condition: Callable[[], bool], seconds: float, words: Callable[[], str]) -> None:
    """Wait until `condition` holds; a fault of the database meanwhile is no answer."""
    last = time.monotonic() + seconds
    while True:
        try:
            if condition():
                return
        except sa.exc.DBAPIError:
            pass
        assert time.monotonic() < last, words()
        time.sleep(0.2)


def valid_child(folder: Path, plan: dict[str, Any], seconds: float) -> tuple[str, ...]:
    """The command of a child that takes `seconds` for the example plan, which is valid, and says it twice; light, to be killed often."""
    script = folder / "valid_child.py"
    script.write_text(
        "import json, os, sys, threading, time\n"
        f"plan = json.loads({json.dumps(plan)!r})\n"
        "def say(**line): print(json.dumps(line), flush=True)\n"
        "if '--warm' in sys.argv: say(event='warm'); sys.exit()\n"
        "sys.stdin.readline(); say(event='warm')\n"
        "threading.Thread(target=lambda: sys.stdin.read() and None or os._exit(3), daemon=True).start()\n"
        f"time.sleep({seconds / 2}); say(event='progress', stage='first', seconds=0.1, total=plan['score']['total'])\n"
        f"say(event='improved', plan=plan); time.sleep({seconds / 2}); say(event='improved', plan=plan); say(event='done')\n"
        "sys.stdout.flush(); os._exit(0)\n",
        encoding="utf-8",
    )
    return (sys.executable, "-I", "-S", str(script))
