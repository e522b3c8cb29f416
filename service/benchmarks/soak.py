"""`make soak`: half an hour of mixed load while things are killed; 1 where anything was lost, answered wrongly, or grows.

One process for callers and two workers over a PostgreSQL of their own (`--sqlite`: one process over a file), all on this computer. A few
callers plan small and medium weeks, ask what-ifs and rush orders, read, edit the shop, delete (`soak_load.py`). Meanwhile solving processes
and the second worker are killed again and again; the process for callers and the first worker in the first third alone, in turn in good
order and by a kill, so that the two later thirds show whether a process that lives long grows. SOAK_MINUTES says how long.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import sqlalchemy as sa
from soak_load import OPEN, Caller, Notes

from platerota_service.solve_process import SOLVE_CHILD
from platerota_service.store import PlanRow, QuestionRow, Store
from platerota_shared.audit import audit
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.starts import Start
from tests.fleet import Process, ends, open_store
from tests.postgresql import Cluster

CALLERS, MINUTES = 6, 30.0
CHILD_SECONDS, WORKER_SECONDS, API_SECONDS = (15.0, 35.0), (40.0, 80.0), (50.0, 110.0)
"""Between two kills of each kind, least and most."""
AFTER_SECONDS = 10.0
"""After a start answers may still be missing: callers' old connections break, the solver is not warm yet."""
LAST_SECONDS = 600.0
"""After the load, for all that was accepted to end."""
READY_SECONDS, SAMPLE_SECONDS = 600.0, 5.0
MOST_GROWTH, SMALL_GROWTH = 1.15, 16.0
"""A process grows where the median of the last third is above so many times that of the second, and so many MiB."""


@dataclass
class Scene:
    """The running service.

    Attributes
    ----------
    processes
        By name; `api` answers callers.
    quiet_from
        Until when, on the monotonic clock, answers may be missing.
    stalled
        The longest time, seconds, for which this process itself got no turn: so much of any answer's time is the computer's.
    sizes
        By name of what is measured: pairs of the second since the begin and the value, MiB or a count.
    """

    store: Store
    processes: dict[str, Process]
    cluster: Cluster | None
    quiet_from: float = 0.0
    stalled: float = 0.0
    killed: dict[str, int] = field(default_factory=dict[str, int])
    sizes: dict[str, list[tuple[float, float]]] = field(default_factory=dict[str, list[tuple[float, float]]])

    @property
    def address(self) -> str:
        """Where callers go."""
        return f"http://127.0.0.1:{self.processes['api'].port}"

    def restarting(self) -> bool:
        """Whether answers may be missing now."""
        return time.monotonic() < self.quiet_from

    async def restart(self, name: str, *, orderly: bool) -> None:
        """End a process, in good order or not, start it again, and wait until it answers where callers are answered by it."""
        process = self.processes[name]
        if name == "api":
            self.quiet_from = time.monotonic() + 3_600
        ended = await asyncio.to_thread(end, process) if orderly else await asyncio.to_thread(process.kill)
        process.start()
        self._count(f"{name} {'killed' if not orderly else 'ended' if ended else 'killed, for it did not end when it was told to'}")
        if name == "api":
            await answering(self.address)
            self.quiet_from = time.monotonic() + AFTER_SECONDS

    async def kill_child(self, name: str) -> None:
        """Kill a solving process of that worker, where it has one."""
        if await asyncio.to_thread(self.processes[name].kill_child):
            self._count(f"child of {name} killed")

    def _count(self, what: str) -> None:
        self.killed[what] = self.killed.get(what, 0) + 1
        print(f"    {time.strftime('%H:%M:%S')} {what}", flush=True)

    def measure(self, second: float) -> None:
        """Note how large everything is now."""
        for name, process in self.processes.items():
            if process.process is not None and process.process.poll() is None:
                folder = Path(f"/proc/{process.process.pid}")
                try:
                    self._note(f"{name} MiB", second, resident_mib(folder))
                    self._note(f"{name} files", second, len(list((folder / "fd").iterdir())))
                except OSError:
                    continue  # it ended at this moment
        self._note("database MiB", second, self._database_mib())

    def _note(self, name: str, second: float, value: float) -> None:
        self.sizes.setdefault(name, []).append((second, value))

    def _database_mib(self) -> float:
        with self.store.engine.connect() as connection:
            if self.cluster is None:
                pages = [connection.exec_driver_sql(f"PRAGMA {name}").scalar_one() for name in ("page_count", "page_size")]
                return float(pages[0] * pages[1]) / 2**20
            return float(connection.execute(sa.text("SELECT pg_database_size(current_database())")).scalar_one()) / 2**20


def end(process: Process) -> bool:
    """End a process; whether it ended by itself in time, and was not killed."""
    try:
        process.end()
    except subprocess.TimeoutExpired:
        return False
    return True


def resident_mib(folder: Path) -> float:
    """Resident memory of a process in MiB, by its folder below /proc."""
    return int((folder / "status").read_text().split("VmRSS:")[1].split()[0]) / 1024


async def answering(address: str) -> None:
    """Wait until the service is ready; it may have to load the solver on a busy computer."""
    last = time.monotonic() + READY_SECONDS
    async with httpx.AsyncClient(base_url=address) as client:
        while time.monotonic() < last:
            try:
                if (await client.get("/v1/health/ready")).status_code == 200:
                    return
            except httpx.TransportError:
                pass
            await asyncio.sleep(0.2)
    raise RuntimeError("the service does not become ready")


@contextmanager
def service(folder: Path, *, sqlite: bool) -> Iterator[Scene]:
    """The processes of a service of its own, started."""
    cluster = None if sqlite else Cluster()
    try:
        store = open_store(cluster.url if cluster else None, folder / "data")
        common = {
            "PLATEROTA_DATA_DIRECTORY": str(folder / "data"), "PLATEROTA_SOLVE_SLOTS": "1", "PLATEROTA_WATCH_SECONDS": "1",
            "PLATEROTA_REPLAY_DIRECTORY": str(folder / "replay"), **({"PLATEROTA_DATABASE_URL": cluster.url} if cluster else {}),
        }
        roles = {"api": "all"} if sqlite else {"api": "api", "worker-1": "work", "worker-2": "work"}
        processes = {
            name: Process(role, SOLVE_CHILD, common | {"PLATEROTA_WORKER_ID": name}, folder / f"{name}.log") for name, role in roles.items()
        }
        for process in processes.values():
            process.start()
        try:
            yield Scene(store, processes, cluster)
        finally:
            for process in processes.values():
                end(process)
            store.close()
    finally:
        if cluster is not None:
            cluster.stop()


async def break_things(scene: Scene, seconds: float, chance: random.Random) -> None:
    """Kill and restart for so long."""
    began = time.monotonic()
    solving = [name for name in scene.processes if name != "api"] or ["api"]
    scale = max(0.3, min(1.0, seconds / 1_800))  # a short soak has kills of every kind, too
    due = {name: began + scale * chance.uniform(*span) for name, span in SPANS.items()}
    while (now := time.monotonic()) < began + seconds:
        early = now < began + seconds / 3
        for name in [name for name, moment in due.items() if moment <= now]:
            due[name] = now + scale * chance.uniform(*SPANS[name])
            if name == "child":
                await scene.kill_child(chance.choice(solving))
            elif name == "worker" and "worker-2" in scene.processes:
                await scene.restart("worker-1" if early and chance.random() < 0.3 else "worker-2", orderly=False)
            elif name == "api" and early:
                await scene.restart("api", orderly=sum("api" in what for what in scene.killed) % 2 == 0)
        await asyncio.sleep(0.5)


SPANS = {"child": CHILD_SECONDS, "worker": WORKER_SECONDS, "api": API_SECONDS}


async def measure(scene: Scene) -> None:
    """Note the sizes until cancelled."""
    began = time.monotonic()
    while True:
        await asyncio.to_thread(scene.measure, time.monotonic() - began)
        asleep = time.monotonic()
        await asyncio.sleep(SAMPLE_SECONDS)
        scene.stalled = max(scene.stalled, time.monotonic() - asleep - SAMPLE_SECONDS)


async def load(scene: Scene, seconds: float) -> Notes:
    """Callers, kills and measurements for so long, then time for what was accepted to end."""
    notes = Notes()
    await answering(scene.address)
    measuring = asyncio.create_task(measure(scene))
    async with httpx.AsyncClient(base_url=scene.address, timeout=180) as client:
        until = time.monotonic() + seconds
        callers = [Caller(client, notes, seed, scene.restarting) for seed in range(CALLERS)]
        await callers[0].store_shop()
        await asyncio.gather(break_things(scene, seconds, random.Random(1)), *(caller.run(until) for caller in callers))
    measuring.cancel()
    last = time.monotonic() + LAST_SECONDS
    while any(await asyncio.to_thread(still_open, scene.store)) and time.monotonic() < last:
        await asyncio.sleep(1)
    return notes


def still_open(store: Store) -> tuple[int, int]:
    """How many plans and questions have not ended."""
    with store.reading() as session:
        plans = session.scalar(sa.select(sa.func.count()).select_from(PlanRow).where(PlanRow.state.in_(OPEN)))
        questions = session.scalar(sa.select(sa.func.count()).select_from(QuestionRow).where(QuestionRow.state == "open"))
    return plans or 0, questions or 0


def account(store: Store, notes: Notes) -> dict[str, int]:
    """What became of everything that was accepted; all but the first lines must be 0."""
    told = ends(store)
    with store.reading() as session:
        states = {row.id: row.state for row in session.execute(sa.select(PlanRow.id, PlanRow.state))}
        alone = set(session.scalars(sa.select(PlanRow.id).where(PlanRow.parent_id.is_(None))))
        asked = {row.id: row.state for row in session.execute(sa.select(QuestionRow.id, QuestionRow.state))}
    kept = [plan_id for plan_id in notes.plans if plan_id not in notes.deleted]
    return {
        "plans accepted": len(notes.plans), "questions accepted": len(notes.questions), "plans deleted": len(notes.deleted),
        "plans ready": sum(states.get(plan_id) == "ready" for plan_id in kept),
        "plans stopped before their first plan": sum(states.get(plan_id) == "stopped" for plan_id in kept),
        "plans lost": sum(plan_id not in states for plan_id in kept),
        "plans deleted and yet there": len(notes.deleted & set(states)),
        "plans made that nobody was told of": len(alone - set(notes.plans)),
        "plans not ended": sum(state in OPEN for state in states.values()),
        "plans failed": sum(state == "failed" for state in states.values()),
        "plans ended more than once": sum(len(states_told) > 1 for states_told in told.values()),
        "plans that fail the audit": sum(not_valid(store, plan_id) for plan_id, state in states.items() if state == "ready"),
        "questions lost": sum(question not in asked for question in notes.questions),
        "questions not answered": sum(state != "ready" for state in asked.values()),
        "wrong answers": len(notes.faults),
    }


SAID = 5
"""So many lines of the account say what was done; the others count what must not be."""


def not_valid(store: Store, plan_id: str) -> bool:
    """Whether the audit, of this process and on the stored request, finds anything in a stored plan."""
    with store.reading() as session:
        row = session.get(PlanRow, plan_id)
        if row is None:
            return True
        start = Start.from_document(json.loads(row.start)) if row.start else None
        plan = Plan.from_document({"id": row.id, "status": row.state, **json.loads(row.plan)})
        return bool(audit(read_request(row.request), plan, start.replanned if start is not None else None))


def print_times(notes: Notes) -> None:
    """Print the quantiles of each kind of call."""
    print(f"\n{'call':22} {'answers':>8} {'p50 ms':>8} {'p95 ms':>8} {'p99 ms':>8}   missing during restarts")
    for kind, seconds in sorted(notes.seconds.items()):
        cuts = statistics.quantiles(seconds, n=100) if len(seconds) > 1 else seconds * 99
        p50, p95, p99 = (f"{1_000 * cuts[cut]:8.0f}" for cut in (49, 94, 98))
        print(f"{kind:22} {len(seconds):8} {p50} {p95} {p99}   {notes.outages.get(kind, 0)}")


def print_growth(scene: Scene) -> list[str]:
    """Print how large everything was by thirds, and how fast it grew in the later two; the names of what grows.

    The database grows as plans do, and the second worker is killed all the time: they are not judged.
    """
    growing: list[str] = []
    last = max((samples[-1][0] for samples in scene.sizes.values()), default=0.0)
    print(f"\n{'size':18} {'first third':>12} {'second':>8} {'last':>8} {'per hour':>9}")
    for name, samples in sorted(scene.sizes.items()):
        thirds = [[value for second, value in samples if last * third / 3 <= second <= last * (third + 1) / 3] for third in range(3)]
        medians = [statistics.median(values) if values else float("nan") for values in thirds]
        later = [(second, value) for second, value in samples if second >= last / 3]
        slope = 3_600 * statistics.linear_regression(*zip(*later, strict=True)).slope if len(later) > 1 else float("nan")
        print(f"{name:18} {medians[0]:12.1f} {medians[1]:8.1f} {medians[2]:8.1f} {slope:+9.1f}")
        small = SMALL_GROWTH if name.endswith("MiB") else 20
        if not name.startswith(("database", "worker-2")) and medians[2] > max(MOST_GROWTH * medians[1], medians[1] + small):
            growing.append(name)
    return growing


def main() -> int:
    """Soak, print what became of it; 1 where anything was lost, answered wrongly, or grows."""
    parser = argparse.ArgumentParser(prog="make soak", description=__doc__)
    parser.add_argument("--sqlite", action="store_true", help="one process over a SQLite file, no PostgreSQL")
    options = parser.parse_args()
    for number in (signal.SIGINT, signal.SIGTERM):  # whoever ends it, its processes end with it
        signal.signal(number, signal.default_int_handler)
    seconds = 60 * float(os.environ.get("SOAK_MINUTES", MINUTES))
    with tempfile.TemporaryDirectory() as name, service(Path(name), sqlite=options.sqlite) as scene:
        began = time.monotonic()
        notes = asyncio.run(load(scene, seconds))
        print(f"\n{(time.monotonic() - began) / 60:.1f} minutes, {CALLERS} callers; {scene.killed}; stalled up to {scene.stalled:.1f} s")
        table = account(scene.store, notes)
        for line, number in table.items():
            print(f"{line:40} {number:6}")
        for fault in notes.faults[:20]:
            print(f"    {fault}")
        print_times(notes)
        growing = print_growth(scene)
        wrong = [line for line, number in list(table.items())[SAID:] if number] + [f"{each} grows" for each in growing]
        print("\n" + (f"WRONG: {'; '.join(wrong)}" if wrong else "nothing lost, nothing wrong, nothing grows"))
        if wrong:
            print(*(log.read_text()[-4_000:] for log in sorted(Path(name).glob("*.log"))), sep="\n---\n")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
