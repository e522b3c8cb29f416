"""Levers over HTTP: refused with every fault, found or given, solved in rounds by hand, as a worker would, and ranked."""

import asyncio
import copy
import json
from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from platerota_service.answers import example
from platerota_service.questions.answering import Answering
from platerota_service.questions.kinds import question_kinds
from platerota_service.risk_process import Simulations
from platerota_service.settings import ServiceSettings
from platerota_service.store import PlanRow, QuestionRow, Store
from platerota_service.store.plan_rows import BestPlan
from platerota_shared.changes import apply_changes
from platerota_shared.starts import Start

from .conftest import HandWorker
from .test_decisions import ASYNC, Document, plan_text, problem

pytestmark = pytest.mark.anyio

PLATE = {"name": "a second plate", "changes": [{"kind": "copy_plate", "plate": "P1", "id": "P2"}]}
LATER = {"name": "a day later", "changes": [{"kind": "change_order", "order": "A-1042", "due": "2027-03-03T14:00:00"}]}
PERSON = {
    "name": "somebody more",
    "changes": [{"kind": "add_operator", "id": "rui", "shifts": [{"days": ["mon"], "start": "06:00", "end": "14:30"}]}],
}
TWO_RUNS = example("what-if-plan")
"""3.79 points: the second run ends at 07:31."""


@pytest.fixture
def settings(settings: ServiceSettings) -> ServiceSettings:
    """With room in the queue for the levers of a question."""
    return settings.model_copy(update={"queue_limit": 50})


@pytest.fixture
def answering(store: Store, settings: ServiceSettings, app: FastAPI) -> Answering:
    return Answering(store, question_kinds(Simulations(settings)), app.state.parts.outbox.question_ended)


@pytest.fixture
async def base(client: httpx.AsyncClient, request_document: Document, worker: HandWorker) -> str:
    """Two orders of a run each for the one plate, planned."""
    document = apply_changes(request_document, example("what-if-request")["changes"]).document
    made = await client.post("/v1/plans", json=document, headers=ASYNC)
    assert made.status_code == 202, made.text
    worker.find(made.json()["id"], plan_text("what-if-plan"))
    return str(made.json()["id"])


@pytest.fixture
def levers(base: str) -> str:
    return f"/v1/plans/{base}/levers"


def reached(total: float, bound: float = 1.0, quality: str = "feasible", sooner: int = 0) -> BestPlan:
    """The plan of two runs with other points; `sooner` puts the second run on plate P2, so many seconds sooner."""
    plan = json.loads(plan_text("what-if-plan").text)
    plan["score"] = {**plan["score"], "total": total, "bound": bound, "gap": (total - bound) / total}
    plan["quality"] = quality
    for run in plan["runs"] if sooner else ():
        run["plate"] = "P2" if run["id"] == "R2" else run["plate"]
    for task in plan["tasks"] if sooner else ():
        if task["run"] == "R2":
            times = {name: (datetime.fromisoformat(task[name]) - timedelta(seconds=sooner)).isoformat() for name in ("start", "end")}
            task.update(times, plate=task["plate"] and "P2")
    return BestPlan(json.dumps(plan), total, bound, quality)


async def looked_at(client: httpx.AsyncClient, question: str) -> Document:
    answer: Document = (await client.get(f"/v1/questions/{question}")).json()
    return answer


async def test_a_base_that_is_not_there_or_not_ready(client: httpx.AsyncClient, request_document: Document) -> None:
    for name in ("nothing", "a%00b", "x" * 65):
        problem(await client.post(f"/v1/plans/{name}/levers", json={}), "unknown-plan")
    waits = (await client.post("/v1/plans", json=request_document, headers=ASYNC)).json()["id"]
    problem(await client.post(f"/v1/plans/{waits}/levers", json={}), "not-ready")


async def test_every_fault_is_said_at_its_place_and_nothing_is_stored(client: httpx.AsyncClient, levers: str, store: Store) -> None:
    def rows() -> tuple[int, int]:
        with store.reading() as session:
            return session.query(PlanRow).count(), session.query(QuestionRow).count()

    before = rows()
    faulty: Document = {
        "levers": [
            {"name": "one", "changes": [{"kind": "copy_plate", "plate": "P9", "id": "P2"}]},
            {"name": "one", "changes": [{"kind": "change_settings", "score": {"late_hour": 1}}]},
            {"name": "as it is", "changes": [{"kind": "change_order", "order": "A-1042", "quantity": 4}]},
            {"name": "nothing", "changes": []}, {"changes": PLATE["changes"]}, 7,
        ],
        "kinds": ["plates"], "limit": 21, "settings": {"solve_seconds": 0}, "lever": 1,
    }
    errors = problem(await client.post(levers, json=faulty), "faults-in-request")["errors"]
    assert {(one["pointer"], one["code"]) for one in errors} == {
        ("/lever", "unknown-field"), ("/settings/solve_seconds", "out-of-range"), ("/limit", "out-of-range"),
        ("/kinds/0", "unknown-choice"), ("/limit", "changes-contradict"), ("/kinds", "changes-contradict"),
        ("/levers/0/changes/0/plate", "unknown-id"),
        ("/levers/1/name", "duplicate-row"), ("/levers/1/changes/0", "changes-contradict"), ("/levers/2/changes", "changes-nothing"),
        ("/levers/3/changes", "changes-nothing"), ("/levers/4/name", "missing-field"), ("/levers/5", "wrong-type"),
    }
    assert rows() == before


@pytest.mark.parametrize(
    ("body", "wanted"),
    [
        ({"levers": {}}, ("/levers", "wrong-type")), ({"levers": [PLATE] * 21}, ("/levers", "too-many-rows")),
        ({"kinds": "plate"}, ("/kinds", "wrong-type")), ({"limit": 0}, ("/limit", "out-of-range")),
        ({"settings": 5}, ("/settings", "wrong-type")),
    ],
)
async def test_what_is_no_such_question(client: httpx.AsyncClient, levers: str, body: Document, wanted: tuple[str, str]) -> None:
    errors = problem(await client.post(levers, json=body), "faults-in-request")["errors"]
    assert wanted in {(one["pointer"], one["code"]) for one in errors}


async def test_a_body_that_is_none(client: httpx.AsyncClient, levers: str) -> None:
    for body in (b"{", b"[]"):
        problem(await client.post(levers, content=body, headers={"Content-Type": "application/json"}), "unreadable")
    problem(await client.post(levers, content=b"{}", headers={"Content-Type": "text/plain"}), "wrong-media-type")


async def test_a_call_that_waits_counts_further_rounds_too(client: httpx.AsyncClient, levers: str) -> None:
    # Three plans of 3 s and, for longer, the control and one lever of 9 s.
    body = {"levers": [PLATE, LATER], "settings": {"solve_seconds": 3}}
    answer = problem(await client.post(levers, json=body), "too-long-to-wait")
    assert "27 seconds" in answer["detail"]
    assert [(one["pointer"], one["mend"][:18]) for one in answer["errors"]] == [("/settings/solve_seconds", "set it to 2.77 or ")]


async def test_without_a_body_the_levers_that_promise_most_are_tried_beside_a_control(
    client: httpx.AsyncClient, base: str, levers: str, store: Store,
) -> None:
    made = await client.post(levers, headers=ASYNC)
    assert made.status_code == 202, made.text
    question = made.json()
    assert (question["kind"], question["base"], question["answer"]) == ("levers", base, None)
    names = [plan["name"] for plan in question["plans"]]
    assert names[0] == "without a change"
    assert "a second copy of plate P1 (fixture bracket-vise)" in names
    with store.reading() as session:
        rows = [session.get(PlanRow, plan["id"]) for plan in question["plans"]]
    starts = [Start.from_document(json.loads(row.start)) for row in rows if row is not None and row.start is not None]
    assert [start.plan.id for start in starts] == [base] * len(names)
    assert {json.loads(row.request)["settings"]["solve_seconds"] for row in rows if row is not None} == {1.5}


async def test_only_so_many_and_only_the_kinds_that_are_asked_for(client: httpx.AsyncClient, levers: str) -> None:
    names = [plan["name"] for plan in (await client.post(levers, json={"kinds": ["plate"]}, headers=ASYNC)).json()["plans"]]
    assert names == ["without a change", "a second copy of plate P1 (fixture bracket-vise)"]
    assert len((await client.post(levers, json={"limit": 1}, headers=ASYNC)).json()["plans"]) == 2


async def asked(client: httpx.AsyncClient, levers: str, *own: Document) -> tuple[str, list[str]]:
    """A question with these levers, and the ids of its plans, the control's first."""
    made = await client.post(levers, json={"levers": list(own)}, headers=ASYNC)
    assert made.status_code == 202, made.text
    return made.json()["id"], [plan["id"] for plan in made.json()["plans"]]


async def test_two_rounds_and_every_lever_against_the_best_plan_without_a_change(
    client: httpx.AsyncClient, levers: str, worker: HandWorker, answering: Answering, store: Store,
) -> None:
    question, (control, plate, later, person) = await asked(client, levers, PLATE, LATER, PERSON)
    for name, plan in ((control, reached(3.75)), (plate, reached(3.0)), (later, reached(3.6)), (person, reached(3.9))):
        worker.find(name, plan)
    running = await _until_asked_again(client, question, answering, 6)
    names = [(plan["id"], plan["name"]) for plan in running["plans"]][4:]
    assert [name for _, name in names] == ["without a change, round 2", "a second plate, round 2"]
    with store.reading() as session:
        row = session.get(PlanRow, names[1][0])
        assert row is not None
        assert row.start is not None
        assert Start.from_document(json.loads(row.start)).plan.id == control  # the best plan without a change by then
        settings = json.loads(row.request)["settings"]
    assert (settings["solve_seconds"], settings["seed"]) == (4.5, 2)
    worker.find(names[0][0], reached(3.7))
    worker.find(names[1][0], reached(2.5, sooner=1_800))
    await answering.answer(question)
    document = await looked_at(client, question)
    assert document["status"] == "ready"
    answer = document["answer"]
    assert [(one["round"], one["score"]) for one in answer["controls"]] == [(1, 3.75), (2, 3.7)]
    assert (answer["best"], answer["noise"]) == ("a second plate", pytest.approx(0.05))
    first, second, third = answer["levers"]
    assert (first["name"], first["kind"], first["round"], first["helps"], first["plan"]) == ("a second plate", "own", 2, True, names[1][0])
    assert (first["saved"], first["changes"]) == (pytest.approx(1.2), PLATE["changes"])
    assert [(row["id"], row["finish"], row["finish_seconds"]) for row in first["better"]] == [
        ("A-1042", "2027-03-01T07:01:00+00:00", 1_800),
    ]
    # A day later saves 0.1 points; the control gained 0.05 by searching on.
    assert (second["name"], second["saved"], second["helps"], second["round"]) == ("a day later", pytest.approx(0.1), True, 1)
    assert (third["name"], third["saved"], third["helps"]) == ("somebody more", pytest.approx(-0.2), False)
    assert {third[name] for name in ("spindle_seconds", "operator_seconds", "overtime_seconds", "late_seconds_saved")} == {0}
    assert third["cost"] is None


async def test_of_many_levers_the_best_few_are_solved_a_third_time(
    client: httpx.AsyncClient, levers: str, worker: HandWorker, answering: Answering,
) -> None:
    dates = [
        {"name": f"day {day}", "changes": [{"kind": "change_order", "order": "A-1042", "due": f"2027-03-{day:02}T07:00:00"}]}
        for day in range(2, 10)
    ]
    question, (control, *plans) = await asked(client, levers, *dates)
    worker.find(control, reached(3.75))
    for number, name in enumerate(plans):
        worker.find(name, reached(3.0 + number / 100))
    second = (await _until_asked_again(client, question, answering, 13))["plans"][9:]
    assert [plan["name"] for plan in second] == ["without a change, round 2", *(f"day {day}, round 2" for day in (2, 3, 4))]
    for plan, total in zip(second, (3.7, 2.9, 3.2, 2.5), strict=True):
        worker.find(plan["id"], reached(total))
    third = (await _until_asked_again(client, question, answering, 16))["plans"][13:]
    assert [plan["name"] for plan in third] == ["without a change, round 3", "day 4, round 3", "day 2, round 3"]
    for plan, total in zip(third, (3.72, 2.6, 2.3), strict=True):
        worker.find(plan["id"], reached(total))
    await answering.answer(question)
    answer = (await looked_at(client, question))["answer"]
    assert [(one["round"], one["score"]) for one in answer["controls"]] == [(1, 3.75), (2, 3.7), (3, 3.7)]
    ranked = [(row["name"], row["round"], row["score"], row["saved"]) for row in answer["levers"]][:4]
    assert ranked == [
        ("day 2", 3, 2.3, pytest.approx(1.4)), ("day 4", 3, 2.5, pytest.approx(1.2)), ("day 3", 2, 3.01, pytest.approx(0.69)),
        ("day 5", 1, 3.03, pytest.approx(0.67)),
    ]


async def _until_asked_again(client: httpx.AsyncClient, question: str, answering: Answering, plans: int) -> Document:
    """The question once a further round is asked for; whoever answers it is stopped then, as by a crash."""
    running = asyncio.create_task(answering.answer(question))
    while len((found := await looked_at(client, question))["plans"]) < plans:
        assert not running.done()
        await asyncio.sleep(0.02)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    return found


async def test_what_is_proved_is_not_solved_again_and_what_cannot_win_neither(
    client: httpx.AsyncClient, levers: str, worker: HandWorker, answering: Answering,
) -> None:
    question, (control, plate, later, person) = await asked(client, levers, PLATE, LATER, PERSON)
    worker.find(control, reached(3.78, 3.78, "optimal"))
    worker.find(plate, reached(3.0, 3.0, "optimal"))
    worker.find(later, reached(3.7, 3.1))
    worker.find(person, reached(3.78, 3.2))
    await answering.answer(question)
    document = await looked_at(client, question)
    assert (document["status"], len(document["plans"])) == ("ready", 4)
    rows = document["answer"]["levers"]
    assert [(row["name"], row["helps"], row["certain"]) for row in rows] == [
        ("a second plate", True, True), ("a day later", True, True), ("somebody more", False, False),
    ]


async def test_a_lever_without_a_plan_is_said_and_the_base_stands_for_a_control_that_has_none(
    client: httpx.AsyncClient, base: str, levers: str, worker: HandWorker, answering: Answering,
) -> None:
    question, (control, plate, later) = await asked(client, levers, PLATE, LATER)
    for name in (control, later):
        worker.take(name)
        worker.finish(name, "out of coolant")
    worker.find(plate, reached(3.0, 3.0, "optimal"))
    await answering.answer(question)
    answer = (await looked_at(client, question))["answer"]
    assert [(one["round"], one["plan"], one["score"]) for one in answer["controls"]] == [(1, base, TWO_RUNS["score"]["total"])]
    first, second = answer["levers"]
    assert (first["saved"], first["helps"]) == (pytest.approx(TWO_RUNS["score"]["total"] - 3.0), True)
    assert (second["status"], second["problem"], second["plan"], second["saved"]) == ("failed", "out of coolant", None, None)


async def test_a_stopped_question_ranks_what_is_there(
    client: httpx.AsyncClient, levers: str, worker: HandWorker, answering: Answering,
) -> None:
    question, (control, plate, _) = await asked(client, levers, PLATE, LATER)
    worker.find(control, reached(3.75))
    worker.find(plate, reached(3.0))
    assert (await client.post(f"/v1/questions/{question}/stop")).status_code == 202
    await answering.answer(question)
    document = await looked_at(client, question)
    assert (document["status"], document["answer"]["best"]) == ("ready", "a second plate")
    assert [(row["name"], row["status"]) for row in document["answer"]["levers"]] == [
        ("a second plate", "ready"), ("a day later", "stopped"),
    ]


async def test_a_week_in_which_nothing_waits_has_a_control_and_no_lever(
    client: httpx.AsyncClient, request_document: Document, worker: HandWorker, answering: Answering,
) -> None:
    calm = copy.deepcopy(request_document)
    made = (await client.post("/v1/plans", json=calm, headers=ASYNC)).json()["id"]
    worker.find(made, plan_text("plan"))
    question = (await client.post(f"/v1/plans/{made}/levers", headers=ASYNC)).json()
    assert [plan["name"] for plan in question["plans"]] == ["without a change"]
    worker.find(question["plans"][0]["id"], plan_text("plan"))
    await answering.answer(question["id"])
    answer: dict[str, Any] = (await looked_at(client, question["id"]))["answer"]
    assert (answer["best"], answer["levers"], len(answer["controls"])) == (None, [], 1)


async def test_a_plan_that_does_not_need_its_lever_counts_as_found_without_it(
    client: httpx.AsyncClient, levers: str, worker: HandWorker, answering: Answering,
) -> None:
    question, (control, plate, later) = await asked(client, levers, PLATE, LATER)
    worker.find(control, reached(4.5, 4.5, "optimal"))
    worker.find(plate, reached(3.79, 3.79, "optimal"))
    worker.find(later, reached(3.79, 3.79, "optimal"))
    await answering.answer(question)
    answer = (await looked_at(client, question))["answer"]
    # Both plans are the base's own two runs: neither the second plate nor the later date is used for anything.
    assert answer["best"] is None
    assert {row["helps"] for row in answer["levers"]} == {False}
    assert answer["controls"][0]["score"] == pytest.approx(TWO_RUNS["score"]["total"])
