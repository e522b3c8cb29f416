"""The command `platerota`: serve, work, store upgrade, plan, audit, check-plate, demo.

Exit codes: 0 well, 1 the plan has findings or orders unplaced (or there is no plan), 2 faults in the input.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
import logging
import os
import sys
from enum import Enum
from hashlib import sha256
from pathlib import Path
from typing import Annotated, Any, Final, NoReturn

import typer
from pydantic import ValidationError
from rich.console import Console

from platerota_service import server
from platerota_service.bodies import submission_from
from platerota_service.engine import Submission
from platerota_service.executor import prepare_queue
from platerota_service.plan_answers import PlanAnswer
from platerota_service.settings import ServiceSettings
from platerota_service.solve_lines import COMPILING, Progress
from platerota_service.solve_process import SOLVE_CHILD, Outcome, SolveProcess
from platerota_service.store import Store, StoreError
from platerota_shared.audit import audit as audit_plan
from platerota_shared.faults import RequestRefused
from platerota_shared.plan import Plan
from platerota_shared.plate_checks import check_plate as checked_plate
from platerota_shared.plate_checks import read_plate_check

WELL, FINDINGS, FAULTS = 0, 1, 2


class Role(Enum):
    """What a serving process does."""

    all = "all"
    api = "api"


app = typer.Typer(
    no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False,
    help="Plan the week of a milling shop that holds work on quick-change fixture plates.",
)

store_app = typer.Typer(no_args_is_help=True, help="The database in which the service keeps its plans.")
app.add_typer(store_app, name="store")

_HOPELESS: Final = ("fits-no-machine", "no-nest-fits")
"""Warnings of a plate check after which nobody builds that fixture."""

RequestFile = Annotated[Path, typer.Argument(metavar="REQUEST.json", help="The shop, its orders and its floor; '-' reads standard input.")]


def main() -> None:
    """Run the command line."""
    app()


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65_535, help="Port to listen on.")] = 8080,
    *,
    role: Annotated[
        Role | None, typer.Option(help="all: answer callers and solve; api: only answer, workers solve (PostgreSQL). Default all."),
    ] = None,
    open_: Annotated[bool, typer.Option("--open", help="Listen beyond this computer although nobody is asked for a key.")] = False,
) -> None:
    """Serve plans over HTTP until Ctrl-C."""
    if not _loopback(host):
        danger = f"whoever reaches {host} port {port} can read, stop and delete every plan: this version asks nobody for a key"
        if not open_:
            _refuse(f"{danger}. Listen on 127.0.0.1, or say --open where the network itself keeps strangers out.")
        _say(f"DANGER: {danger}.")
    settings = _settings(**({"role": role.value} if role is not None else {}))
    _log_to_console()
    try:
        server.run(settings, host, port)
    except StoreError as error:
        _refuse(str(error))


@app.command()
def work() -> None:
    """Solve the plans of a fleet's PostgreSQL database (PLATEROTA_DATABASE_URL) until Ctrl-C.

    Every worker needs a name of its own that it keeps over restarts: PLATEROTA_WORKER_ID, the computer's name where not given.
    """
    settings = _settings()
    if settings.database_url is None:
        _refuse("a worker of its own needs PLATEROTA_DATABASE_URL; with SQLite 'platerota serve' solves by itself")
    _log_to_console()
    try:
        server.work(settings)
    except StoreError as error:
        _refuse(str(error))


@app.command()
def plan(
    request: RequestFile,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="PLAN.json", help="Where the plan goes; standard output where not given."),
    ] = None,
) -> None:
    """Plan a week; Ctrl-C ends the optimiser and keeps the best plan so far.

    Exit code 1 where an order is not placed or there is no plan, 2 where the input has faults.
    """
    submission = _read(request)
    if out is not None:
        _check_target(out)
    outcome = asyncio.run(_solve(submission, _settings()))
    for finding in outcome.findings:
        _say(f"a plan failed our own audit and is not used: {finding}")
    if outcome.fault is not None:
        _say(outcome.fault)
    if outcome.plan is None:
        _say("there is no plan")
        raise typer.Exit(FINDINGS)
    # The id follows from the request, so that a repeatable request gives the same bytes.
    made = outcome.plan.model_copy(update={"id": sha256(submission.text).hexdigest()[:32]})
    _write(out, made.text() + "\n")
    _say_summary(made)
    raise typer.Exit(FINDINGS if _say_unplaced(made) else WELL)


@app.command()
def audit(request: RequestFile, plan: Annotated[Path, typer.Argument(metavar="PLAN.json", help="A plan of that request.")]) -> None:
    """Check a plan against every rule of the floor.

    Exit code 1 where it has findings or an order is not placed, 2 where the input has faults.
    """
    submission = _read(request)
    checked = _read_plan(plan)
    findings = audit_plan(submission.request, checked)
    for finding in findings:
        print(f"{finding.rule}: {finding.detail}")
    _say(f"{len(findings)} findings" if findings else "no findings: the plan is valid")
    unplaced = _say_unplaced(checked)
    raise typer.Exit(FINDINGS if findings or unplaced else WELL)


@app.command()
def demo(
    week: Annotated[str, typer.Option(help="Which demo week.")] = "basic",
    out: Annotated[Path, typer.Option("-o", "--out", help="Where its files go.")] = Path(),
) -> None:
    """Plan a week of a small shop and show it."""
    from platerota_service.demo import run

    raise typer.Exit(run(week, out, Console()))


@store_app.command("upgrade")
def store_upgrade() -> None:
    """Bring the database to the schema of this version; a fleet needs it once before its first start and after each update.

    The database is that of PLATEROTA_DATABASE_URL, else the SQLite file in PLATEROTA_DATA_DIRECTORY.
    """
    settings = _settings()
    try:
        store = Store(settings.database_url, settings.data_directory)
        prepare_queue(store)
        store.upgrade()
    except StoreError as error:
        _refuse(str(error))
    _say(f"the database {store.url.render_as_string()} has the newest schema")


@app.command()
def check_plate(
    question: Annotated[Path, typer.Argument(metavar="CHECK.json", help="The plate and what is to be checked; '-' reads standard input.")],
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="ANSWER.json", help="Where the answer goes; standard output where not given."),
    ] = None,
) -> None:
    """Check a plate before a fixture is built: mills, nests, mass, lift, rhythm.

    Exit code 1 where no machine takes it or no piece fits on it, 2 where the input has faults.
    """
    try:
        answer = checked_plate(read_plate_check(_bytes(question)))
    except RequestRefused as error:
        _refuse_faults(question, error)
    _write(out, answer.model_dump_json(indent=2) + "\n")
    for warning in answer.warnings:
        _say(warning.detail)
    raise typer.Exit(FINDINGS if any(warning.code in _HOPELESS for warning in answer.warnings) else WELL)


async def _solve(submission: Submission, settings: ServiceSettings) -> Outcome:
    """Solve in a child; the first Ctrl-C (the runner cancels this task) stops it, and its best plan is kept."""
    process = SolveProcess(submission, settings, SOLVE_CHILD, on_progress=_show, on_compiling=lambda: _say(COMPILING))
    running = asyncio.create_task(process.run())
    try:
        return await asyncio.shield(running)
    except asyncio.CancelledError:
        _say("stopping; the best plan so far is kept")
        process.stop()
        return await running


def _show(progress: Progress) -> None:
    numbers = [("score", progress.total, ".1f"), ("bound", progress.bound, ".1f"), ("gap", progress.gap, ".1%")]
    known = "  ".join(f"{name} {value:{form}}" for name, value, form in numbers if value is not None)
    _say(f"{progress.seconds:7.1f} s  {progress.stage:<16} {known}")


def _read(path: Path) -> Submission:
    """The request in a file, or words for each of its faults and exit code 2."""
    body = _bytes(path)
    try:
        return submission_from(body)
    except RequestRefused as error:
        _refuse_faults(path, error)


def _refuse_faults(path: Path, error: RequestRefused) -> NoReturn:
    for fault in error.faults:
        _say(f"{path}: {fault.pointer or '/'}: {fault.detail}; {fault.mend}")
    _refuse(f"{path}: {len(error.faults)} faults" if len(error.faults) > 1 else f"{path}: 1 fault")


def _read_plan(path: Path) -> Plan:
    """The plan in a file: one of `platerota plan`, or one that the service answered."""
    try:
        return PlanAnswer.from_document(json.loads(_bytes(path).decode("utf-8-sig"))).plan()
    except ValidationError as error:
        for one in error.errors():
            _say(f"{path}: /{'/'.join(map(str, one['loc']))}: {one['msg']}")
        _refuse(f"{path}: this is no plan of platerota; give one that 'platerota plan' wrote or the service answered")
    except (ValueError, KeyError) as error:
        _refuse(f"{path}: it cannot be read as a plan: {error}")


def _bytes(path: Path) -> bytes:
    if str(path) == "-":
        return sys.stdin.buffer.read()
    try:
        return path.read_bytes()
    except FileNotFoundError:
        _refuse(f"{path}: there is no such file")
    except IsADirectoryError:
        _refuse(f"{path}: this is a folder; name the file in it")
    except OSError as error:
        _refuse(f"{path}: it cannot be read: {error.strerror}")


def _check_target(out: Path) -> None:
    """Refuse before the optimiser runs what could not be written after it."""
    if out.is_dir():
        _refuse(f"{out}: this is a folder; name a file in it")
    if not out.parent.is_dir():
        _refuse(f"{out}: there is no folder {out.parent}")
    if not os.access(out if out.exists() else out.parent, os.W_OK):
        _refuse(f"{out}: it may not be written")


def _write(out: Path | None, text: str) -> None:
    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        _refuse(f"{out}: it cannot be written: {error.strerror}")


def _say_summary(made: Plan) -> None:
    late = [order for order in made.orders if order.late_seconds]
    for order in late:
        _say(f"order {order.id} is {(order.late_seconds or 0) / 3_600:.1f} hours late{f': {order.why}' if order.why else ''}")
    _say(
        f"{len(made.orders)} orders, {len(late)} late, {sum(not order.placed for order in made.orders)} unplaced; {len(made.runs)} runs;"
        f" score {made.score.total:.1f}, bound {made.score.bound:.1f}, gap {made.score.gap:.1%}"
    )


def _say_unplaced(checked: Plan) -> bool:
    """Say each unplaced order and why; whether there is one."""
    unplaced = [order for order in checked.orders if not order.placed]
    for order in unplaced:
        _say(f"order {order.id} is not placed: {order.why}")
    return bool(unplaced)


def _log_to_console() -> None:
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s %(message)s")
    for chatty in ("alembic", "dbos"):
        logging.getLogger(chatty).setLevel(logging.WARNING)


def _settings(**given: Any) -> ServiceSettings:
    try:
        return ServiceSettings(**given)
    except ValidationError as error:
        for one in error.errors():
            place = f"environment PLATEROTA_{'_'.join(map(str, one['loc'])).upper()}: " if one["loc"] else ""
            _say(f"{place}{one['msg']}")
        raise typer.Exit(FAULTS) from None


def _loopback(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _say(words: str) -> None:
    typer.echo(words, err=True)


def _refuse(words: str) -> NoReturn:
    _say(words)
    raise typer.Exit(FAULTS)
