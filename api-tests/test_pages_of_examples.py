"""Every call that the README and the cookbook show is made as it stands there, and its answer is the one that they show."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from .conftest import Server, started
from .page_steps import Step, assert_part, commands, steps

README = Path(__file__).parents[1] / "README.md"
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server that solves two plans at once."""
    with started(tmp_path_factory.mktemp("quick") / "log", PLATEROTA_SOLVE_SLOTS="2") as server:
        yield server


def shown_answer(step: Step, client: httpx.Client, folder: Path, **filled: str) -> httpx.Response:
    """Make a call that answers JSON, as it is shown."""
    answer = step.send(client, folder, **filled)
    assert answer.is_success, (step.heading, answer.text)
    assert_part(step.answer, answer.json(), step.heading)
    return answer


def shown_plan(step: Step, client: httpx.Client, folder: Path, **filled: str) -> str:
    """Make a call that makes a plan or asks a question, as it is shown; its id."""
    answer = shown_answer(step, client, folder, **filled)
    assert answer.status_code == 201, (step.heading, answer.text)
    return str(answer.json()["id"])


def test_the_cookbook_answers_what_it_says(quick: Server, tmp_path: Path) -> None:
    with quick.client() as client:
        page = client.get("/docs/cookbook").text
        first, *others = steps(page)
        plan_id = shown_plan(first, client, tmp_path)
        asked = [step for step in others if step.answer is not None]
        assert [step.heading for step in asked] == [
            "An operator is ill", "An operator is ill", "A machine is down", "A clamp is missing", "A second plate", "A rush order",
            "A date to promise", "A holiday week", "What would help most", "When the week has begun", "When the week has begun",
        ]
        *by_itself, compared = asked
        with ThreadPoolExecutor(2) as hands:
            made = [hands.submit(shown_plan, step, client, tmp_path, id=plan_id) for step in by_itself]
            *_, replan_id = [done.result() for done in made]
        assert shown_answer(compared, client, tmp_path, id=plan_id, replan=replan_id).status_code == 200
        files = [step for step in others if step.answer is None]
        kinds = [step.send(client, tmp_path, id=plan_id).raise_for_status().headers["content-type"] for step in files]
        assert kinds == ["text/calendar; charset=utf-8", "text/html; charset=utf-8", WORKBOOK]


def test_every_call_of_the_readme_answers_what_it_says(quick: Server, tmp_path: Path) -> None:
    """The plan, the rush order, the replan, then a spreadsheet there and back, as the page tells it."""
    plan, rush, replan, template, sent, keyed = steps(README.read_text("utf-8"))
    with quick.client() as client:
        plan_id = shown_plan(plan, client, tmp_path)
        for choice in rush.answer["answer"]["choices"]:
            choice.pop("plan")  # another one each time
        named = {name: rush.answer["answer"].pop(name) for name in ("soonest", "harmless")}
        shown_plan(rush, client, tmp_path, id=plan_id)
        assert all(named.values())
        shown_plan(replan, client, tmp_path, id=plan_id)
        assert template.send(client, tmp_path).headers["content-type"] == WORKBOOK
        answer = sent.send(client, tmp_path)
        assert (answer.status_code, answer.headers["content-type"]) == (200, WORKBOOK)
        assert (tmp_path / "plan.xlsx").read_bytes() == answer.content
        # The key comes last: from the first one on the service asks for it.
        (create,) = (words for words in commands(README.read_text("utf-8")) if words[1:3] == ["keys", "create"])
        command = shutil.which("platerota", path=str(Path(sys.executable).parent))
        assert command is not None
        made = subprocess.run(
            [command, *create[1:]], env=os.environ | {"PLATEROTA_DATA_DIRECTORY": str(quick.log.parent / "data")}, check=True,
            capture_output=True, text=True,
        )
        assert keyed.send(client, tmp_path, key="none").status_code == 401
        listed = keyed.send(client, tmp_path, key=made.stdout.strip())
        assert listed.status_code == 200
        assert {"items", "self", "next"} <= set(listed.json())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("```sh\ncurl -s 'http://127.0.0.1:8080/a?b=1' \\\n  -H 'A: b'  # why\n```", ["-s", "http://127.0.0.1:8080/a?b=1", "-H", "A: b"]),
        ("```sh\nother\ncurl x -d '{\n1}'\n```\n\nWords.\n\n```json\n{}\n```", ["x", "-d", "{\n1}"]),
    ],
)
def test_calls_are_read_off_a_page(text: str, words: list[str]) -> None:
    (step,) = steps(text)
    assert list(step.words) == words
    assert step.answer == ({} if "json" in text else None)
