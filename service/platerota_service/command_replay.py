"""The command `platerota replay`: solve again what the service solved, from what its database kept, and say whether the same comes out.

A solve is repeated by its request, its seed, what it started from, and the version of the program. One that was limited by wall time
reached as far as its computer let it, so it is replayed repeatable, with counted work: that replay gives the same each time, and may
be another plan than the stored one.
"""

from __future__ import annotations

import asyncio
import json
import platform
from contextlib import closing
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from platerota_service.bodies import submission_from
from platerota_service.command_words import FINDINGS, WELL, refuse, say, settings_or_exit
from platerota_service.engine import Submission
from platerota_service.plan_answers import read_notes, stored_text
from platerota_service.settings import ServiceSettings
from platerota_service.solve_lines import COMPILING
from platerota_service.solve_process import SOLVE_CHILD, Outcome, SolveProcess
from platerota_service.store import PlanRow, Store, StoreError, plan_rows
from platerota_shared.faults import RequestRefused
from platerota_shared.starts import Start

_MAKERS: Final = ("platerota", "ortools", "numpy", "numba")
"""The packages that decide which plan comes out."""


@dataclass(frozen=True, slots=True)
class Stored:
    """A solve as it was kept: what it was told, and what came of it.

    Attributes
    ----------
    name
        The plan's id, or the name of the file of a refused plan.
    version
        The program that made it; None where it is not known.
    plan
        The plan as JSON values; None where it had none.
    findings
        What the audit found in the last plan that it refused.
    """

    name: str
    request: dict[str, Any]
    start: dict[str, Any] | None
    notes: str | None
    status: str
    version: str | None
    problem: str | None
    plan: dict[str, Any] | None
    findings: tuple[str, ...]


def replay(
    plan: Annotated[str, typer.Argument(metavar="PLAN", help="Id of a stored plan, or a file from PLATEROTA_REPLAY_DIRECTORY.")],
    out: Annotated[Path, typer.Option("-o", "--out", metavar="FOLDER", help="Where what is found goes; made where it is missing.")],
    store: Annotated[
        str | None, typer.Option(help="URL of the database; where not given PLATEROTA_DATABASE_URL, else the file in the data folder."),
    ] = None,
) -> None:
    """Solve a stored plan again, and say whether the same comes out.

    Writes request, start, what was stored and what came out into the folder. Exit code 0 where the same came out, 1 where something
    else did, 2 where there is nothing to replay.
    """
    settings = settings_or_exit(**({"database_url": store} if store is not None else {}))
    found = _from_file(Path(plan)) if Path(plan).is_file() else _from_store(plan, settings)
    _keep(out, found)
    settings = settings.model_copy(update={"replay_directory": out})
    outcome = asyncio.run(_solved(_submission(found), settings))
    _write(out / "replayed.json", {
        "plan": _document(outcome), "problem": outcome.fault, "findings": outcome.findings,
    })
    same, words = verdict(found, outcome)
    say(words)
    raise typer.Exit(WELL if same else FINDINGS)


def verdict(stored: Stored, outcome: Outcome) -> tuple[bool, str]:
    """Whether the same came out of a replay, and what is the same or differs, in words."""
    again = _document(outcome)
    if stored.findings and sorted(stored.findings) == sorted(outcome.findings):
        return True, f"the audit refuses a plan again, for the same: {'; '.join(outcome.findings)}"
    if outcome.findings:
        return False, f"the audit refuses a plan, now for: {'; '.join(outcome.findings)}"
    if stored.findings:
        return False, f"the audit finds nothing now; stored was: {'; '.join(stored.findings)}"
    if stored.plan is None or again is None:
        same = stored.plan is again is None and stored.problem == outcome.fault
        return same, f"stored was: {stored.problem or 'a plan'}; now: {outcome.fault or 'a plan'}"
    if _bare(stored.plan) == _bare(again):
        return True, "the same plan comes out"
    points = f"{again['score']['total']:.3f} points, stored were {stored.plan['score']['total']:.3f}"
    return False, f"another plan comes out: {points}{_why_another(stored)}"


def _document(outcome: Outcome) -> dict[str, Any] | None:
    """What came out as the JSON that would be stored."""
    return json.loads(stored_text(outcome.plan)) if outcome.plan is not None else None


def _why_another(stored: Stored) -> str:
    here = version("platerota")
    if stored.version != here:
        return f" (stored by version {stored.version or 'unknown'}, this is {here})"
    if not _settings(stored).get("repeatable"):
        return " (the stored solve was limited by wall time, the replay is not)"
    return ""


def _settings(stored: Stored) -> dict[str, Any]:
    given: dict[str, Any] | None = stored.request.get("settings")
    return given or {}


def _bare(plan: dict[str, Any]) -> dict[str, Any]:
    """A plan without its name, its state, and how it was found."""
    return {name: value for name, value in plan.items() if name not in ("id", "status", "solver")}


def _from_store(plan_id: str, settings: ServiceSettings) -> Stored:
    try:
        store = Store(settings.database_url, settings.data_directory)
        if store.embedded and not Path(store.url.database or "").is_file():
            refuse(f"there is no database {store.url.render_as_string()}; name one with --store, or its folder in PLATEROTA_DATA_DIRECTORY")
        with closing(store), store.faults_in_words(), store.reading() as session:
            store.check_newest()
            row = plan_rows.read_whole(session, plan_id)
    except StoreError as error:
        refuse(str(error))
    if row is None:
        refuse(f"there is no plan with the id '{plan_id}' in the database, and no such file")
    if row.state in plan_rows.OPEN:
        refuse(f"the plan '{plan_id}' is {row.state}; it can be replayed once it has ended")
    return _of_row(row)


def _of_row(row: PlanRow) -> Stored:
    plan = json.loads(row.plan)
    return Stored(
        name=row.id, request=json.loads(row.request), start=json.loads(row.start or "null"), notes=row.notes, status=row.state,
        version=plan["solver"].get("version"), problem=row.problem, plan=plan if row.score is not None else None,
        findings=tuple(json.loads(row.findings or "[]")),
    )


def _from_file(path: Path) -> Stored:
    """The record of a refused plan that a solve wrote into its replay directory."""
    try:
        record = json.loads(path.read_bytes())
        return Stored(
            name=path.name, request=record["request"], start=record["start"], notes=None, status="refused by the audit",
            version=record["plan"]["solver"].get("version"), problem=None, plan=None, findings=tuple(record["findings"]),
        )
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        refuse(f"{path}: this is no record of a plan that the audit refused")


def _keep(out: Path, found: Stored) -> None:
    """Write what was stored, and the versions that are about to solve it."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        refuse(f"{out}: this folder cannot be made: {error.strerror}")
    _write(out / "request.json", found.request)
    if found.start is not None:
        _write(out / "start.json", found.start)
    versions = {name: _installed(name) for name in _MAKERS} | {"python": platform.python_version(), "machine": platform.machine()}
    _write(out / "stored.json", {
        "plan_id": found.name, "status": found.status, "version": found.version, "problem": found.problem, "plan": found.plan,
        "findings": found.findings, "replayed_with": versions,
    })


def _installed(package: str) -> str | None:
    try:
        return version(package)
    except PackageNotFoundError:
        return None


def _write(path: Path, document: Any) -> None:
    try:
        path.write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        refuse(f"{path}: it cannot be written: {error.strerror}")


def _submission(found: Stored) -> Submission:
    """What is solved: the stored request, repeatable."""
    document: dict[str, Any] = {**found.request, "settings": {**_settings(found), "repeatable": True}}
    try:
        submission = submission_from(json.dumps(document, ensure_ascii=False).encode())
    except RequestRefused as error:
        for fault in error.faults:
            say(f"{fault.pointer or '/'}: {fault.detail}")
        refuse("this version refuses the stored request")
    start = Start.from_document(found.start) if found.start is not None else None
    return replace(submission, start=start, notes=read_notes(found.notes))


async def _solved(submission: Submission, settings: ServiceSettings) -> Outcome:
    start = submission.start.text() if submission.start is not None else None
    return await SolveProcess(submission, settings, SOLVE_CHILD, on_compiling=lambda: say(COMPILING), start=start).run()
