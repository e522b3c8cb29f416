"""The calls that a page shows as curl lines, made as HTTP calls; and the answers that it shows below them."""

from __future__ import annotations

import argparse
import json
import re
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

ADDRESS = "http://127.0.0.1:8080"
"""Where pages have the service."""
_BLOCKS = re.compile(r"^#+ ([^\n]+)$|^```sh\n(.*?)^```$(?:(?:(?!^```|^#).)*?^```json\n(.*?)^```$)?", re.MULTILINE | re.DOTALL)
"""A heading, or the lines of a shell block with the JSON block below it, if one comes before the next block or heading."""


@dataclass(frozen=True)
class Step:
    """A call that a page shows, and what it shows of the answer, JSON values; None where it shows none."""

    heading: str
    words: tuple[str, ...]
    answer: Any

    def send(self, client: httpx.Client, folder: Path, **filled: str) -> httpx.Response:
        """Make the call, names in braces and `…` filled in; `@file` and `-o` name files in `folder`."""
        options = _CURL.parse_args([_filled(word, filled) for word in self.words])
        address = options.url.removeprefix(ADDRESS)
        assert address.startswith("/"), f"not an address of the service: {options.url}"
        body = options.data_binary or options.data
        if options.data_binary is not None:
            assert body.startswith("@")
            body = (folder / body[1:]).read_bytes()
        headers = dict(line.split(": ", 1) for line in options.header)
        answer = client.request(options.request or ("POST" if body else "GET"), address, content=body, headers=headers)
        if options.output:
            (folder / options.output).write_bytes(answer.content)
        return answer


def steps(page: str) -> list[Step]:
    """The curl lines of a Markdown page in their order."""
    found, heading = [], ""
    for match in _BLOCKS.finditer(page):
        heading = match[1] or heading
        calls = [words[1:] for words in _commands(match[2] or "") if words[0] == "curl"]
        for number, words in enumerate(calls, 1):
            shown = json.loads(match[3]) if match[3] and number == len(calls) else None
            found.append(Step(heading, tuple(words), shown))
    return found


def commands(page: str) -> list[list[str]]:
    """Every command of the page's shell blocks, as words."""
    return [words for block in re.findall(r"^```sh\n(.*?)^```$", page, re.MULTILINE | re.DOTALL) for words in _commands(block)]


def assert_part(part: Any, whole: Any, place: str = "") -> None:
    """Everything in `part` stands in `whole`: of an object some fields, of a list the first items, of text and numbers the same.

    A list that is shown empty is empty.
    """
    if isinstance(part, Mapping):
        for key, value in part.items():
            assert key in whole, f"{place}/{key} is not in the answer"
            assert_part(value, whole[key], f"{place}/{key}")
    elif isinstance(part, list):
        assert len(part) <= len(whole) if part else not whole, place
        for index, value in enumerate(part):
            assert_part(value, whole[index], f"{place}/{index}")
    elif isinstance(part, float):
        assert whole == pytest.approx(part, abs=0.005), place
    else:
        assert whole == part, place


def _commands(block: str) -> list[list[str]]:
    """The commands of a shell block: each goes on while a quote is open."""
    found, text = [], ""
    for line in block.replace("\\\n", " ").splitlines():
        text += line
        try:
            words = shlex.split(text, comments=True)
        except ValueError:  # a quote is open
            text += "\n"
            continue
        found += [words] if words else []
        text = ""
    assert not text, f"this command does not end: {text}"
    return found


def _filled(word: str, filled: Mapping[str, str]) -> str:
    """Names in braces are those of plans; an ellipsis is the key."""
    word = word.replace("…", filled.get("key", "…"))
    return word if word.lstrip().startswith("{") and "\n" in word else re.sub(r"\{(\w+)\}", lambda match: filled[match[1]], word)


def _curl() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="curl", exit_on_error=False)
    parser.add_argument("url")
    parser.add_argument("-s", action="store_true")
    parser.add_argument("-H", "--header", action="append", default=[])
    parser.add_argument("-X", "--request")
    parser.add_argument("-d", "--data")
    parser.add_argument("--data-binary")
    parser.add_argument("-o", "--output")
    return parser


_CURL = _curl()
