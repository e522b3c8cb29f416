"""Accepted means kept: whatever is killed, every plan that was taken ends once, and well."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from platerota_service.store import PlanRow, Store
from platerota_shared.audit import audit
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request

from .fleet import Caller, Process, await_that, ends, open_store, valid_child
from .postgresql import DATABASES, Cluster


@dataclass
class Scene:
    """A running service, and what of it can be killed: each is killed and started again by its function, which tells if it was."""

    store: Store
    processes: dict[str, Process]
    victims: dict[str, Callable[[], bool]]
    api: list[int]
    cluster: Cluster | None
    killed: dict[str, int] = field(default_factory=dict)

    def ended(self) -> dict[str, list[str]]:
        """The ends of plans so far. A process that ended by itself is started again, as a supervisor does: one that begins while its
        database does ends with an error.
        """
        for process in self.processes.values():
            process.start_if_ended()
        return ends(self.store)

    def kill_one(self, chance: random.Random) -> None:
        """Kill something at random, and start it again."""
        name = chance.choice(sorted(self.victims))
        if self.victims[name]():
            kind = name.split("-")[0]
            self.killed[kind] = self.killed.get(kind, 0) + 1


@pytest.fixture(params=DATABASES)
def scene(request: pytest.FixtureRequest, tmp_path: Path, plan_document: dict[str, Any]) -> Iterator[Scene]:
    """One process on SQLite, or one for callers and two workers on PostgreSQL."""
    command = valid_child(tmp_path, plan_document, 0.4)
    cluster = Cluster() if request.param == "postgresql" else None
    store = open_store(cluster.url if cluster else None, tmp_path / "data")
    common = {
        "PLATEROTA_DATA_DIRECTORY": str(tmp_path / "data"), "PLATEROTA_SOLVE_SLOTS": "1", "PLATEROTA_WATCH_SECONDS": "0.5",
        "PLATEROTA_SOLVE_ATTEMPTS": "20", **({"PLATEROTA_DATABASE_URL": cluster.url} if cluster else {}),
    }
    names = {"api": "api", "worker-1": "work", "worker-2": "work"} if cluster else {"api": "all"}
    processes = {
        name: Process(role, command, common | {"PLATEROTA_WORKER_ID": name}, tmp_path / f"{name}.log") for name, role in names.items()
    }

    def restart(process: Process) -> Callable[[], bool]:
        def kill() -> bool:
            process.kill()
            process.start()
            return True

        return kill

    def restart_database() -> bool:
        assert cluster is not None
        cluster.kill()
        cluster.start()
        return True

    victims = {name: restart(process) for name, process in processes.items()}
    victims |= {f"child-{name}": process.kill_child for name, process in processes.items() if process.role != "api"}
    if cluster is not None:
        victims["postgresql"] = restart_database
    for process in processes.values():
        process.start()
    yield Scene(store, processes, victims, [processes["api"].port], cluster)
    for process in processes.values():
        process.end()
    store.close()
    if cluster is not None:
        cluster.stop()


@pytest.mark.parametrize(("plans", "kills"), [(8, 5), pytest.param(100, 60, marks=pytest.mark.nightly)])
def test_nothing_is_lost_and_nothing_ends_twice_whatever_is_killed(
    scene: Scene, request_document: dict[str, Any], plans: int, kills: int,
) -> None:
    caller, chance = Caller(scene.api), random.Random(f"{plans}")
    taken: list[str] = []
    for number in range(kills):
        while len(taken) < plans * (number + 1) // kills:
            taken.append(caller.submit(request_document))
        time.sleep(chance.uniform(0.1, 0.9))
        scene.kill_one(chance)
    await_that(lambda: set(scene.ended()) >= set(taken), 20 + 2 * plans, lambda: _log(scene))
    table = _table(scene, taken)
    print(f"\nkilled {scene.killed}: {table}")
    assert table == {"taken": plans, "ready": plans, "lost": 0, "failed the audit": 0, "ended more than once": 0}, _log(scene)



@pytest.mark.parametrize(("what_ifs", "kills"), [(8, 3), pytest.param(50, 20, marks=pytest.mark.nightly)])
def test_a_sweep_loses_none_of_its_what_ifs_whatever_is_killed(
    scene: Scene, request_document: dict[str, Any], what_ifs: int, kills: int,
) -> None:
    caller, chance = Caller(scene.api), random.Random(f"sweep {what_ifs}")
    base = caller.submit(request_document)
    await_that(lambda: base in ends(scene.store), 60, lambda: _log(scene))
    # Other seeds alone, so that the child's one plan is a plan of each.
    listed = [{"name": f"seed {seed}", "changes": [{"kind": "change_settings", "seed": seed}]} for seed in range(2, 2 + what_ifs)]
    key = {"Prefer": "respond-async", "Idempotency-Key": "sweep"}
    asked = caller("POST", f"/v1/plans/{base}/what-if-sweeps", json={"what_ifs": listed}, headers=key).json()
    for _ in range(kills):
        time.sleep(chance.uniform(0.1, 0.9))
        scene.kill_one(chance)

    def question() -> dict[str, Any]:
        found: dict[str, Any] = caller("GET", f"/v1/questions/{asked['id']}").json()
        return found

    await_that(lambda: scene.ended() and question()["status"] not in ("waiting", "solving"), 30 + 2 * what_ifs, lambda: _log(scene))
    children = [plan["id"] for plan in asked["plans"]]
    table = _table(scene, children)
    print(f"\nkilled {scene.killed}: {table}")
    assert table == {"taken": what_ifs, "ready": what_ifs, "lost": 0, "failed the audit": 0, "ended more than once": 0}, _log(scene)
    answer = question()
    assert (answer["status"], [one["plan"] for one in answer["answer"]["what_ifs"]]) == ("ready", children)
    assert all(one["effect"]["score"]["change"] == 0 for one in answer["answer"]["what_ifs"])
    with scene.store.reading() as session:
        assert session.query(PlanRow).count() == 1 + what_ifs


@pytest.mark.parametrize("scene", DATABASES[1:], indirect=True)
def test_a_worker_that_is_told_to_end_ends_also_while_the_database_is_away(scene: Scene, request_document: dict[str, Any]) -> None:
    """What it had goes to the other worker, as after any other end."""
    caller = Caller(scene.api)
    taken = [caller.submit(request_document) for _ in range(3)]
    await_that(lambda: bool(ends(scene.store)), 60, lambda: _log(scene))
    assert scene.cluster is not None
    scene.cluster.kill()
    scene.processes["worker-1"].end()  # fails where it takes too long
    scene.cluster.start()
    await_that(lambda: set(ends(scene.store)) >= set(taken), 60, lambda: _log(scene))
    assert _table(scene, taken)["ready"] == 3, _log(scene)


def _table(scene: Scene, taken: list[str]) -> dict[str, int]:
    told = ends(scene.store)
    table = {"taken": len(taken), "ready": 0, "lost": 0, "failed the audit": 0, "ended more than once": 0}
    for plan_id in taken:
        with scene.store.reading() as session:
            row = session.get(PlanRow, plan_id)
        if row is None or row.state != "ready":
            table["lost"] += 1
            continue
        table["ready"] += 1
        plan = Plan.from_document({"id": row.id, "status": row.state, **json.loads(row.plan)})
        table["failed the audit"] += bool(audit(read_request(row.request), plan)) or not plan.runs
        table["ended more than once"] += len(told[plan_id]) > 1
    return table


def _log(scene: Scene) -> str:
    return "\n".join(process.log.read_text()[-6_000:] for process in scene.processes.values())
