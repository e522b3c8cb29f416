"""The README shows what really happens: its request is planned here, and its answer must be part of the plan."""

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from platerota_shared.audit import audit
from platerota_shared.differences import differences
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.replanning import floor_at
from platerota_shared.starts import Start
from platerota_solver import solve

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")


def shown(pattern: str) -> Any:
    """The JSON that the README shows in the place that `pattern` captures."""
    match = re.search(pattern, README, re.DOTALL)
    assert match is not None
    return json.loads(match[1])


@pytest.fixture(scope="module")
def plan() -> Plan:
    """The plan of the README's request, found with counted work so that it is the same every time."""
    document = shown(r"-d '(\{.*?\})'\n")
    document["settings"] = {"solve_seconds": 2, "repeatable": True}
    request = read_request(document)
    made = solve(request)
    assert audit(request, made) == []
    return made


def assert_part(part: Any, whole: Any, place: str) -> None:
    """Everything in `part` stands in `whole`: of an object some fields, of a list the first items; one that is shown empty is empty."""
    if isinstance(part, Mapping):
        for key, value in part.items():
            assert_part(value, whole[key], f"{place}/{key}")
    elif isinstance(part, list):
        assert part or not whole, place
        for index, value in enumerate(part):
            assert_part(value, whole[index], f"{place}/{index}")
    elif isinstance(part, float):
        assert whole == pytest.approx(part, abs=0.005), place
    else:
        assert whole == part, place


def test_the_answer_in_the_readme_is_the_answer(plan: Plan) -> None:
    assert_part(shown(r"```json\n(\{.*?\})\n```"), plan.document(), "")


def test_the_replan_in_the_readme_is_the_answer(plan: Plan) -> None:
    document = shown(r"-d '(\{.*?\})'\n") | {"settings": {"solve_seconds": 2, "repeatable": True}}
    asked = shown(r"/replans [^\n]*-d '(\{.*?\})'\n")
    floor = floor_at(document, plan, asked["now"], asked["happened"])
    made = solve(floor.request, start=Start(plan, counts_moves=True, frozen_until=floor.request.now + 3_600))
    assert audit(floor.request, made, plan) == []
    compare = differences(read_request(document), plan, floor.request, made).document()
    answer = shown(r"/replans .*?```json\n(\{.*?\})\n```")
    notes = [note.model_dump() for note in floor.notes]
    assert_part(answer, made.document() | {"compare": compare, "warnings": notes}, "")


def test_the_picture_in_the_readme_is_there_and_small() -> None:
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert pictures
    assert all((ROOT / picture).stat().st_size < 300_000 for picture in pictures)


def test_every_command_in_the_documents_is_a_target() -> None:
    targets = set(re.findall(r"^([a-z-]+):.*##", (ROOT / "Makefile").read_text("utf-8"), re.MULTILINE))
    documents = README + (ROOT / "DEVELOPERS.md").read_text("utf-8")
    commands = set(re.findall(r"(?:^    |`)make ([a-z-]+)", documents, re.MULTILINE))
    assert {"demo", "test"} <= commands <= targets


def test_every_file_that_the_map_names_is_there() -> None:
    named = re.findall(r"`((?:shared|solver|service|api-tests|docker)/[\w./-]+)`", (ROOT / "DEVELOPERS.md").read_text("utf-8"))
    assert named
    assert [path for path in named if not (ROOT / path).exists()] == []
