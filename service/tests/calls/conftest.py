"""The calls of the service over an engine that stores and queues plans and solves none: tests move them by hand, as a worker would."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from platerota_service.answers import example
from platerota_service.durable_engine import DurableEngine
from platerota_service.kinds import KINDS
from platerota_service.problems import PROBLEM_JSON
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store, plan_rows
from platerota_service.store.plan_rows import BestPlan

Document = dict[str, Any]


def problem(answer: httpx.Response, kind: str) -> Document:
    """The problem in an answer, which is of that kind."""
    body: Document = answer.json()
    assert (answer.status_code, answer.headers["content-type"], body["type"]) == (KINDS[kind].status, PROBLEM_JSON, KINDS[kind].type), body
    return body


def plan_text(name: str) -> BestPlan:
    """An example plan as a solver that found it would have it stored."""
    beside = ("id", "status", "problem", "progress", "shop", "base", "compare")
    plan = {field: value for field, value in example(name).items() if field not in beside}
    return BestPlan(json.dumps(plan), plan["score"]["total"], plan["score"]["bound"], plan["quality"])


class HandWorker:
    """Solves plans by hand: what it is told to find is found."""

    def __init__(self, store: Store, plan: dict[str, Any]) -> None:
        self._store = store
        self._plan = {name: value for name, value in plan.items() if name not in ("id", "status")}
        self._claims: dict[str, int] = {}

    def take(self, plan_id: str) -> None:
        """Begin to solve a plan."""
        with self._store.writing() as session:
            claim = plan_rows.claim(session, plan_id, "hand")
        assert claim is not None
        self._claims[plan_id] = claim.number

    def progress(self, plan_id: str, total: float, seconds: float) -> None:
        """Say how far it is."""
        said = {"stage": "searching", "seconds": seconds, "total": total, "bound": 1.0, "gap": (total - 1.0) / total}
        self._put(plan_id, json.dumps(said), None)

    def improve(self, plan_id: str, total: float) -> None:
        """Find a better plan."""
        found = {**self._plan, "score": {**self._plan["score"], "total": total}}
        self._put(plan_id, None, BestPlan(json.dumps(found), total, 1.0, "feasible"))

    def finish(self, plan_id: str, fault: str | None = None) -> None:
        """End its solve."""
        with self._store.writing() as session:
            plan_rows.finish(session, plan_id, self._claims[plan_id], fault, ())

    def solve(self, plan_id: str) -> None:
        """Take a plan, find one of 2 points, and end."""
        self.take(plan_id)
        self.improve(plan_id, 2.0)
        self.finish(plan_id)

    def find(self, plan_id: str, plan: BestPlan) -> None:
        """Take a plan, find that one, and end."""
        self.take(plan_id)
        self._put(plan_id, None, plan)
        self.finish(plan_id)

    def _put(self, plan_id: str, progress: str | None, best: BestPlan | None) -> None:
        with self._store.writing() as session:
            assert plan_rows.put_progress(session, plan_id, self._claims[plan_id], progress, best) is not None


@pytest.fixture
async def engine(settings: ServiceSettings, store: Store) -> AsyncIterator[DurableEngine]:
    engine = DurableEngine(settings, store, solves=False)
    await engine.start()
    yield engine
    await engine.close()


@pytest.fixture
def worker(store: Store, plan_document: dict[str, Any]) -> HandWorker:
    return HandWorker(store, plan_document)
