"""The search's choices as words that other tables can be read with: ids in place of rows, and only what is not plain."""

from __future__ import annotations

from typing import Final

import numpy as np

from platerota_shared.plan import Decisions, OrderDecisions
from platerota_solver.kernel.state import LATE_HABITS, Choices, first_choices
from platerota_solver.problem import Problem

_HABITS: Final = {"quota": 2**40, "wait": 1, "share": 1, "room": 2, "late": LATE_HABITS - 1, "hurry": 200}
"""Habits of an order by the name of their array in `Choices`, and the greatest value of each."""


def decisions_of(problem: Problem, choices: Choices) -> Decisions:
    """What `choices` say of the orders, machines, plates and overtime of a problem; what they keep of another plan is left out."""
    shop, orders = problem.request.shop, problem.request.orders
    carriers = [(plate.id, fixture.id) for plate, fixture in problem.carriers]
    turns: list[int] = choices.tokens.tolist()
    plain = first_choices(problem, turns)
    found: list[OrderDecisions] = []
    for row, order in enumerate(orders):
        one = OrderDecisions(
            id=order.id,
            off_machines=tuple(shop.machines[m].id for m in np.flatnonzero(choices.no_machine[row])),
            off_plates=tuple(carriers[c] for c in np.flatnonzero(choices.no_carrier[row])),
            habits={
                name: int(getattr(choices, name)[row]) for name in _HABITS
                if getattr(choices, name)[row] != getattr(plain, name)[row]
            },
        )
        if one != OrderDecisions(id=order.id):
            found.append(one)
    return Decisions(
        turns=tuple(orders[row].id for row in turns), orders=tuple(found), overtime=tuple(
            (operator, at) for (operator, at), row in _overtime(problem).items() if choices.overtime[row]
        ), builds=tuple(carriers[c] for c in np.flatnonzero(choices.build)),
    )


def choices_of(problem: Problem, decisions: Decisions) -> Choices:
    """The choices that the decisions of another plan say for a problem: what it does not have is passed over.

    Orders without a turn are not among the tokens. Nothing is left out, and no run of another plan kept.
    """
    shop = problem.request.shop
    order = {one.id: row for row, one in enumerate(problem.request.orders)}
    machine = {one.id: row for row, one in enumerate(shop.machines)}
    carrier = {(plate.id, fixture.id): row for row, (plate, fixture) in enumerate(problem.carriers)}
    choices = first_choices(problem, [order[name] for name in decisions.turns if name in order])
    for one in decisions.orders:
        if one.id not in order:
            continue
        row = order[one.id]
        choices.no_machine[row, [machine[name] for name in one.off_machines if name in machine]] = 1
        choices.no_carrier[row, [carrier[name] for name in one.off_plates if name in carrier]] = 1
        for name, value in one.habits.items():
            if int(name == "quota") <= value <= _HABITS.get(name, -1):
                getattr(choices, name)[row] = value
    rows = _overtime(problem)
    choices.overtime[[rows[key] for key in decisions.overtime if key in rows]] = 1
    choices.build[[carrier[name] for name in decisions.builds if name in carrier]] = 1
    return choices


def _overtime(problem: Problem) -> dict[tuple[str, int], int]:
    """Rows of `Arrays.lists` that are overtime, by operator and instant."""
    p, now = problem.arrays, problem.request.now
    return {
        (operator.id, now + int(p.lists[row, 0])): row
        for operator, number in zip(problem.request.shop.operators, p.l_overtime, strict=True)
        for row in range(int(p.list_from[number]), int(p.list_from[number + 1]))
    }
