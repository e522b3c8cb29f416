"""The commands about plans in files: plan, replan, audit, risks."""

from __future__ import annotations

import asyncio
import json
from hashlib import sha256
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from platerota_service.command_files import (
    AnswerOut,
    PlanFile,
    PlanOut,
    RequestFile,
    check_target,
    read_bytes,
    read_plan_file,
    read_submission,
    refuse_faults,
    write_text,
)
from platerota_service.command_words import FINDINGS, WELL, refuse, say, settings_or_exit
from platerota_service.engine import Submission
from platerota_service.replans import LONGEST_FROZEN
from platerota_service.risk_process import RISK_CHILD, RisksError, Simulations
from platerota_service.settings import ServiceSettings
from platerota_service.shops.book import written
from platerota_service.solve_lines import COMPILING, Progress
from platerota_service.solve_process import SOLVE_CHILD, Outcome, SolveProcess
from platerota_service.solve_settings import with_moved_task
from platerota_service.workbook import rows_csv
from platerota_shared.audit import audit as audit_plan
from platerota_shared.differences import COLUMNS, Differences, difference_rows, differences
from platerota_shared.document import read_document
from platerota_shared.faults import RequestRefused
from platerota_shared.fields import MOST_POINTS
from platerota_shared.plan import Plan
from platerota_shared.replanning import Replanning, floor_at
from platerota_shared.risks import read_risks_question
from platerota_shared.starts import FROZEN_MINUTES, Start
from platerota_shared.tables import PlanRequest

BaseFile = Annotated[
    Path | None,
    typer.Option(metavar="BASE.json", help="Where PLAN.json is a replan: the plan before it, against which moved tasks count."),
]


def add_plan_commands(app: typer.Typer) -> None:
    """Add the commands of this file to the program."""
    for command in (plan, replan, audit, risks):
        app.command()(command)


def plan(request: RequestFile, out: PlanOut = None) -> None:
    """Plan a week; Ctrl-C ends the optimiser and keeps the best plan so far.

    Exit code 1 where an order is not placed or there is no plan, 2 where the input has faults.
    """
    submission = read_submission(request)
    if out is not None:
        check_target(out)
    made = _made(submission)
    write_text(out, made.text() + "\n")
    _say_summary(made)
    raise typer.Exit(FINDINGS if _say_unplaced(made) else WELL)


def replan(
    request: RequestFile,
    plan: PlanFile,
    now: Annotated[str, typer.Option(metavar="INSTANT", help="When the new plan begins, such as 2027-03-02T10:00:00.")],
    happened: Annotated[
        Path | None,
        typer.Option(metavar="HAPPENED.json", help="Pieces counted, runs that are elsewhere, what is closed; not given: all as planned."),
    ] = None,
    frozen_minutes: Annotated[
        int, typer.Option(min=0, max=LONGEST_FROZEN, help="Minutes from then in which nothing that the plan starts is moved."),
    ] = FROZEN_MINUTES,
    moved_task: Annotated[
        float | None,
        typer.Option(min=0, max=MOST_POINTS, metavar="POINTS", help="For each task that is moved; not given: as REQUEST.json says."),
    ] = None,
    base: BaseFile = None,
    out: PlanOut = None,
    request_out: Annotated[
        Path | None,
        typer.Option(metavar="REQUEST2.json", help="Where the request of the new plan goes: audit and the next replan need it."),
    ] = None,
    changes: Annotated[
        Path | None, typer.Option(metavar="CHANGES.csv", help="Where the list of all that changes goes, with the reasons, as CSV."),
    ] = None,
) -> None:
    """Plan the rest of a week anew, from what has happened; what is under way goes on, and what need not move stays.

    Exit code 1 where an order is not placed, there is no plan or PLAN.json has findings, 2 where the input has faults.
    """
    submission, kept = read_submission(request), read_plan_file(plan)
    _check_valid(submission.request, kept, base, "nothing is replanned")
    for target in (out, request_out, changes):
        if target is not None:
            check_target(target)
    replanning = _floor(with_moved_task(json.loads(submission.text), moved_task), kept, now, happened)
    text = written(replanning.document)
    start = Start(kept, counts_moves=True, frozen_until=replanning.request.now + 60 * frozen_minutes)
    made = _made(Submission(text.encode(), replanning.request, start=start, notes=replanning.notes))
    found = differences(submission.request, kept, replanning.request, made)
    write_text(out, made.text() + "\n")
    if request_out is not None:
        write_text(request_out, text + "\n")
    if changes is not None:
        write_text(changes, rows_csv(COLUMNS, difference_rows(found)).decode())
    for note in replanning.notes:
        say(note.detail)
    _say_changes(found)
    _say_summary(made)
    raise typer.Exit(FINDINGS if _say_unplaced(made) else WELL)


def audit(request: RequestFile, plan: PlanFile, base: BaseFile = None) -> None:
    """Check a plan against every rule of the floor.

    Exit code 1 where it has findings or an order is not placed, 2 where the input has faults.
    """
    submission = read_submission(request)
    checked = read_plan_file(plan)
    findings = audit_plan(submission.request, checked, _base(base))
    for finding in findings:
        print(f"{finding.rule}: {finding.detail}")
    say(f"{len(findings)} findings" if findings else "no findings: the plan is valid")
    unplaced = _say_unplaced(checked)
    raise typer.Exit(FINDINGS if findings or unplaced else WELL)


def risks(
    request: RequestFile,
    plan: PlanFile,
    question: Annotated[
        Path | None, typer.Option(metavar="QUESTION.json", help="Spreads, stops, samples, certainty; every default where not given."),
    ] = None,
    base: BaseFile = None,
    out: AnswerOut = None,
) -> None:
    """Say how sure a plan is: it is run in thousands of simulated weeks, its sequences kept.

    Exit code 1 where the plan has findings or there is no answer, 2 where the input has faults.
    """
    submission, checked = read_submission(request), read_plan_file(plan)
    try:
        asked = read_risks_question(read_bytes(question) if question is not None else b"{}")
    except RequestRefused as error:
        refuse_faults(question or request, error)
    if out is not None:
        check_target(out)
    _check_valid(submission.request, checked, base, "nothing is simulated")
    simulations = Simulations(settings_or_exit(), RISK_CHILD)
    try:
        answer = asyncio.run(simulations.risks(submission.text.decode(), checked.text(), asked))
    except RequestRefused as error:  # what only shows with the plan
        refuse_faults(question or request, error)
    except RisksError as error:
        say(error.detail)
        raise typer.Exit(FINDINGS) from None
    write_text(out, answer.decode() + "\n")


def _base(path: Path | None) -> Plan | None:
    return read_plan_file(path) if path is not None else None


def _check_valid(request: PlanRequest, checked: Plan, base: Path | None, so: str) -> None:
    """Say what the audit finds in a plan, and end with exit code 1 where it finds something."""
    findings = audit_plan(request, checked, _base(base))
    for finding in findings:
        say(f"{finding.rule}: {finding.detail}")
    if findings:
        say(f"the plan is not valid for this request, so {so}")
        raise typer.Exit(FINDINGS)


def _floor(document: dict[str, Any], kept: Plan, now: str, happened: Path | None) -> Replanning:
    """The request to replan with, or words for each fault of the instant and of what has happened, and exit code 2."""
    source = happened or Path("--happened")
    try:
        told = read_document(read_bytes(happened), holds="pieces, runs and closed") if happened is not None else None
        return floor_at(document, kept, now, told)
    except RequestRefused as error:
        _refuse_what_happened(source, error)


def _refuse_what_happened(path: Path, error: RequestRefused) -> NoReturn:
    for fault in error.faults:
        place = "--now" if fault.pointer == "/now" else f"{path}: {fault.pointer.removeprefix('/happened') or '/'}"
        say(f"{place}: {fault.detail}; {fault.mend}")
    refuse(f"{len(error.faults)} faults" if len(error.faults) > 1 else "1 fault")


def _made(submission: Submission) -> Plan:
    """The plan of a request, or words why there is none, and exit code 1."""
    outcome = asyncio.run(_solve(submission, settings_or_exit()))
    for finding in outcome.findings:
        say(f"a plan failed our own audit and is not used: {finding}")
    if outcome.fault is not None:
        say(outcome.fault)
    if outcome.plan is None:
        say("there is no plan")
        raise typer.Exit(FINDINGS)
    # The id follows from what was asked, so that a repeatable request gives the same bytes.
    start = submission.start.text().encode() if submission.start is not None else b""
    return outcome.plan.model_copy(update={"id": sha256(submission.text + start).hexdigest()[:32]})


async def _solve(submission: Submission, settings: ServiceSettings) -> Outcome:
    """Solve in a child; the first Ctrl-C (the runner cancels this task) stops it, and its best plan is kept."""
    start = submission.start.text() if submission.start is not None else None
    process = SolveProcess(submission, settings, SOLVE_CHILD, on_progress=_show, on_compiling=lambda: say(COMPILING), start=start)
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


def _say_changes(found: Differences) -> None:
    for order in (*found.orders.worse, *found.orders.better):
        by = f" by {abs(order.finish_seconds) / 3_600:.1f} hours" if order.finish_seconds is not None else ""
        say(f"order {order.id} is {order.change}{by}")
    counts = {change: sum(row.change == change for row in found.tasks.rows) for change in ("moved", "gone", "new")}
    say(f"tasks: {found.tasks.done} done, {found.tasks.kept} kept, " + ", ".join(f"{count} {change}" for change, count in counts.items()))


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
