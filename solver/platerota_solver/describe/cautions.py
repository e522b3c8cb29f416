"""What a planner should know about a plan: one warning per cause, never a refusal."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import get_args

from platerota_shared.faults import listed
from platerota_shared.fields import Skill
from platerota_shared.lifting import LOAD_CONSTANT, Lift, lifting_index
from platerota_shared.plan import Kpis, Run, Warning_
from platerota_shared.tables import Machine, Plate
from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.presence import parts, seconds_within

_HOUR = 3_600
_SKILL_OF: dict[str, Skill] = {
    "build": "build", "load": "load", "place": "exchange", "setup": "setup", "pull": "exchange", "unload": "unload",
    "first_article": "first_article", "bench": "bench",
}


def cautions(book: PlanBook, kpis: Kpis) -> list[Warning_]:
    """All warnings: lifts of plates, of pieces, masses, margins, orders' dates, unattended cutting, overtime, plates that stay, skills."""
    found = (
        _lifts(book), _pieces(book), _masses(book), _margins(book), _dates(book), _unattended(book, kpis), _overtime(book), _stays(book),
        _single_skills(book),
    )
    return [one for each in found for one in each]


def loaded_mass(book: PlanBook, run: Run) -> float:
    """Plate, hardware and stock of a run in kg."""
    stock = sum(held.pieces * book.operations[held.part, held.op].stock_mass for held in run.pieces)
    return book.plates[run.plate].mass + book.fixtures[run.fixture].mass + stock


def _lifts(book: PlanBook) -> Iterator[Warning_]:
    """A plate that somebody places or pulls and that weighs more than the lifting equation ever allows."""
    heaviest: dict[str, float] = {}
    for run in book.runs:
        if {"place", "pull"} & book.of_run[run.id].keys():
            heaviest[run.plate] = max(heaviest.get(run.plate, 0.0), loaded_mass(book, run))
    for number, plate in enumerate(book.request.shop.plates):
        mass = heaviest.get(plate.id, 0.0)
        if mass > LOAD_CONSTANT:
            yield Warning_(
                code="lift-needs-care", pointer=f"/shop/plates/{number}",
                detail=f"plate '{plate.id}' weighs up to {mass:.1f} kg loaded (plate, hardware and stock) when it is placed or pulled:"
                f" {_care(mass)}",
            )


def _pieces(book: PlanBook) -> Iterator[Warning_]:
    """A piece that somebody loads or unloads, at the bench or in a mill, and that alone weighs more than the equation ever allows."""
    lifted = {
        (held.part, held.op) for run in book.runs if {"load", "unload"} & book.of_run[run.id].keys() for held in run.pieces
    }
    for number, row in enumerate(book.request.shop.operations):
        if (row.part, row.op) in lifted and row.stock_mass > LOAD_CONSTANT:
            yield Warning_(
                code="lift-needs-care", pointer=f"/shop/operations/{number}",
                detail=f"one piece of part '{row.part}' weighs {row.stock_mass:.1f} kg as it is loaded for op {row.op}:"
                f" {_care(row.stock_mass)}",
            )


def _care(mass: float) -> str:
    """What a lift of `mass` kg asks for at least, by which source, and what to do."""
    return (
        f"a lifting index of at least {lifting_index(mass, Lift()):.1f}, and more with reach, twist or many lifts. The revised NIOSH"
        f" lifting equation (DHHS (NIOSH) 94-110) allows one person {LOAD_CONSTANT:.0f} kg under the best conditions. Use a hoist, a cart"
        " or a second person; local rules and a competent person decide."
    )


def _masses(book: PlanBook) -> Iterator[Warning_]:
    """Masses that were left at 0, so that a lift which needs care may have no caution, of runs that somebody places or pulls."""
    lifted = [run for run in book.runs if {"place", "pull"} & book.of_run[run.id].keys()]
    hardware = sorted({run.fixture for run in lifted if not book.fixtures[run.fixture].mass})
    stock = sorted({held.part for run in lifted for held in run.pieces if not book.operations[held.part, held.op].stock_mass})
    missing = [f"{what} {listed(names)}" for what, names in (("the hardware of", hardware), ("the stock of", stock)) if names]
    if missing:
        yield Warning_(
            code="mass-not-given", pointer="/shop/fixtures" if hardware else "/shop/operations",
            detail=f"no mass is given for {' and for '.join(missing)}, so loaded plates weigh more than is said here, and one that is too"
            " heavy for a mill or for one person is not found. Weigh a loaded plate before somebody lifts it; a hoist, a cart or a second"
            " person where it is heavy.",
        )


def _margins(book: PlanBook) -> Iterator[Warning_]:
    """A plate as wide as a travel of a machine it runs on."""
    used: dict[str, set[str]] = defaultdict(set)
    for run in book.runs:
        if run.machine is not None and _margin(book.plates[run.plate], book.machines[run.machine]) == 0:
            used[run.plate].add(run.machine)
    for number, plate in enumerate(book.request.shop.plates):
        if plate.id in used:
            yield Warning_(
                code="no-travel-margin", pointer=f"/shop/plates/{number}",
                detail=f"plate '{plate.id}' is as wide as a travel of {_listed(used[plate.id])}: it fits with no margin, so no tool"
                " can pass its edge there.",
            )


def _margin(plate: Plate, machine: Machine) -> float:
    """The smaller of the two margins of the plate in the machine's travels in mm, in the better orientation."""
    upright = min(machine.travel_x - plate.size_x, machine.travel_y - plate.size_y)
    turned = min(machine.travel_x - plate.size_y, machine.travel_y - plate.size_x)
    return max(upright, turned)


def _dates(book: PlanBook) -> Iterator[Warning_]:
    """Orders that were late before the plan began: due in the past, or their material comes after the due date."""
    for number, order in enumerate(book.request.orders):
        if order.due < book.request.now:
            yield Warning_(
                code="due-before-now", pointer=f"/orders/{number}/due",
                detail=f"order '{order.id}' was due {_hours(book.request.now - order.due)} before the plan begins; it counts as late"
                " until it is finished.",
            )
        if order.release is not None and order.release > order.due:
            yield Warning_(
                code="released-after-due", pointer=f"/orders/{number}/release",
                detail=f"material for order '{order.id}' comes {_hours(order.release - order.due)} after its due date; no plan can"
                " finish it in time.",
            )


def _unattended(book: PlanBook, kpis: Kpis) -> Iterator[Warning_]:
    """Cutting while nobody is in the shop."""
    alone = {row.id: row.unattended_cutting_seconds for row in kpis.machines if row.unattended_cutting_seconds}
    if alone:
        yield Warning_(
            code="unattended-cutting", pointer="/shop/machines",
            detail=f"{sum(alone.values())} s ({_hours(sum(alone.values()))}) of cutting are planned while nobody is there:"
            f" {', '.join(f'{_listed([name])} {seconds} s' for name, seconds in alone.items())}. Fire, coolant, chips and broken tools need"
            " a plan of their own; local codes, the insurer and a competent person decide whether a machine may run alone.",
        )


def _overtime(book: PlanBook) -> Iterator[Warning_]:
    """Overtime that the plan uses, by operator: the hours, the work they hold, and the orders that it is for."""
    carried = {run.id: [held.order for held in run.pieces] for run in book.runs}
    for number, operator in enumerate(book.request.shop.operators):
        seconds: dict[str, int] = defaultdict(int)
        orders: dict[str, None] = {}
        presence = book.presence[operator.id]
        for index in book.by_operator.get(operator.id, ()):
            task = book.tasks[index]
            spent = sum(seconds_within(part, presence.overtime) for part in parts(task))
            seconds[task.kind.replace("_", " ")] += spent
            if spent:
                orders |= dict.fromkeys([task.order] if task.order is not None else carried.get(task.run or "", []))
        total = sum(seconds.values())
        if total:
            work = ", ".join(f"{kind} {_hours(spent)}" for kind, spent in seconds.items() if spent)
            bought = f", for {listed(list(orders))}" if orders else ""
            yield Warning_(
                code="overtime-used", pointer=f"/shop/operators/{number}",
                detail=f"'{operator.id}' works {_hours(total)} of overtime, in {_counted(len(presence.used), 'shift')}: {work}{bought}.",
            )


def _stays(book: PlanBook) -> Iterator[Warning_]:
    """What a plate that stays in its machine costs there: the hand work is done while the spindle stands."""
    for number, plate in enumerate(book.request.shop.plates):
        own = [book.tasks[index] for index in book.on_plate.get(plate.id, ())]
        hands = [task for task in own if task.kind in ("load", "unload") and task.machine is not None]
        seconds = sum(task.end - task.start for task in hands)
        if plate.stays_in is not None and seconds:
            yield Warning_(
                code="plate-stays", pointer=f"/shop/plates/{number}/stays_in",
                detail=f"plate '{plate.id}' stays in machine '{plate.stays_in}': its {len(hands)} loads and unloads stop that spindle for"
                f" {seconds} s ({_hours(seconds)}).",
            )


def _single_skills(book: PlanBook) -> Iterator[Warning_]:
    """An operator without whom a kind of planned work stops, in a shop with several operators."""
    operators = [row for row in book.request.shop.operators if book.presence[row.id].every]
    if len(operators) < 2:
        return
    needed: set[Skill] = {_SKILL_OF[task.kind] for task in book.tasks if task.kind != "cut"}
    for number, operator in enumerate(book.request.shop.operators):
        alone = [skill for skill in get_args(Skill) if skill in needed and [row.id for row in operators if row.can(skill)] == [operator.id]]
        if alone:
            yield Warning_(
                code="only-operator", pointer=f"/shop/operators/{number}/skills",
                detail=f"'{operator.id}' is the only operator on shift with the skill {' and '.join(alone).replace('_', ' ')}; when"
                f" '{operator.id}' is away, that work waits.",
            )


def _listed(machines: set[str] | list[str]) -> str:
    return ("machine " if len(machines) == 1 else "machines ") + ", ".join(f"'{name}'" for name in sorted(machines))


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _hours(seconds: int) -> str:
    """Hours to one decimal, minutes where it is less than one hour."""
    return f"{seconds / _HOUR:.1f} h" if seconds >= _HOUR else f"{seconds / 60:.0f} min"
