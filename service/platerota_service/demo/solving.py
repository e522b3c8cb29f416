"""The only module of the demo that knows the solver: both plans of a request, with a line for each stage."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from platerota_service.solve_lines import COMPILING
from platerota_service.warming import warm_up
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, Stage
from platerota_shared.tables import PlanRequest
from platerota_solver import Listener, due_date_plan, solve


def both_plans(request: PlanRequest, console: Console) -> tuple[Plan, Plan]:
    """The plan, and the plan of a plain due-date sort.

    Raises
    ------
    RuntimeError
        Where the audit finds that either breaks a rule; nobody is shown such a plan.
    """
    warm_up(lambda: console.print(Text(COMPILING)))
    plans = solve(request, StageLines(console)), due_date_plan(request)
    for plan in plans:
        findings = audit(request, plan)
        if findings:
            raise RuntimeError("the audit refuses this plan: " + "; ".join(map(str, findings[:5])))
    return plans


class StageLines(Listener):
    """Prints a line for each stage of the solver.

    Parameters
    ----------
    console
        Where to print.
    """

    def __init__(self, console: Console) -> None:
        self._console = console

    def stage(self, stage: Stage) -> None:
        """Print what a stage reached: seconds since the start, points, bound."""
        points = f"  {stage.total:,.0f} points" if stage.total is not None else ""
        bound = f"  bound {stage.bound:,.0f}" if stage.bound is not None else ""
        detail = f"  {stage.detail}" if stage.detail else ""
        self._console.print(Text(f"{stage.seconds:6.1f} s  {stage.name}{points}{bound}{detail}"))
