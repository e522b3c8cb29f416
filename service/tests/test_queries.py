"""The queries of lists and of the queue use indices, however many plans there are."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa

from platerota_service.attempts import Attempts
from platerota_service.cursors import Place
from platerota_service.executor import Executor, prepare_queue
from platerota_service.plan_list import plans_page
from platerota_service.questions.answering import Answering
from platerota_service.settings import ServiceSettings
from platerota_service.store import PlanRow, QuestionRow, Store, plan_rows, question_rows
from platerota_service.webhooks.delivering import Deliveries
from platerota_service.webhooks.outbox import Outbox

_BATCH = 5_000


def fill(store: Store, plans: int) -> None:
    """So many plans of 50 tenants, one in a hundred of them open and in the queue, one in fifty made for one of a hundred questions."""
    questions = [
        {
            "id": f"q{number}", "tenant": f"t{number % 50}", "kind": "what-if-sweep", "state": "ready", "revision": 1, "round": 1,
            "rush": False, "stop_asked": False, "created_ms": 1, "updated_ms": 1, "ended_ms": 9, "base_id": "b", "children": "[]",
            "asked": "{}", "base_plan": "{}", "base_request": "{}",
        }
        for number in range(100)
    ]
    with store.engine.begin() as connection:
        connection.execute(sa.insert(QuestionRow), questions)
        for start in range(0, plans, _BATCH):
            rows = [
                {
                    "id": f"{number:032x}", "tenant": f"t{number % 50}", "state": "waiting" if number % 100 == 7 else "ready",
                    "revision": 1, "rush": number % 1_000 == 7, "priority": 1_000_000 + number, "stop_asked": False,
                    "attempts": 0, "claim": 0,
                    "created_ms": number, "updated_ms": number, "ended_ms": None if number % 100 == 7 else number,
                    "shop_id": f"s{number % 3}", "parent_id": f"q{number // 50 % 100}" if number % 50 == 3 else None,
                    "request_hash": f"{number:064x}", "plan": "{}", "request": "{}",
                }
                for number in range(start, min(start + _BATCH, plans))
            ]
            connection.execute(sa.insert(PlanRow), rows)
        name = "workflow_status" if store.embedded else "dbos.workflow_status"
        connection.execute(sa.text(
            f"INSERT INTO {name} (workflow_uuid, status, name, queue_name, priority, application_version, application_name, created_at,"
            " updated_at) SELECT id, CASE state WHEN 'waiting' THEN 'ENQUEUED' ELSE 'SUCCESS' END, 'nobody', 'solves', priority, '1',"
            " 'platerota', created_ms, created_ms FROM plans"
        ))
    with store.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("ANALYZE")


class Plans:
    """What the database says it would do, by statement."""

    def __init__(self, store: Store) -> None:
        self.found: dict[str, str] = {}
        self._embedded = store.embedded

    def note(self, connection: sa.Connection, _cursor: Any, statement: str, parameters: Any, _context: Any, many: bool) -> None:
        if many or ("plans" not in statement and "workflow_status" not in statement) or statement in self.found:
            return
        if re.match(r"\s*(SELECT|UPDATE|DELETE)", statement):
            self.found[statement] = ""
            cursor = connection.connection.cursor()
            cursor.execute(f"EXPLAIN {'QUERY PLAN ' if self._embedded else ''}{statement}", parameters)
            self.found[statement] = "\n".join(str(row[-1]) for row in cursor.fetchall())

    def scans(self) -> dict[str, str]:
        """The statements that read a whole table."""
        pattern = r"SCAN (plans|workflow_status)\b" if self._embedded else r"Seq Scan on (plans|workflow_status)"
        return {statement: plan for statement, plan in self.found.items() if re.search(pattern, plan)}


@contextmanager
def explained(store: Store) -> Iterator[Plans]:
    plans = Plans(store)
    sa.event.listen(store.engine, "before_cursor_execute", plans.note)
    yield plans
    sa.event.remove(store.engine, "before_cursor_execute", plans.note)


@pytest.mark.parametrize("plans", [20_000, pytest.param(100_000, marks=pytest.mark.nightly)])
def test_no_query_of_a_list_or_of_the_queue_reads_a_whole_table(either_store: Store, settings: ServiceSettings, plans: int) -> None:
    prepare_queue(either_store)
    fill(either_store, plans)
    some = f"{7:032x}"
    cursor = Place(5_000, some).cursor()
    with explained(either_store) as noted, either_store.writing() as session:
        for status, shop, place in ((None, None, None), (None, None, cursor), (None, "s1", cursor), ("ready", None, cursor)):
            session.execute(plans_page("t7", status, shop, place, 50))
        session.execute(sa.select(PlanRow.id).where(PlanRow.tenant == "t7", PlanRow.request_hash == f"{7:064x}", PlanRow.created_ms > 3))
        assert plan_rows.count_waiting(session) == plans // 100
        plan_rows.next_priority(session, "t7", rush=False)
        plan_rows.next_priority(session, "t7", rush=True)
        plan_rows.read(session, some, "t7")
        plan_rows.revisions(session, [some])
        plan_rows.quiet(session, 5)
        claim = plan_rows.claim(session, some, "w")
        assert claim is not None
        plan_rows.look(session, some, claim.number)
        plan_rows.put_progress(session, some, claim.number, "{}", None)
        plan_rows.release(session, some, claim.number)
        plan_rows.ask_stop(session, some, "t7")
        plan_rows.delete_ended(session, 5, 100)
        plan_rows.delete(session, some, "t7")
        plan_rows.next_priority(session, "t7", rush=False, of_question=True)
        question_rows.children(session, "q7")
        question_rows.open_children(session, "q7")
        question_rows.delete(session, "q7", "t7")
    assert len(noted.found) > 14
    assert noted.scans() == {}
    assert _claims(either_store, settings) == {}


def _claims(store: Store, settings: ServiceSettings) -> dict[str, str]:
    """The statements of the queue itself that read a whole table while it looks for work; it takes none: no workflow is called 'nobody'."""
    deliveries, answering = Deliveries(store, Outbox(store), inside=False), Answering(store, {}, Outbox(store).question_ended)
    executor = Executor(store, Attempts("w", settings, store, ()), answering.answer, deliveries.attempt, "w", 1)
    with explained(store) as noted:
        executor.launch()
        last = time.monotonic() + 20
        while not any("ORDER BY" in one and "priority" in one for one in noted.found) and time.monotonic() < last:
            time.sleep(0.1)
        executor.close()
    claims = [one for one in noted.found if "priority" in one]
    assert claims, "the queue did not look for work"
    return noted.scans()
