"""The command `platerota`: serve, work, store upgrade, keys, plan, replan, audit, risks, replay, check-plate, demo.

Exit codes: 0 well, 1 the plan has findings or orders unplaced (or there is no plan), 2 faults in the input.
"""

from __future__ import annotations

import sys
from contextlib import closing
from enum import Enum
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Final

import typer
from rich.console import Console

from platerota_service import server
from platerota_service.access.callers import loopback
from platerota_service.access.keys import KeyBook
from platerota_service.command_files import AnswerOut, read_bytes, refuse_faults, write_text
from platerota_service.command_keys import keys_app
from platerota_service.command_plans import add_plan_commands
from platerota_service.command_replay import replay
from platerota_service.command_words import FINDINGS, WELL, refuse, say, settings_or_exit
from platerota_service.executor import prepare_queue
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store, StoreError
from platerota_service.watch.logs import start_logging
from platerota_service.worker_names import name_held
from platerota_shared.faults import RequestRefused
from platerota_shared.plate_checks import check_plate as checked_plate
from platerota_shared.plate_checks import read_plate_check


class Role(Enum):
    """What a serving process does."""

    all = "all"
    api = "api"


app = typer.Typer(no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False)

store_app = typer.Typer(no_args_is_help=True, help="The database in which the service keeps its plans.")
app.add_typer(store_app, name="store")
app.add_typer(keys_app, name="keys")
add_plan_commands(app)
app.command()(replay)

_HOPELESS: Final = ("fits-no-machine", "no-nest-fits")
"""Warnings of a plate check after which nobody builds that fixture."""


def main() -> None:
    """Run the command line."""
    app()


def _version(asked: bool) -> None:
    """Say which version this is, and end."""
    if asked:
        typer.echo(f"platerota {version('platerota')}")
        raise typer.Exit


@app.callback()
def before_every_command(
    *, _asked: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")] = False,
) -> None:
    """Plan the week of a milling shop that holds work on quick-change fixture plates."""


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
        with closing(Store(settings.database_url, settings.data_directory)) as store:
            held = name_held(store, settings.worker_id)
    except StoreError as error:
        say(str(error))
        raise typer.Exit(FINDINGS) from None
    if not held:
        say(f"no worker called '{settings.worker_id}' is at the database")
        raise typer.Exit(FINDINGS)


@app.command()
def demo(
    week: Annotated[str, typer.Option(help="Which demo week: basic or full.")] = "basic",
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
        with closing(Store(settings.database_url, settings.data_directory)) as store:
            prepare_queue(store)
            store.upgrade()
    except StoreError as error:
        refuse(str(error))
    say(f"the database {store.url.render_as_string()} has the newest schema")


def _any_live_key(settings: ServiceSettings) -> bool:
    try:
        with closing(Store(settings.database_url, settings.data_directory)) as store:
            store.prepare()
            return KeyBook(store).any_live()
    except StoreError as error:
        refuse(str(error))


@app.command()
def check_plate(
    question: Annotated[Path, typer.Argument(metavar="CHECK.json", help="The plate and what is to be checked; '-' reads standard input.")],
    out: AnswerOut = None,
) -> None:
    """Check a plate before a fixture is built: mills, nests, mass, lift, rhythm.

    Exit code 1 where no machine takes it or no piece fits on it, 2 where the input has faults.
    """
    try:
        answer = checked_plate(read_plate_check(read_bytes(question)))
    except RequestRefused as error:
        refuse_faults(question, error)
    write_text(out, answer.model_dump_json(indent=2) + "\n")
    for warning in answer.warnings:
        say(warning.detail)
    raise typer.Exit(FINDINGS if any(warning.code in _HOPELESS for warning in answer.warnings) else WELL)
