"""The command `platerota`: serve, work, store upgrade, keys, plan, audit, risks, replay, check-plate, demo.

Exit codes: 0 well, 1 the plan has findings or orders unplaced (or there is no plan), 2 faults in the input.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from enum import Enum
from hashlib import sha256
from pathlib import Path
from typing import Annotated, Final, NoReturn

import typer
from pydantic import ValidationError
from rich.console import Console

from platerota_service import server
from platerota_service.access.callers import loopback
from platerota_service.access.keys import KeyBook
from platerota_service.bodies import submission_from
from platerota_service.command_keys import keys_app
from platerota_service.command_replay import replay
from platerota_service.command_words import FINDINGS, WELL, refuse, say, settings_or_exit
from platerota_service.engine import Submission
from platerota_service.executor import prepare_queue
from platerota_service.plan_answers import PlanAnswer
from platerota_service.risk_process import RISK_CHILD, RisksError, Simulations
from platerota_service.settings import ServiceSettings
from platerota_service.solve_lines import COMPILING, Progress
from platerota_service.solve_process import SOLVE_CHILD, Outcome, SolveProcess
from platerota_service.store import Store, StoreError
from platerota_service.upkeep import name_held
from platerota_service.watch.logs import start_logging
from platerota_shared.audit import audit as audit_plan
from platerota_shared.faults import RequestRefused
from platerota_shared.plan import Plan
from platerota_shared.plate_checks import check_plate as checked_plate
from platerota_shared.plate_checks import read_plate_check
from platerota_shared.risks import read_risks_question


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
app.add_typer(keys_app, name="keys")
app.command()(replay)

_HOPELESS: Final = ("fits-no-machine", "no-nest-fits")
"""Warnings of a plate check after which nobody builds that fixture."""

PlanFile = Annotated[Path, typer.Argument(metavar="PLAN.json", help="A plan of that request.")]
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
) -> None:
    """Serve plans over HTTP until Ctrl-C.

    On this computer alone nobody needs a key until one is made. Any other address is served only where there is a key. The service
    speaks plain HTTP: put a proxy that does TLS before it, or keys and plans cross the network readable.
    """
    settings = settings_or_exit(**({"role": role.value} if role is not None else {}))
    start_logging(readable=sys.stderr.isatty())
    if not loopback(host):
        if not _any_live_key(settings):
            refuse(
                f"whoever reaches {host} port {port} could read, stop and delete every plan, because there is no key yet. Make one with"
                " 'platerota keys create', or listen on 127.0.0.1."
            )
        say("this service speaks plain HTTP: put a proxy that does TLS before it, or keys and plans cross the network readable")
    try:
        server.run(settings, host, port)
    except StoreError as error:
        refuse(str(error))


@app.command()
def work(
    *, check: Annotated[bool, typer.Option("--check", help="Only look whether the worker of this name lives: exit code 0 or 1.")] = False,
) -> None:
    """Solve the plans of a fleet's PostgreSQL database (PLATEROTA_DATABASE_URL) until Ctrl-C.

    Every worker needs a name of its own that it keeps over restarts: PLATEROTA_WORKER_ID, the computer's name where not given.
    """
    settings = settings_or_exit()
    if settings.database_url is None:
        refuse("a worker of its own needs PLATEROTA_DATABASE_URL; with SQLite 'platerota serve' solves by itself")
    if check:
        _check_worker(settings)
        return
    start_logging(readable=sys.stderr.isatty())
    try:
        server.work(settings)
    except StoreError as error:
        refuse(str(error))


def _check_worker(settings: ServiceSettings) -> None:
    try:
        held = name_held(Store(settings.database_url, settings.data_directory), settings.worker_id)
    except StoreError as error:
        say(str(error))
        raise typer.Exit(FINDINGS) from None
    if not held:
        say(f"no worker called '{settings.worker_id}' is at the database")
        raise typer.Exit(FINDINGS)


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
    outcome = asyncio.run(_solve(submission, settings_or_exit()))
    for finding in outcome.findings:
        say(f"a plan failed our own audit and is not used: {finding}")
    if outcome.fault is not None:
        say(outcome.fault)
    if outcome.plan is None:
        say("there is no plan")
        raise typer.Exit(FINDINGS)
    # The id follows from the request, so that a repeatable request gives the same bytes.
    made = outcome.plan.model_copy(update={"id": sha256(submission.text).hexdigest()[:32]})
    _write(out, made.text() + "\n")
    _say_summary(made)
    raise typer.Exit(FINDINGS if _say_unplaced(made) else WELL)


@app.command()
def audit(request: RequestFile, plan: PlanFile) -> None:
    """Check a plan against every rule of the floor.

    Exit code 1 where it has findings or an order is not placed, 2 where the input has faults.
    """
    submission = _read(request)
    checked = _read_plan(plan)
    findings = audit_plan(submission.request, checked)
    for finding in findings:
        print(f"{finding.rule}: {finding.detail}")
    say(f"{len(findings)} findings" if findings else "no findings: the plan is valid")
    unplaced = _say_unplaced(checked)
    raise typer.Exit(FINDINGS if findings or unplaced else WELL)


@app.command()
def risks(
    request: RequestFile,
    plan: PlanFile,
    question: Annotated[
        Path | None, typer.Option(metavar="QUESTION.json", help="Spreads, stops, samples, certainty; every default where not given."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="ANSWER.json", help="Where the answer goes; standard output where not given."),
    ] = None,
) -> None:
    """Say how sure a plan is: it is run in thousands of simulated weeks, its sequences kept.

    Exit code 1 where the plan has findings or there is no answer, 2 where the input has faults.
    """
    submission, checked = _read(request), _read_plan(plan)
    try:
        asked = read_risks_question(_bytes(question) if question is not None else b"{}")
    except RequestRefused as error:
        _refuse_faults(question or request, error)
    if out is not None:
        _check_target(out)
    findings = audit_plan(submission.request, checked)
    for finding in findings:
        say(f"{finding.rule}: {finding.detail}")
    if findings:
        say("the plan is not valid for this request, so nothing is simulated")
        raise typer.Exit(FINDINGS)
    simulations = Simulations(settings_or_exit(), RISK_CHILD)
    try:
        answer = asyncio.run(simulations.risks(submission.text.decode(), checked.text(), asked))
    except RequestRefused as error:  # what only shows with the plan
        _refuse_faults(question or request, error)
    except RisksError as error:
        say(error.detail)
        raise typer.Exit(FINDINGS) from None
    _write(out, answer.decode() + "\n")


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
    settings = settings_or_exit()
    try:
        store = Store(settings.database_url, settings.data_directory)
        prepare_queue(store)
        store.upgrade()
    except StoreError as error:
        refuse(str(error))
    say(f"the database {store.url.render_as_string()} has the newest schema")


def _any_live_key(settings: ServiceSettings) -> bool:
    try:
        store = Store(settings.database_url, settings.data_directory)
        store.prepare()
        return KeyBook(store).any_live()
    except StoreError as error:
        refuse(str(error))


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
        say(warning.detail)
    raise typer.Exit(FINDINGS if any(warning.code in _HOPELESS for warning in answer.warnings) else WELL)


async def _solve(submission: Submission, settings: ServiceSettings) -> Outcome:
    """Solve in a child; the first Ctrl-C (the runner cancels this task) stops it, and its best plan is kept."""
    process = SolveProcess(submission, settings, SOLVE_CHILD, on_progress=_show, on_compiling=lambda: say(COMPILING))
    running = asyncio.create_task(process.run())
    try:
        return await asyncio.shield(running)
    except asyncio.CancelledError:
        say("stopping; the best plan so far is kept")
        process.stop()
        return await running


def _show(progress: Progress) -> None:
    numbers = [("score", progress.total, ".1f"), ("bound", progress.bound, ".1f"), ("gap", progress.gap, ".1%")]
    known = "  ".join(f"{name} {value:{form}}" for name, value, form in numbers if value is not None)
    say(f"{progress.seconds:7.1f} s  {progress.stage:<16} {known}")


def _read(path: Path) -> Submission:
    """The request in a file, or words for each of its faults and exit code 2."""
    body = _bytes(path)
    try:
        return submission_from(body)
    except RequestRefused as error:
        _refuse_faults(path, error)


def _refuse_faults(path: Path, error: RequestRefused) -> NoReturn:
    for fault in error.faults:
        say(f"{path}: {fault.pointer or '/'}: {fault.detail}; {fault.mend}")
    refuse(f"{path}: {len(error.faults)} faults" if len(error.faults) > 1 else f"{path}: 1 fault")


def _read_plan(path: Path) -> Plan:
    """The plan in a file: one of `platerota plan`, or one that the service answered."""
    try:
        return PlanAnswer.from_document(json.loads(_bytes(path).decode("utf-8-sig"))).plan()
    except ValidationError as error:
        for one in error.errors():
            say(f"{path}: /{'/'.join(map(str, one['loc']))}: {one['msg']}")
        refuse(f"{path}: this is no plan of platerota; give one that 'platerota plan' wrote or the service answered")
    except (ValueError, KeyError) as error:
        refuse(f"{path}: it cannot be read as a plan: {error}")


def _bytes(path: Path) -> bytes:
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


def _check_target(out: Path) -> None:
    """Refuse before the optimiser runs what could not be written after it."""
    if out.is_dir():
        refuse(f"{out}: this is a folder; name a file in it")
    if not out.parent.is_dir():
        refuse(f"{out}: there is no folder {out.parent}")
    if not os.access(out if out.exists() else out.parent, os.W_OK):
        refuse(f"{out}: it may not be written")


def _write(out: Path | None, text: str) -> None:
    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        refuse(f"{out}: it cannot be written: {error.strerror}")


def _say_summary(made: Plan) -> None:
    late = [order for order in made.orders if order.late_seconds]
    for order in late:
        say(f"order {order.id} is {(order.late_seconds or 0) / 3_600:.1f} hours late{f': {order.why}' if order.why else ''}")
    say(
        f"{len(made.orders)} orders, {len(late)} late, {sum(not order.placed for order in made.orders)} unplaced; {len(made.runs)} runs;"
        f" score {made.score.total:.1f}, bound {made.score.bound:.1f}, gap {made.score.gap:.1%}"
    )


def _say_unplaced(checked: Plan) -> bool:
    """Say each unplaced order and why; whether there is one."""
    unplaced = [order for order in checked.orders if not order.placed]
    for order in unplaced:
        say(f"order {order.id} is not placed: {order.why}")
    return bool(unplaced)
