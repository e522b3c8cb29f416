"""`platerota replay`: what the service solved is solved again from its database, and what differs is said."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from platerota_service import command_line, command_replay
from platerota_service.bodies import submission_from
from platerota_service.durable_engine import DurableEngine
from platerota_service.engine import Submission
from platerota_service.executor import prepare_queue
from platerota_service.settings import ServiceSettings
from platerota_service.store import PlanRow, Store
from platerota_shared.plan import Plan, Warning_
from platerota_shared.starts import Start

from .conftest import EngineOf, FakeChild
from .postgresql import Cluster, needs_postgresql

pytestmark = pytest.mark.anyio

ChildIs = Callable[[str], None]
Stored = Callable[..., Awaitable[str]]
Wrote = Callable[[str], Any]
Replay = Callable[..., Result]


@pytest.fixture
def child_is(monkeypatch: pytest.MonkeyPatch, child: FakeChild) -> ChildIs:
    return lambda name: monkeypatch.setattr(command_replay, "SOLVE_CHILD", child(name))


@pytest.fixture
def replay(monkeypatch: pytest.MonkeyPatch, settings: ServiceSettings, tmp_path: Path) -> Replay:
    """Replay a plan of the test's database into the folder `out`."""
    monkeypatch.setenv("PLATEROTA_DATA_DIRECTORY", str(settings.data_directory))
    return lambda plan, *more: CliRunner().invoke(command_line.app, ["replay", str(plan), "-o", str(tmp_path / "out"), *more])


@pytest.fixture
def wrote(tmp_path: Path) -> Wrote:
    return lambda name: json.loads((tmp_path / "out" / f"{name}.json").read_text("utf-8"))


@pytest.fixture
def stored(engine_of: EngineOf, submission: Submission) -> Stored:
    """The id of a plan that the child of that name has solved."""

    async def solve(name: str, **changes: Any) -> str:
        engine = await engine_of(name, solve_attempts=1)
        plan_id = await engine.submit(replace(submission, **changes))
        assert [state async for state in engine.events(plan_id)][-1].ended
        return plan_id

    return solve


async def test_a_plan_that_comes_out_again_is_the_same(replay: Replay, child_is: ChildIs, stored: Stored, wrote: Wrote) -> None:
    plan_id = await stored("good")
    child_is("good")
    answer = await asyncio.to_thread(replay, plan_id)
    assert (answer.exit_code, answer.output) == (0, "the same plan comes out\n")
    assert wrote("stored")["plan_id"] == plan_id
    assert wrote("stored")["plan"] == wrote("replayed")["plan"]
    assert wrote("request")["orders"]


async def test_another_plan_is_said_with_the_points_of_both(replay: Replay, child_is: ChildIs, stored: Stored) -> None:
    plan_id = await stored("good")
    child_is("unplaced")
    answer = await asyncio.to_thread(replay, plan_id)
    assert answer.exit_code == 1
    assert "another plan comes out: 9.000 points, stored were 3.000" in answer.output


async def test_a_plan_that_the_audit_refused_is_refused_again_and_kept(
    replay: Replay, child_is: ChildIs, stored: Stored, wrote: Wrote, tmp_path: Path,
) -> None:
    plan_id = await stored("rejected")
    child_is("rejected")
    answer = await asyncio.to_thread(replay, plan_id)
    assert answer.exit_code == 0
    assert "the audit refuses a plan again, for the same: F6: two cuts at once" in answer.output
    assert wrote("stored")["findings"] == wrote("replayed")["findings"] == ["F6: two cuts at once"]
    (refused,) = (tmp_path / "out").glob("rejected-*.json")
    # The record of the refused plan is enough to replay it, without the database.
    answer = await asyncio.to_thread(replay, refused)
    assert (answer.exit_code, wrote("stored")["plan_id"]) == (0, refused.name)


@pytest.mark.parametrize(
    ("before", "now", "code", "words"),
    [
        ("rejected", "good", 1, "the audit finds nothing now; stored was: F6: two cuts at once"),
        ("good", "rejected", 1, "the audit refuses a plan, now for: F6: two cuts at once"),
        ("rejected-last", "rejected-last", 0, "for the same: F6: two cuts at once"),
        ("failed", "failed", 0, "stored was: out of coolant; now: out of coolant"),
        ("crash", "crash", 0, "exit code 7"),
        ("failed", "good", 1, "stored was: out of coolant; now: a plan"),
        ("good", "failed", 1, "stored was: a plan; now: out of coolant"),
    ],
)
async def test_what_went_wrong_is_compared(
    replay: Replay, child_is: ChildIs, stored: Stored, before: str, now: str, code: int, words: str,
) -> None:
    plan_id = await stored(before)
    child_is(now)
    answer = await asyncio.to_thread(replay, plan_id)
    assert answer.exit_code == code, answer.output
    assert words in answer.output


async def test_it_is_solved_repeatable_from_the_stored_start_and_with_its_notes(
    replay: Replay, child_is: ChildIs, stored: Stored, wrote: Wrote, plan_document: dict[str, Any],
) -> None:
    start = Start(Plan.from_document(plan_document), counts_moves=True)
    note = Warning_(code="starts-again", detail="plate P1 is being loaded", pointer="/floor/waiting")
    plan_id = await stored("good", start=start, notes=(note,))
    child_is("echo")
    await asyncio.to_thread(replay, plan_id)
    told = json.loads(wrote("replayed")["problem"])
    assert Start.from_document(told["start"]) == start
    assert told["request"]["settings"]["repeatable"] is True
    assert told["request"]["orders"] == wrote("request")["orders"]
    assert wrote("start") == json.loads(json.dumps(start.document()))
    child_is("good")
    assert (await asyncio.to_thread(replay, plan_id)).exit_code == 0


async def test_another_version_is_named_where_another_plan_comes_out(
    replay: Replay, child_is: ChildIs, stored: Stored, store: Store,
) -> None:
    plan_id = await stored("good")
    with store.writing() as session:
        row = session.get(PlanRow, plan_id)
        assert row is not None
        row.plan = json.dumps({**json.loads(row.plan), "solver": {"seconds": 1, "seed": 1, "version": "0.0.9", "stages": []}})
    child_is("late")
    assert "stored by version 0.0.9, this is" in (await asyncio.to_thread(replay, plan_id)).output


async def test_a_plan_that_is_being_solved_is_not_replayed(
    replay: Replay, engine: DurableEngine, submission: Submission, tmp_path: Path,
) -> None:
    plan_id = await engine.submit(submission)
    answer = await asyncio.to_thread(replay, plan_id)
    assert answer.exit_code == 2
    assert "it can be replayed once it has ended" in answer.output
    assert not (tmp_path / "out").exists()


def test_where_there_is_nothing_to_replay_it_says_so(replay: Replay, store: Store, tmp_path: Path) -> None:
    answer = replay("nothing")
    assert (answer.exit_code, "there is no plan with the id 'nothing'" in answer.output) == (2, True)
    other = tmp_path / "other.json"
    for text in ("[]", "{}", "{", '{"request": 1, "start": null, "plan": 2, "findings": []}'):
        other.write_text(text)
        answer = replay(other)
        assert (answer.exit_code, "this is no record of a plan that the audit refused" in answer.output) == (2, True)
    answer = replay("nothing", "--store", "mysql://host/name")
    assert (answer.exit_code, "write postgresql://" in answer.output) == (2, True)
    assert not (tmp_path / "out").exists()


def test_a_missing_database_is_not_made(replay: Replay, settings: ServiceSettings) -> None:
    answer = replay("nothing")
    assert (answer.exit_code, "there is no database" in answer.output) == (2, True)
    assert not settings.data_directory.exists()


async def test_a_request_that_this_version_refuses_is_said(replay: Replay, stored: Stored, store: Store) -> None:
    plan_id = await stored("good")
    with store.writing() as session:
        row = session.get(PlanRow, plan_id)
        assert row is not None
        row.request = json.dumps({**json.loads(row.request), "orders": 7})
    answer = await asyncio.to_thread(replay, plan_id)
    assert (answer.exit_code, "this version refuses the stored request" in answer.output) == (2, True)


async def test_request_seed_and_version_give_the_same_plan_by_the_real_solver(
    replay: Replay, settings: ServiceSettings, store: Store, request_document: dict[str, Any],
) -> None:
    request_document["settings"] = {"solve_seconds": 1, "seed": 7, "repeatable": True}
    engine = DurableEngine(settings, store)
    await engine.start()
    plan_id = await engine.submit(submission_from(json.dumps(request_document).encode()))
    state = [state async for state in engine.events(plan_id)][-1]
    await engine.close()
    assert state.plan.solver.version == version("platerota")
    answer = await asyncio.to_thread(replay, plan_id)
    assert (answer.exit_code, answer.output) == (0, "the same plan comes out\n")


@needs_postgresql
async def test_a_plan_in_postgresql_is_replayed_by_the_url_of_its_database(
    replay: Replay, child_is: ChildIs, child: FakeChild, cluster: Cluster, settings: ServiceSettings, submission: Submission,
) -> None:
    url = cluster.new_database("replayed")
    store = Store(url, settings.data_directory)
    prepare_queue(store)
    store.upgrade()
    engine = DurableEngine(settings.model_copy(update={"database_url": url}), store, child("good"))
    await engine.start()
    plan_id = await engine.submit(submission)
    assert [state async for state in engine.events(plan_id)][-1].ended
    await engine.close()
    child_is("good")
    answer = await asyncio.to_thread(replay, plan_id, "--store", url)
    assert (answer.exit_code, answer.output) == (0, "the same plan comes out\n")
    store.close()
