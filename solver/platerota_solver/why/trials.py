"""One order alone in the shop, decoded by the solver's own kernel: as the shop is, and with one thing in the way lifted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from platerota_shared.tables import Closure, Operator, PlanRequest, Shift, Shop
from platerota_solver.kernel.decode import STUCK
from platerota_solver.kernel.state import Choices, first_choices
from platerota_solver.problem import SKILLS, Ints, Problem, build_problem
from platerota_solver.search import Decoder

_EVERY_DAY = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class Trial:
    """Decodes one order at a time in a shop that has nothing to do but what the floor has under way."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem

    def finish(self, order: int) -> int | None:
        """The earliest finish found for order number `order`, seconds from `now`; None where it never fits the horizon.

        Several ways of filling runs are tried, with builds and overtime where there are any: the kernel places each run greedily,
        so this is a plan that works, not a proof that none is earlier.
        """
        decoder = self._decoder(order)
        found = [int(decoder.state.finish[order]) for choices in self._ways(order) if decoder.run(choices) < 0]
        return min(found, default=None)

    def stuck(self, order: int) -> bool:
        """Whether a run of the order that is under way on the floor cannot end within the horizon."""
        decoder = self._decoder(order)
        decoder.run(first_choices(self.problem, [order]))
        return int(decoder.state.placed[order]) == STUCK

    def _decoder(self, order: int) -> Decoder:
        """A decoder with room for the one order only: the state of a whole week would cost more than the decode."""
        p = self.problem.arrays
        return Decoder(replace(self.problem, arrays=p._replace(i_need=np.where(p.i_order == order, p.i_need, 0))))

    def _ways(self, order: int) -> Iterator[Choices]:
        p = self.problem.arrays
        plain = first_choices(self.problem, [order])
        yield plain
        first, last = p.o_items[order]
        if last - first > 1:
            yield plain._replace(wait=np.zeros_like(plain.wait))
        if p.c_build.any() or (p.l_overtime.size and p.list_from[p.l_overtime[0]] < p.list_from[p.l_overtime[-1] + 1]):
            yield plain._replace(build=np.ones_like(plain.build), overtime=np.ones_like(plain.overtime))


@dataclass(frozen=True)
class Change:
    """One thing lifted: what kind, which resource (blank where all of the kind), and the shop without it."""

    kind: str
    resource: str
    trial: Trial


class Changes:
    """The single changes worth trying for an order that does not fit alone; each is built once, when first asked for."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self._request = problem.request
        self._built: dict[tuple[str, str], Change] = {}

    def each(self) -> Iterator[Change]:
        """Every single change, the most particular first."""
        for kind, resource in self._names:
            yield self.get(kind, resource)

    def get(self, kind: str, resource: str = "") -> Change:
        """The change of that kind and resource."""
        if (kind, resource) not in self._built:
            self._built[kind, resource] = Change(kind, resource, Trial(self._changed(kind, resource)))
        return self._built[kind, resource]

    @cached_property
    def _names(self) -> list[tuple[str, str]]:
        shop = self._request.shop
        names = [("material", "")] if any(order.release is not None for order in self._request.orders) else []
        closed = dict.fromkeys((closure.machine or closure.plate or closure.operator or "") for closure in shop.closures)
        names += [("closure", name) for name in closed]
        if len(closed) > 1:
            names.append(("closures", ""))
        if any(machine.unattended_minutes is not None for machine in shop.machines):
            names.append(("unattended", ""))
        return names + [("skill", skill) for skill in SKILLS] + [("plate", ""), ("machine", ""), ("people", ""), ("horizon", "")]

    def _changed(self, kind: str, resource: str) -> Problem:
        problem, request = self._problem, self._request
        if kind == "material":
            return replace(problem, arrays=problem.arrays._replace(o_release=np.zeros_like(problem.arrays.o_release)))
        if kind == "skill":
            return self._helped(resource)
        if kind == "people":
            return self._helped("")
        if kind == "horizon":
            days = 2 * request.settings.horizon_days + 14
            return build_problem(request.model_copy(update={"settings": request.settings.model_copy(update={"horizon_days": days})}))
        return build_problem(request.model_copy(update={"shop": _changed_shop(request.shop, kind, resource)}))

    def _helped(self, skill: str) -> Problem:
        """The shop with one more operator, always there, who can only `skill` (blank: everything); nights stay unattended."""
        request = self._request
        name = "+" + "".join(operator.id for operator in request.shop.operators)
        helper = Operator.model_validate({"id": "+", "skills": (skill,) if skill else ()}).model_copy(update={"id": name})
        shift = Shift.model_validate({"operator": "+", "days": _EVERY_DAY, "start": "00:00", "end": "24:00"}).model_copy(update={"operator": name})
        shop = request.shop.model_copy(update={
            "operators": (*request.shop.operators, helper), "shifts": (*request.shop.shifts, shift),
        })
        helped = build_problem(request.model_copy(update={"shop": shop}))
        old, new = self._problem.arrays, helped.arrays
        cuts = {int(b): spans_of(self._problem, int(a)) for a, b in zip(old.l_cut, new.l_cut, strict=True)}
        return with_spans(helped, cuts)


def _changed_shop(shop: Shop, kind: str, resource: str) -> Shop:
    """The shop with closures, unattended limits, or the number of plates or machines changed."""
    if kind in ("closure", "closures"):
        kept = [row for row in shop.closures if kind == "closure" and _closed(row) != resource]
        return shop.model_copy(update={"closures": tuple(kept)})
    if kind == "unattended":
        return shop.model_copy(update={"machines": tuple(row.model_copy(update={"unattended_minutes": None}) for row in shop.machines)})
    if kind == "plate":
        loose = [row for row in shop.plates if row.stays_in is None]
        return shop.model_copy(update={"plates": (*shop.plates, *(row.model_copy(update={"id": f"{row.id}+"}) for row in loose))})
    twins = [row.model_copy(update={"id": f"{row.id}+"}) for row in shop.machines]
    fixtures = [row.model_copy(update={"machines": (*row.machines, *(f"{name}+" for name in row.machines))}) for row in shop.fixtures]
    return shop.model_copy(update={"machines": (*shop.machines, *twins), "fixtures": tuple(fixtures)})


def _closed(row: Closure) -> str:
    return row.machine or row.plate or row.operator or ""


def spans_of(problem: Problem, number: int) -> Ints:
    """The spans of calendar list `number`: rows of start and end, seconds from `now`."""
    p = problem.arrays
    return p.lists[p.list_from[number]:p.list_from[number + 1]]


def with_spans(problem: Problem, changed: Mapping[int, Ints]) -> Problem:
    """The problem with some of its calendar lists replaced, by number."""
    count = len(problem.arrays.list_from) - 1
    lists: Sequence[Ints] = [changed.get(number, spans_of(problem, number)) for number in range(count)]
    offsets = np.concatenate([[0], np.cumsum([len(spans) for spans in lists])]).astype(np.int64)
    flat = np.concatenate([spans.reshape(-1, 2) for spans in lists]) if lists else problem.arrays.lists
    return replace(problem, arrays=problem.arrays._replace(lists=flat.astype(np.int64), list_from=offsets))


def as_spans(rows: Iterable[tuple[int, int]]) -> Ints:
    """Spans as rows of an array."""
    return np.array(list(rows), dtype=np.int64).reshape(-1, 2)
