"""Rush orders and promises over HTTP: refusals first; the plans are found by hand, as a worker would find them."""

import asyncio
import json
import sys
from dataclasses import replace
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from platerota_service.questions.answering import Answering
from platerota_service.questions.kinds import question_kinds
from platerota_service.risk_process import Simulations
from platerota_service.settings import ServiceSettings
from platerota_service.store import PlanRow, Store
from platerota_service.store.plan_rows import BestPlan

from .conftest import HandWorker
from .test_decisions import ASYNC, RUSH, Document, base, plan_text, problem
from .test_questions import answering, rows

__all__ = ["answering", "base"]
pytestmark = pytest.mark.anyio


def changed_plan(name: str, order: str, **fields: Any) -> BestPlan:
    """An example plan in which an order fares otherwise."""
    best = plan_text(name)
    return replace(best, text=changed(best.text, order, **fields))


def changed(text: str, order: str, **fields: Any) -> str:
    """A plan's text in which an order fares otherwise."""
    plan = json.loads(text)
    next(row for row in plan["orders"] if row["id"] == order).update(fields)
    return json.dumps(plan)


def renamed_plan(name: str, order: str, to: str) -> BestPlan:
    """An example plan in which an order has another id."""
    best = plan_text(name)
    return replace(best, text=best.text.replace(json.dumps(order), json.dumps(to)))


RUSH_BODY: Document = {"order": {name: value for name, value in RUSH.items() if name != "kind"}}


class TestRushOrder:
    """One mill, one plate of four nests, A-1042 of four: by hand a cycle takes 2,730 s, so the first ends at 06:45:30, the next 07:31."""

    async def test_every_fault_of_order_and_changes_is_said_at_its_place(
        self, client: httpx.AsyncClient, base: str, store: Store,
    ) -> None:
        before = rows(store)
        order = {"id": "A-1042", "part": "brackett", "quantity": 0, "kind": "add_order", "due": "2027-03-01T07:00:00"}
        closure = {"kind": "close", "machine": "mill-7", "start": "2027-03-01T08:00:00", "end": "2027-03-01T12:00:00"}
        faulty = {"order": order, "changes": [closure], "settings": {"seed": -1}, "oder": 1}
        errors = problem(await client.post(f"/v1/plans/{base}/rush-orders", json=faulty), "faults-in-request")["errors"]
        assert {(one["pointer"], one["code"]) for one in errors} == {
            ("/oder", "unknown-field"), ("/settings/seed", "out-of-range"), ("/order/kind", "unknown-field"),
            ("/order/part", "unknown-part"), ("/order/quantity", "out-of-range"), ("/order/id", "duplicate-row"),
            ("/changes/0/machine", "unknown-id"),
        }
        assert rows(store) == before

    @pytest.mark.parametrize(
        ("body", "wanted"),
        [
            ({}, ("/order", "missing-field")), ({"order": []}, ("/order", "wrong-type")),
            ({**RUSH_BODY, "changes": 3}, ("/changes", "wrong-type")),
            ({**RUSH_BODY, "changes": [{"kind": "close", "start": "2027-03-01T08:00:00", "end": "2027-03-01T09:00:00"}] * 200},
             ("/changes", "too-many-rows")),
        ],
    )
    async def test_what_is_no_order_or_no_list(
        self, client: httpx.AsyncClient, base: str, body: Document, wanted: tuple[str, str],
    ) -> None:
        errors = problem(await client.post(f"/v1/plans/{base}/rush-orders", json=body), "faults-in-request")["errors"]
        assert [(one["pointer"], one["code"]) for one in errors] == [wanted]

    async def test_an_order_that_fits_no_plate_is_refused_though_its_part_comes_with_it(
        self, client: httpx.AsyncClient, base: str,
    ) -> None:
        order = {"id": "N-1", "part": "plinth", "quantity": 4, "due": "2027-03-01T12:00:00"}
        changes = [{"kind": "add_operation", "part": "plinth", "op": 10, "cut_seconds": 300}]
        errors = problem(
            await client.post(f"/v1/plans/{base}/rush-orders", json={"order": order, "changes": changes}), "faults-in-request",
        )["errors"]
        assert [one["code"] for one in errors] == ["no-nest"]

    async def test_its_plans_are_asked_for_with_their_aims_and_one_that_harms_nobody_ends_the_question(
        self, client: httpx.AsyncClient, base: str, worker: HandWorker, answering: Answering, store: Store, app: FastAPI,
    ) -> None:
        app.state.parts.questions._limit = 10
        asked = (await client.post(f"/v1/plans/{base}/rush-orders", json=RUSH_BODY, headers=ASYNC)).json()
        with store.reading() as session:
            starts = [json.loads(session.get_one(PlanRow, plan["id"]).start or "")["aim"] for plan in asked["plans"]]
        assert [plan["name"] for plan in asked["plans"]] == ["harmless", "soonest", "by-score"]
        assert [aim and (aim["order"], aim["harmless"]) for aim in starts] == [("RUSH-1", True), ("RUSH-1", False), None]
        for plan in asked["plans"]:
            worker.find(plan["id"], plan_text("what-if-plan"))
        await answering.answer(asked["id"])
        document = (await client.get(f"/v1/questions/{asked['id']}")).json()
        answer, first = document["answer"], asked["plans"][0]["id"]
        # The rush goes first; A-1042 comes a cycle later and is on time still, so nobody pays, and nothing lies between.
        assert (document["status"], len(document["plans"]), answer["harmless"], answer["soonest"]) == ("ready", 3, first, first)
        (choice,) = answer["choices"]
        assert (choice["finish"], choice["late_seconds"], choice["pays"]) == ("2027-03-01T06:45:30+00:00", 0, [])
        assert [one["id"] for one in choice["effect"]["worse"]] == ["A-1042"]

    @pytest.mark.parametrize(
        ("had", "given", "seconds"),
        [
            ({"solve_seconds": 1}, {}, [2, 2, 4]), ({"solve_seconds": 9}, {}, [2, 2, 9]), ({}, {}, [2, 2, 20]),
            ({"solve_seconds": 600}, {}, [2, 2, 20]), ({"solve_seconds": 9}, {"solve_seconds": 7}, [7, 7, 7]),
        ],
    )
    async def test_each_plan_has_its_seconds_or_those_that_are_given(
        self, client: httpx.AsyncClient, request_document: Document, worker: HandWorker, store: Store, app: FastAPI, had: Document,
        given: Document, seconds: list[int],
    ) -> None:
        app.state.parts.questions._limit = 10
        request_document["settings"] = had
        base = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"]
        worker.find(base, plan_text("plan"))
        asked = (await client.post(f"/v1/plans/{base}/rush-orders", json={**RUSH_BODY, "settings": given}, headers=ASYNC)).json()
        with store.reading() as session:
            requests = [json.loads(session.get_one(PlanRow, plan["id"]).request) for plan in asked["plans"]]
        assert [request["settings"]["solve_seconds"] for request in requests] == seconds

    @pytest.mark.parametrize(
        ("due", "last_finish", "last_late", "price"),
        [
            # By hand: 2,730 s of A-1042, 100 points an hour, for the time that the rush gains. The score itself gives 3 x 1 for an hour of
            # it, and 3 x 100 for an hour past its due date: of 900 s that are 30 s, of 1,800 s none where it is in time either way.
            ("07:00:00", "07:00:30", 30, (100 * 2_730 - 3 * 100 * 30) / 900 - 3), ("12:00:00", "07:15:30", 0, 100 * 2_730 / 1_800 - 3),
        ],
    )
    async def test_where_somebody_pays_what_lies_between_is_asked_for_too(
        self, client: httpx.AsyncClient, request_document: Document, worker: HandWorker, answering: Answering, store: Store, app: FastAPI,
        due: str, last_finish: str, last_late: int, price: float,
    ) -> None:
        """A-1042 is due at the end of the first cycle: the rush first makes it 2,730 s late, the rush second harms nobody."""
        app.state.parts.questions._limit = 10
        request_document["orders"][0]["due"] = "2027-03-01T06:45:30"
        base = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"]
        worker.find(base, changed_plan("plan", "A-1042", due="2027-03-01T06:45:30+00:00", late_seconds=0))
        body = {"order": {**RUSH_BODY["order"], "due": f"2027-03-01T{due}"}}
        asked = (await client.post(f"/v1/plans/{base}/rush-orders", json=body, headers=ASYNC)).json()
        first = changed_plan("what-if-plan", "A-1042", due="2027-03-01T06:45:30+00:00", late_seconds=2_730)
        rush_last = changed_plan("what-if-plan", "A-1042", due="2027-03-01T06:45:30+00:00", late_seconds=0)
        last = replace(rush_last, text=changed(rush_last.text, "RUSH-1", finish=f"2027-03-01T{last_finish}+00:00", late_seconds=last_late))
        running = asyncio.create_task(answering.answer(asked["id"]))
        for plan, found in zip(asked["plans"], (last, first, first), strict=True):
            worker.find(plan["id"], found)
        where = f"/v1/questions/{asked['id']}"
        while len((document := (await client.get(where)).json())["plans"]) == 3:
            assert document["status"] != "ready", "nothing was asked for between"
            await asyncio.sleep(0.02)
        assert (document["status"], document["answer"]["harmless"]) == ("solving", asked["plans"][0]["id"])
        (between,) = document["plans"][3:]
        with store.reading() as session:
            aim = json.loads(session.get_one(PlanRow, between["id"]).start or "")["aim"]
        assert (aim["harmless"], aim["finish_hour"]) == (False, pytest.approx(price))
        worker.find(between["id"], first)
        await running
        answer = (await client.get(where)).json()["answer"]
        soonest, harmless = answer["choices"]
        assert (soonest["name"], soonest["harmless"], soonest["pays"][0]["later_seconds"]) == ("soonest", False, 2_730)
        assert (harmless["name"], harmless["harmless"], harmless["pays"]) == ("harmless", True, [])
        assert (answer["harmless"], answer["soonest"], answer["why"]) == (harmless["plan"], soonest["plan"], None)


class TestPromise:
    async def test_every_fault_is_said_at_its_place(self, client: httpx.AsyncClient, base: str, store: Store) -> None:
        before = rows(store)
        faulty = {
            "part": "brackett", "quantity": 0, "due": "soon", "certainty": 1, "risks": {"hand": {"variation": 4}, "certainty": 0.9},
            "changes": [{"kind": "drop_order", "order": "A-1043"}], "weight": 2,
        }
        errors = problem(await client.post(f"/v1/plans/{base}/promises", json=faulty), "faults-in-request")["errors"]
        assert {(one["pointer"], one["code"]) for one in errors} == {
            ("/weight", "unknown-field"), ("/risks/certainty", "unknown-field"), ("/risks/hand/variation", "out-of-range"),
            ("/certainty", "out-of-range"), ("/part", "unknown-part"), ("/quantity", "out-of-range"), ("/due", "bad-instant"),
            ("/changes/0/order", "unknown-id"),
        }
        assert rows(store) == before

    async def test_a_body_without_anything(self, client: httpx.AsyncClient, base: str) -> None:
        errors = problem(await client.post(f"/v1/plans/{base}/promises", json={}), "faults-in-request")["errors"]
        assert [(one["pointer"], one["code"]) for one in errors] == [("/part", "missing-field"), ("/quantity", "missing-field")]

    @pytest.mark.parametrize(
        ("script", "why"), [("import sys; sys.exit(3)", "cannot be loaded"), ("import time; time.sleep(60)", "within 0.5 s")],
    )
    async def test_where_no_week_can_be_simulated_the_plan_is_there_and_the_reason(
        self, client: httpx.AsyncClient, base: str, worker: HandWorker, store: Store, settings: ServiceSettings, app: FastAPI, script: str,
        why: str,
    ) -> None:
        asked = (await client.post(f"/v1/plans/{base}/promises", json={"part": "bracket", "quantity": 4}, headers=ASYNC)).json()
        worker.find(asked["plans"][0]["id"], renamed_plan("what-if-plan", "RUSH-1", "PROMISE"))
        simulations = Simulations(settings.model_copy(update={"risks_seconds": 0.5}), (sys.executable, "-c", script))
        await Answering(store, question_kinds(simulations), app.state.parts.outbox.question_ended).answer(asked["id"])
        answer = (await client.get(f"/v1/questions/{asked['id']}")).json()["answer"]
        assert (answer["finish"], answer["promise"], answer["on_time"]) == ("2027-03-01T06:45:30+00:00", None, None)
        assert why in answer["why"]
        assert answer["less_sure"] is None
        assert (answer["takes"]["spindle_seconds"], answer["takes"]["operator_seconds"]) == (2_520, 210)

    async def test_spreads_that_are_no_object_are_a_fault(self, client: httpx.AsyncClient, base: str) -> None:
        body = {"part": "bracket", "quantity": 4, "risks": "none"}
        errors = problem(await client.post(f"/v1/plans/{base}/promises", json=body), "faults-in-request")["errors"]
        assert [(one["pointer"], one["code"]) for one in errors] == [("/risks", "wrong-type")]

    async def test_an_order_that_finds_no_place_has_no_date_and_the_answer_says_why(
        self, client: httpx.AsyncClient, base: str, worker: HandWorker, answering: Answering,
    ) -> None:
        asked = (await client.post(f"/v1/plans/{base}/promises", json={"part": "bracket", "quantity": 4}, headers=ASYNC)).json()
        best = renamed_plan("what-if-plan", "RUSH-1", "PROMISE")
        lost = {"placed": False, "start": None, "finish": None, "late_seconds": None, "why": "mill-1 is closed"}
        worker.find(asked["plans"][0]["id"], replace(best, text=changed(best.text, "PROMISE", **lost)))
        await answering.answer(asked["id"])
        answer = (await client.get(f"/v1/questions/{asked['id']}")).json()["answer"]
        assert (answer["finish"], answer["promise"], answer["takes"]) == (None, None, None)
        assert answer["why"] == "without harm the order finds no place within the horizon: mill-1 is closed"

    @pytest.mark.parametrize(("due", "surely"), [("2027-03-01T12:00:00", True), ("2027-03-01T07:31:30", False)])
    async def test_an_order_that_keeps_its_date_by_seconds_is_less_sure_though_nobody_pays(
        self, client: httpx.AsyncClient, request_document: Document, worker: HandWorker, answering: Answering, due: str, surely: bool,
    ) -> None:
        """A-1042 ended at 06:45:30, and ends at 07:31 behind the promised order: half an hour and five, or 30 s, before it is due."""
        request_document["orders"][0]["due"] = due
        base = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"]
        at = f"{due}+00:00"
        worker.find(base, changed_plan("plan", "A-1042", due=at))
        asked = (await client.post(f"/v1/plans/{base}/promises", json={"part": "bracket", "quantity": 4}, headers=ASYNC)).json()
        best = renamed_plan("what-if-plan", "RUSH-1", "PROMISE")
        worker.find(asked["plans"][0]["id"], replace(best, text=changed(best.text, "A-1042", due=at)))
        await answering.answer(asked["id"])
        answer = (await client.get(f"/v1/questions/{asked['id']}")).json()["answer"]
        assert (answer["harmless"], answer["pays"], answer["promise"] is not None) == (True, [], True)
        assert [one["id"] for one in answer["less_sure"]] == ([] if surely else ["A-1042"])
        for one in answer["less_sure"]:
            assert one["before"] > 0.99
            assert one["after"] < 0.9

    async def test_no_date_is_promised_by_a_plan_in_which_somebody_pays(
        self, client: httpx.AsyncClient, base: str, worker: HandWorker, answering: Answering,
    ) -> None:
        asked = (await client.post(f"/v1/plans/{base}/promises", json={"part": "bracket", "quantity": 4}, headers=ASYNC)).json()
        best = renamed_plan("what-if-plan", "RUSH-1", "PROMISE")
        worker.find(asked["plans"][0]["id"], replace(best, text=changed(best.text, "A-1042", late_seconds=600)))
        await answering.answer(asked["id"])
        answer = (await client.get(f"/v1/questions/{asked['id']}")).json()["answer"]
        assert (answer["promise"], answer["harmless"], [one["id"] for one in answer["pays"]]) == (None, False, ["A-1042"])
        assert "more solve_seconds look longer" in answer["why"]
