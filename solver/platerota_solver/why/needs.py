"""What one order can be made on and with: its plates, machines and kinds of hand work, in the kernel's numbers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property

import numpy as np

from platerota_shared.tables import Order
from platerota_solver.problem import BENCH, BUILD, EXCHANGE, FIRST_ARTICLE, LOAD, SETUP, UNLOAD, Problem
from platerota_solver.why.trials import seconds_from, spans_of


class Needs:
    """One order of a problem; `items` are its ops with pieces still to cut, or all of them where only runs under way are left."""

    def __init__(self, problem: Problem, row: int) -> None:
        p = problem.arrays
        self._problem, self._p = problem, p
        self.row = row
        self.order: Order = problem.request.orders[row]
        own = range(int(p.o_items[row, 0]), int(p.o_items[row, 1]))
        self.items: Sequence[int] = [item for item in own if p.i_need[item] > 0] or list(own)

    def ways(self, item: int) -> Iterator[tuple[int, int, int]]:
        """Carrier, machine and pieces of a full plate (F3, F5) for every way to cut an op."""
        p, step = self._p, int(self._p.i_step[item])
        for carrier in (int(c) for c in p.step_carriers[p.step_from[step]:p.step_from[step + 1]]):
            for machine in (int(m) for m in np.flatnonzero(p.fits[carrier])):
                pieces = min(max(1, int(p.i_need[item])), int(p.nests[p.c_fixture[carrier], step]))
                if p.s_stock[step] > 0:
                    pieces = min(pieces, int(p.room[carrier, machine] // p.s_stock[step]))
                if pieces > 0:
                    yield carrier, machine, pieces

    def cuts(self, item: int) -> Iterator[tuple[int, int, int]]:
        """Carrier, machine and cut seconds of a full plate (F1)."""
        p, step = self._p, int(self._p.i_step[item])
        for carrier, machine, pieces in self.ways(item):
            seconds = int(p.f_cycle[p.c_fixture[carrier]]) + pieces * int(p.s_cut[step])
            yield carrier, machine, -(-int(p.m_factor[machine, 0]) * seconds // int(p.m_factor[machine, 1]))

    @property
    def release(self) -> int:
        """When the order's material is there, seconds from `now`."""
        return int(self._p.o_release[self.row])

    @cached_property
    def carriers(self) -> list[int]:
        """Every carrier that can hold pieces of the order."""
        return sorted({carrier for item in self.items for carrier, _, _ in self.ways(item)})

    @cached_property
    def machines(self) -> list[int]:
        """Every machine that can cut for the order."""
        return sorted({machine for item in self.items for _, machine, _ in self.ways(item)})

    @cached_property
    def plates(self) -> list[int]:
        """The plates of `carriers`."""
        return sorted({int(self._p.c_plate[carrier]) for carrier in self.carriers})

    @property
    def machine_ids(self) -> tuple[str, ...]:
        """Ids of `machines`."""
        return self.machine_names(self.machines)

    @property
    def plate_ids(self) -> tuple[str, ...]:
        """Ids of `plates`."""
        return tuple(self._problem.request.shop.plates[plate].id for plate in self.plates)

    def machine_names(self, rows: Iterable[int]) -> tuple[str, ...]:
        """Ids of machines by row."""
        return tuple(self._problem.request.shop.machines[row].id for row in rows)

    @cached_property
    def cut_seconds(self) -> int:
        """Seconds of cutting that the order still needs, each op at its best pace, on one spindle."""
        p, total = self._p, 0
        for item in self.items:
            paces = [cut / pieces for (_, _, cut), (_, _, pieces) in zip(self.cuts(item), self.ways(item), strict=True)]
            total += round(int(p.i_need[item]) * min(paces, default=0.0))
        return total

    @cached_property
    def open_seconds(self) -> int:
        """Seconds in which its machines may cut within the horizon, from the order's release on, summed."""
        return sum(seconds_from(self.release, spans_of(self._problem, int(self._p.l_cut[machine]))) for machine in self.machines)

    def kinds(self) -> list[int]:
        """The kinds of hand work (rows of `problem.SKILLS`) that the order may need."""
        p, steps = self._p, [int(self._p.i_step[item]) for item in self.items]
        wanted = {
            LOAD: True, UNLOAD: True, EXCHANGE: any(p.p_stays[plate] < 0 for plate in self.plates),
            SETUP: self.unbroken(SETUP) > 0, FIRST_ARTICLE: self.unbroken(FIRST_ARTICLE) > 0,
            BENCH: any(p.s_bench[step] > 0 for step in steps), BUILD: any(p.c_build[carrier] > 0 for carrier in self.carriers),
        }
        return [kind for kind, holds in wanted.items() if holds]

    def unbroken(self, kind: int) -> int:
        """Seconds of the longest piece of hand work of a kind that no way around avoids."""
        if kind == FIRST_ARTICLE:
            return max((int(self._p.s_first[self._p.i_step[i]]) for i in self.items if self._p.i_first[i]), default=0)
        return max((min(self._hand(kind, *way) for way in ways) for item in self.items if (ways := list(self.ways(item)))), default=0)

    def pausing(self, kind: int) -> int:
        """Seconds of bench work on all pieces, or of the shortest build."""
        p = self._p
        if kind == BENCH:
            return sum(int(p.i_need[item] * p.s_bench[p.i_step[item]]) for item in self.items)
        return min((int(p.c_build[carrier]) for carrier in self.carriers), default=0)

    def _hand(self, kind: int, carrier: int, machine: int, pieces: int) -> int:
        p, fixture = self._p, int(self._p.c_fixture[carrier])
        if kind == LOAD:
            return int(p.f_load[fixture]) + pieces * int(p.f_load_piece[fixture])
        if kind == UNLOAD:
            return int(p.f_unload[fixture]) + pieces * int(p.f_unload_piece[fixture])
        if kind == SETUP:
            return int(p.setup[machine, :, fixture].max())
        return max(int(p.m_place[machine]), int(p.m_pull[machine])) if p.p_stays[p.c_plate[carrier]] < 0 else 0
