"""Plans a demo week and shows it: the written week, the comparison with a plain due-date sort, and three files."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console
from rich.text import Text

from platerota_service.demo.weeks import request_text
from platerota_service.pictures import gantt_svg, print_comparison, print_week
from platerota_shared.faults import RequestRefused
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.tables import PlanRequest


def run(week: str, out_dir: Path, console: Console) -> int:
    """Solve a demo week, print it, and write its request, plan and picture into `out_dir`.

    Parameters
    ----------
    week
        ``basic`` or ``full``.
    out_dir
        A folder; made where it does not exist.
    console
        Where to print.

    Returns
    -------
    int
        The exit code: 0 well, 1 orders unplaced, 2 no such week, or one that cannot be read.
    """
    try:
        source = request_text(week)
        request = read_request(source)
    except RequestRefused as error:
        for fault in error.faults:
            console.print(Text(f"{fault.pointer}: {fault.detail}; {fault.mend}"))
        return 2
    except ValueError as error:
        console.print(Text(str(error)))
        return 2
    # The solver is loaded here and not with the module, so that the process that answers callers never loads it.
    from platerota_service.demo.solving import both_plans

    console.print(Text(f"Planning {len(request.orders)} orders on {len(request.shop.machines)} mills …"))
    plan, plain = both_plans(request, console)
    print_week(plan, request, console)
    print_comparison(plan, plain, request, console)
    console.print()
    for path, text in _files(week, out_dir, source, plan, request).items():
        path.write_text(text, encoding="utf-8")
        console.print(Text(f"written: {path}"), soft_wrap=True)
    return 0 if all(result.placed for result in plan.orders) else 1


def _files(week: str, out_dir: Path, source: str, plan: Plan, request: PlanRequest) -> dict[Path, str]:
    """What is written where: the picture, the request as it came, the plan."""
    out_dir.mkdir(parents=True, exist_ok=True)
    name = "demo-week" if week == "basic" else f"demo-week-{week}"
    return {
        out_dir / f"{name}.svg": gantt_svg(plan, request),
        out_dir / f"{name}-request.json": source,
        out_dir / f"{name}-plan.json": plan.text() + "\n",
    }
