"""One order alone in the shop, decoded by the solver's own kernel: as the shop is, and with one thing in the way lifted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from platerota_shared.tables import Closure, Operator, Shift, Shop
from platerota_solver.decoding import Decoder
from platerota_solver.kernel import state as col
from platerota_solver.kernel.decode import STUCK
from platerota_solver.kernel.state import Choices, first_choices
from platerota_solver.problem import SKILLS, Ints, Problem, build_problem
from platerota_solver.schedule import tidied

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
        return min((self._reached(decoder, choices, order) for choices in self._ways(order) if decoder.run(choices) < 0), default=None)

    def _reached(self, decoder: Decoder, choices: Choices, order: int) -> int:
        """The finish in a tidied schedule, as a plan would show it (F19)."""
        p, schedule = self.problem.arrays, decoder.schedule(choices)
        schedule = tidied(decoder.problem, decoder.state, choices, schedule)
        ends = [0]
        for row in schedule.pieces:
            item = int(row[col.ITEM])
            if int(p.i_order[item]) == order:
                ready = int(row[col.BENCH_END] if row[col.BENCH_BY] >= 0 else schedule.runs[row[col.PIECES_RUN]][col.UNLOAD_END])
                checked = int(row[col.FIRST_END]) if row[col.FIRST_BY] >= 0 else 0
                ends.append(max(ready + int(p.s_after[p.i_step[item]]), checked))
        return max(ends)

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
    """One thing lifted: what kind, which resources (the skill for people, empty where all of the kind), and the shop without it."""

    kind: str
    resources: tuple[str, ...]
    trial: Trial


class Changes:
    """The single changes worth trying for an order that does not fit alone; each is built once, when first asked for."""

    def __init__(self, problem: Problem) -> None:
        self._problem = problem
        self._request = problem.request
        self._built: dict[tuple[str, tuple[str, ...]], Change] = {}

    def each(self, skills: Sequence[str]) -> Iterator[Change]:
        """Every single change, the most particular first; of hand work only the kinds in `skills`."""
        for kind, resources in self._names:
            if kind == "skill" and resources[0] not in skills:
                continue
            if (kind, resources) not in self._built:
                self._built[kind, resources] = Change(kind, resources, Trial(self._changed(kind, resources)))
            yield self._built[kind, resources]

    @cached_property
    def _names(self) -> list[tuple[str, tuple[str, ...]]]:
        shop = self._request.shop
        released = any(order.release is not None for order in self._request.orders)
        names: list[tuple[str, tuple[str, ...]]] = [("material", ())] if released else []
        closed = tuple(dict.fromkeys(closed_resource(closure) for closure in shop.closures))
        names += [("closure", (name,)) for name in closed]
        if len(closed) > 1:
            names.append(("closure", closed))
        if any(machine.unattended_minutes is not None for machine in shop.machines):
            names.append(("unattended", ()))
        # A second plate or machine is a smaller change than somebody who is always there.
        return [*names, ("plate", ()), ("machine", ()), *(("skill", (skill,)) for skill in SKILLS), ("people", ()), ("horizon", ())]

    def _changed(self, kind: str, resources: tuple[str, ...]) -> Problem:
        problem, request = self._problem, self._request
        if kind == "material":
            return replace(problem, arrays=problem.arrays._replace(o_release=np.zeros_like(problem.arrays.o_release)))
        if kind == "skill":
            return self._helped(resources[0])
        if kind == "people":
            return self._helped("")
        if kind == "horizon":
            days = 2 * request.settings.horizon_days + 14
            return build_problem(request.model_copy(update={"settings": request.settings.model_copy(update={"horizon_days": days})}))
        return build_problem(request.model_copy(update={"shop": _changed_shop(request.shop, kind, resources)}))

    def _helped(self, skill: str) -> Problem:
        """The shop with one more operator, always there, who can only `skill` (blank: everything); nights stay unattended."""
        request = self._request
        helper = Operator.model_validate({"id": _unused_name(request.shop), "skills": (skill,) if skill else ()})
        shift = Shift.model_validate({"operator": helper.id, "days": _EVERY_DAY, "start": "00:00", "end": "24:00"})
        shop = request.shop.model_copy(update={
            "operators": (*request.shop.operators, helper), "shifts": (*request.shop.shifts, shift),
        })
        helped = build_problem(request.model_copy(update={"shop": shop}))
        old, new = self._problem.arrays, helped.arrays
        cuts = {int(b): spans_of(self._problem, int(a)) for a, b in zip(old.l_cut, new.l_cut, strict=True)}
        return with_spans(helped, cuts)


def _changed_shop(shop: Shop, kind: str, resources: tuple[str, ...]) -> Shop:
    """The shop with closures, unattended limits, or the number of plates or machines changed."""
    if kind == "closure":
        return shop.model_copy(update={"closures": tuple(row for row in shop.closures if closed_resource(row) not in resources)})
    if kind == "unattended":
        return shop.model_copy(update={"machines": tuple(row.model_copy(update={"unattended_minutes": None}) for row in shop.machines)})
    if kind == "plate":
        loose = [row for row in shop.plates if row.stays_in is None]
        return shop.model_copy(update={"plates": (*shop.plates, *(row.model_copy(update={"id": f"{row.id}+"}) for row in loose))})
    twins = [row.model_copy(update={"id": f"{row.id}+"}) for row in shop.machines]
    fixtures = [row.model_copy(update={"machines": (*row.machines, *(f"{name}+" for name in row.machines))}) for row in shop.fixtures]
    return shop.model_copy(update={"machines": (*shop.machines, *twins), "fixtures": tuple(fixtures)})


def _unused_name(shop: Shop) -> str:
    """A short id that no operator has."""
    names = {operator.id for operator in shop.operators}
    return next(name for number in range(len(names) + 1) if (name := f"helper {number}") not in names)


def closed_resource(row: Closure) -> str:
    """The id of what a closure closes, blank for the whole shop."""
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


def seconds_from(since: int, spans: Ints) -> int:
    """Seconds of `spans` from `since` on."""
    return int((spans[:, 1] - np.maximum(spans[:, 0], since)).clip(min=0).sum())


def as_spans(rows: Iterable[tuple[int, int]]) -> Ints:
    """Spans as rows of an array."""
    return np.array(list(rows), dtype=np.int64).reshape(-1, 2)
