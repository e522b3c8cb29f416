"""The files that commands read and write: requests, plans, what goes wrong with them in words, with exit code 2."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer
from pydantic import ValidationError

from platerota_service.bodies import submission_from
from platerota_service.command_words import refuse, say
from platerota_service.engine import Submission
from platerota_service.plan_answers import PlanAnswer
from platerota_shared.faults import RequestRefused
from platerota_shared.plan import Plan

RequestFile = Annotated[Path, typer.Argument(metavar="REQUEST.json", help="The shop, its orders and its floor; '-' reads standard input.")]
PlanFile = Annotated[Path, typer.Argument(metavar="PLAN.json", help="A plan of that request.")]
PlanOut = Annotated[
    Path | None, typer.Option("-o", "--out", metavar="PLAN.json", help="Where the plan goes; standard output where not given."),
]
AnswerOut = Annotated[
    Path | None, typer.Option("-o", "--out", metavar="ANSWER.json", help="Where the answer goes; standard output where not given."),
]


def read_submission(path: Path) -> Submission:
    """The request in a file, or words for each of its faults and exit code 2."""
    body = read_bytes(path)
    try:
        return submission_from(body)
    except RequestRefused as error:
        refuse_faults(path, error)


def refuse_faults(path: Path, error: RequestRefused) -> NoReturn:
    """Say every fault of a file, each with its pointer and what to change, and end with exit code 2."""
    for fault in error.faults:
        say(f"{path}: {fault.pointer or '/'}: {fault.detail}; {fault.mend}")
    refuse(f"{path}: {len(error.faults)} faults" if len(error.faults) > 1 else f"{path}: 1 fault")


def read_plan_file(path: Path) -> Plan:
    """The plan in a file, one of `platerota plan` or one that the service answered; words and exit code 2 where it is none."""
    try:
        return PlanAnswer.from_document(json.loads(read_bytes(path).decode("utf-8-sig"))).plan()
    except ValidationError as error:
        for one in error.errors():
            say(f"{path}: /{'/'.join(map(str, one['loc']))}: {one['msg']}")
        refuse(f"{path}: this is no plan of platerota; give one that 'platerota plan' wrote or the service answered")
    except RecursionError:
        refuse(f"{path}: it cannot be read as a plan: it is nested deeper than any plan is")
    except ValueError as error:
        refuse(f"{path}: it cannot be read as a plan: {error}")


def read_bytes(path: Path) -> bytes:
    """What is in a file, or words and exit code 2; '-' is standard input."""
    if str(path) == "-":
        return sys.stdin.buffer.read()
    try:
        return path.read_bytes()
    except FileNotFoundError:
        refuse(f"{path}: there is no such file")
    except IsADirectoryError:
        refuse(f"{path}: this is a folder; name the file in it")
    except OSError as error:
        refuse(f"{path}: it cannot be read: {error.strerror}")


def check_target(out: Path) -> None:
    """Refuse before the optimiser runs what could not be written after it."""
    if out.is_dir():
        refuse(f"{out}: this is a folder; name a file in it")
    if not out.parent.is_dir():
        refuse(f"{out}: there is no folder {out.parent}")
    if not os.access(out if out.exists() else out.parent, os.W_OK):
        refuse(f"{out}: it may not be written")


def write_text(out: Path | None, text: str) -> None:
    """Write a file; standard output where none is named."""
    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        refuse(f"{out}: it cannot be written: {error.strerror}")
