"""Search over the dispatcher's choices: change a few, decode again, keep what scores less.

Simulated annealing (Kirkpatrick, Gelatt & Vecchi 1983, Science 220:671–680) over the sequence in which orders claim
resources and over what each order may use. Moves are drawn by how well they have done lately (adaptive weights: Ropke &
Pisinger 2006, Transportation Science 40:455–472). A decode takes a millisecond or so, so thousands are tried.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from platerota_solver.decoding import Decoder, copy_choices
from platerota_solver.kernel.state import CARRIER, CUT_AT, ITEM, LATE_HABITS, MACHINE, PIECES_RUN, ROWS, Choices

HURRIES = (0, 50, 80, 100, 120, 200)
"""Percent of a run's worth that may be credited to its pieces when runs are compared."""
MOVE_DECAY = 0.9
"""Share of a move's weight that stays after a round in which it brought nothing."""


@dataclass
class Annealing:
    """One thread's search; `best` is always a set of choices that fits.

    Parameters
    ----------
    decoder
        The thread's own decoder.
    start
        Choices that fit the horizon.
    seed
        The same seed gives the same walk.
    """

    decoder: Decoder
    start: Choices
    seed: int
    warm: float = 0.001
    cold: float = 0.00002
    tried: int = 0
    best: Choices = field(init=False)
    best_points: float = field(init=False)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)
        self._begin(copy_choices(self.start))
        self.best, self.best_points = self.now, self.now_points
        moves = [
            self._hasten, self._hasten_portion, self._yield, self._move_order, self._move_token, self._swap, self._keep_off, self._habit,
            self._skip,
        ]
        if len(self.decoder.problem.arrays.lists) and self._overtime_rows().size:
            moves.append(self._overtime)
        if self.decoder.problem.arrays.c_build.any():
            moves.append(self._build)
        self.free = np.ones(len(self.start.keep), dtype=np.int64)
        self.free[list(self.decoder.problem.frozen)] = 0
        if self.free.any():
            moves += [self._release, self._release, self._retain, self._before]
        self.habits = [self._habits(order) for order in range(len(self.start.quota))]
        self.weights = [1.0] * len(moves)
        self.steps = moves

    def round(self, progress: float, tries: int) -> bool:
        """Try `tries` changes at the temperature of `progress` (0 to 1); whether the best improved."""
        before = self.best_points
        heat = self.warm * (self.cold / self.warm) ** min(1.0, progress)
        for _ in range(tries):
            self._try(heat)
        return self.best_points < before

    def adopt(self, choices: Choices, score: float) -> None:
        """Go on from a better plan that another thread found."""
        if score < self.best_points:
            self.best, self.best_points = choices, score
            self._begin(choices)

    def _begin(self, choices: Choices) -> None:
        """Stand at choices, decoded and marked."""
        self._at = self.decoder.track(choices)
        self.now, self.now_points = choices, self._at.points
        self.wished = self._wish_points()
        self._note_costs()

    def _try(self, heat: float) -> None:
        self.tried += 1
        move = self.random.choices(range(len(self.steps)), self.weights)[0]
        trial = copy_choices(self.now)
        self.steps[move](trial)
        if self.random.random() < 0.25:
            self.steps[self.random.randrange(len(self.steps))](trial)
        scale = max(1e-9, heat * (self.best_points - self.wished))
        limit = self.now_points - scale * math.log(1.0 - self.random.random())  # the worst that is accepted, drawn beforehand
        score = self._at.try_out(trial, limit + 1e-6)
        gained = score < self.now_points - 1e-9
        self.weights[move] = max(0.1, MOVE_DECAY * self.weights[move] + (1 - MOVE_DECAY) * (3.0 if gained else 0.3))
        if score <= limit:
            self._at.accept(trial, score)
            self.now, self.now_points = trial, score
            self._note_costs()
            if score < self.best_points - 1e-9:
                self.best, self.best_points, self.wished = trial, score, self._wish_points()

    def _wish_points(self) -> float:
        """What the wish costs in the schedule just decoded: no part of what a worse plan is measured by."""
        wish = self.decoder.problem.wish
        return 0.0 if wish is None else wish.finish * int(self.decoder.state.finish[wish.order])

    def _note_costs(self) -> None:
        """What each order's lateness costs in the schedule just accepted, how early the others are, and which runs are whose."""
        p, state = self.decoder.problem.arrays, self.decoder.state
        self.finish = finish = state.finish.copy()
        pieces = state.pieces[:state.counts[ROWS]]
        self.owners = p.i_order[pieces[:, ITEM]]
        self.used = state.runs[pieces[:, PIECES_RUN]][:, (CARRIER, MACHINE)]
        late = np.maximum(0, finish - p.o_due) * self.decoder.rates.late
        self.late = late + 0.02 * finish * self.decoder.rates.finish
        self.spare = np.maximum(0, p.o_due - finish).astype(np.float64)

    def _drawn(self, weights: np.ndarray[tuple[int], np.dtype[np.float64]]) -> int:
        """An order drawn in proportion to weights; any one where all are 0."""
        if not len(weights) or weights.sum() <= 0:
            return self._order()
        return self.random.choices(range(len(weights)), weights.tolist())[0]

    def _put(self, c: Choices, order: int, to: int) -> None:
        """All tokens of an order go to place `to` among the others."""
        own, rest = c.tokens[c.tokens == order], c.tokens[c.tokens != order]
        c.tokens[:] = np.concatenate([rest[:to], own, rest[to:]])

    def _hasten(self, c: Choices) -> None:
        """An order whose lateness costs much claims its resources earlier."""
        order = self._drawn(self.late)
        at = int(np.flatnonzero(c.tokens == order)[0])
        self._put(c, order, self.random.randint(0, at) if self.random.random() < 0.5 else max(0, at - self.random.randint(1, 8)))

    def _hasten_portion(self, c: Choices) -> None:
        """The last portion of a costly order claims its resources earlier."""
        places = np.flatnonzero(c.tokens == self._drawn(self.late))
        if not len(places):
            return
        at = int(places[self.random.randrange(len(places))])
        to = self.random.randint(0, at)
        token = c.tokens[at]
        rest = np.delete(c.tokens, at)
        c.tokens[:] = np.concatenate([rest[:to], [token], rest[to:]])

    def _yield(self, c: Choices) -> None:
        """An order with time to spare lets others go first."""
        order = self._drawn(self.spare)
        at = int(np.flatnonzero(c.tokens == order)[0])
        others = int((c.tokens != order).sum())
        self._put(c, order, self.random.randint(min(at, others), others))

    def _order(self) -> int:
        return self.random.randrange(len(self.now.quota))

    def _move_order(self, c: Choices) -> None:
        """All tokens of an order go to another place in the sequence, mostly near."""
        order = int(c.tokens[self.random.randrange(len(c.tokens))])
        at = int(np.flatnonzero(c.tokens == order)[0])
        rest = int((c.tokens != order).sum())
        self._put(c, order, max(0, min(rest, at + self._distance(rest))))

    def _move_token(self, c: Choices) -> None:
        """One portion of an order goes to another place."""
        at = self.random.randrange(len(c.tokens))
        to = max(0, min(len(c.tokens) - 1, at + self._distance(len(c.tokens))))
        token = c.tokens[at]
        rest = np.delete(c.tokens, at)
        c.tokens[:] = np.concatenate([rest[:to], [token], rest[to:]])

    def _distance(self, size: int) -> int:
        """A signed distance: near ones often, any at times."""
        far = self.random.random() < 0.3
        reach = size if far else max(2, size // 8)
        return self.random.choice((-1, 1)) * self.random.randint(1, max(1, reach))

    def _swap(self, c: Choices) -> None:
        """Two orders change places in the sequence."""
        one, two = self._order(), self._order()
        first, second = c.tokens == one, c.tokens == two
        if first.sum() == second.sum():
            c.tokens[first], c.tokens[second] = two, one
            return
        self._move_order(c)

    def _keep_off(self, c: Choices) -> None:
        """An order keeps off a plate or a mill that it is on, or comes back to one."""
        order = self._order()
        side = self.random.randrange(2)
        table = c.no_machine if side else c.no_carrier
        off, on = np.flatnonzero(table[order]), self.used[self.owners == order, side]
        columns = off if len(off) and (not len(on) or self.random.random() < 0.5) else on
        if len(columns):
            table[order, columns[self.random.randrange(len(columns))]] ^= 1

    def _habits(self, order: int) -> list[tuple[str, Sequence[int]]]:
        """The habits of an order that may make a difference to it, each with its values."""
        p = self.decoder.problem.arrays
        steps = p.i_step[p.o_items[order, 0]:p.o_items[order, 1]]
        carriers = {int(carrier) for step in steps for carrier in p.step_carriers[p.step_from[step]:p.step_from[step + 1]]}
        habits: list[tuple[str, Sequence[int]]] = [("room", range(3)), ("late", range(LATE_HABITS))]
        if (p.i_ready[p.o_items[order, 0]:p.o_items[order, 1]] >= 0).any():
            habits.append(("wait", range(2)))
        if self.decoder.fellows[order].any():
            habits.append(("share", range(2)))
        if len(carriers) > 1 or p.fits[sorted(carriers)].sum() > 1:
            habits.append(("hurry", HURRIES))
        return habits

    def _habit(self, c: Choices) -> None:
        """How an order fills its runs and fetches its plates: wait for pieces, share nests, leave visits open, prefer full plates."""
        order = self._order()
        name, values = self.random.choice(self.habits[order])
        habit = getattr(c, name)
        habit[order] = self.random.choice([value for value in values if value != habit[order]])

    def _skip(self, c: Choices) -> None:
        """An order that was left out is tried again, first in the sequence."""
        out = np.flatnonzero(c.skip)
        if len(out) == 0:
            self._move_order(c)
            return
        order = int(out[self.random.randrange(len(out))])
        c.skip[order] = 0
        self._put(c, order, self.random.randrange(len(c.tokens)))

    def _overtime_rows(self) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        p = self.decoder.problem.arrays
        if not p.l_overtime.size:
            return np.zeros(0, dtype=np.int64)
        return np.arange(int(p.list_from[p.l_overtime[0]]), int(p.list_from[p.l_overtime[-1] + 1]), dtype=np.int64)

    def _overtime(self, c: Choices) -> None:
        """An overtime shift is opened or closed, early ones more often."""
        rows = self._overtime_rows()
        row = int(rows[min(len(rows) - 1, int(self.random.expovariate(1.0) * max(1, len(rows) / 6)))])
        c.overtime[row] ^= 1

    def _near(self, rows: np.ndarray[tuple[int], np.dtype[np.int64]]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Some of these runs of the plan that is kept: one order's, or those cut around one of them, in the shop or on its mill."""
        p = self.decoder.problem.arrays
        order = self._drawn(self.late)
        own = rows[self.decoder.holds[order, rows]]
        anchor = int(own[self.random.randrange(len(own))]) if len(own) and self.random.random() < 0.5 else int(self.random.choice(rows))
        pick = self.random.randrange(3)
        if pick == 0:
            return rows[(self.decoder.holds[:, rows] & self.decoder.holds[:, [anchor]]).any(axis=0)]
        at = p.k_runs[anchor, CUT_AT]
        if not len(own) and self.random.random() < 0.5:  # a costly order of which nothing is kept: who stands in its way?
            at = self.random.randint(0, max(1, int(self.finish[order])))
        if pick == 1 and len(own):
            rows = rows[p.k_runs[rows, MACHINE] == p.k_runs[anchor, MACHINE]]
        near = np.argsort(np.abs(p.k_runs[rows, CUT_AT] - at), kind="stable")
        return rows[near[:self.random.randint(1, 10)]]

    def _release(self, c: Choices) -> None:
        """Some runs of the plan that is kept are let go: their pieces claim resources anew."""
        rows = np.flatnonzero((c.keep > 0) & (self.free > 0))
        if not len(rows):
            self._move_order(c)
            return
        p, picked = self.decoder.problem.arrays, self._near(rows)
        for order in np.flatnonzero(self.decoder.holds[:, picked].any(axis=1) & self.decoder.ragged):
            # Its run with empty nests is its last one, and shall be so again: what comes later is let go too.
            first = min(p.k_runs[row, CUT_AT] for row in picked if self.decoder.holds[order, row])
            picked = np.union1d(picked, rows[self.decoder.holds[order, rows] & (p.k_runs[rows, CUT_AT] >= first)])
        c.keep[picked] = 0

    def _before(self, c: Choices) -> None:
        """Orders whose lateness costs much claim their resources before what is kept does; or nothing does any more."""
        c.before[0] = self.random.randrange(4)
        if c.before[0]:
            self._put(c, self._drawn(self.late), 0)

    def _retain(self, c: Choices) -> None:
        """Some that were let go are kept again."""
        rows = np.flatnonzero((c.keep == 0) & (self.free > 0))
        if len(rows):
            c.keep[self._near(rows)] = 1
        else:
            self._move_order(c)

    def _build(self, c: Choices) -> None:
        """A build on a blank plate is allowed or given up."""
        possible = np.flatnonzero(self.decoder.problem.arrays.c_build)
        c.build[int(possible[self.random.randrange(len(possible))])] ^= 1


@dataclass
class Walks:
    """One thread's search: several starts side by side, then the best go on (halving: Karnin, Koren & Somekh 2013).

    The landscape has cliffs (an order that misses Friday waits for Monday), so where a walk begins matters more than how
    long it goes on: ten short walks and one long one beat one long one by a sixth on the medium family, and two dozen in
    the first three fifths beat ten.
    """

    decoder: Decoder
    starts: list[Choices]
    seed: int
    number: int
    _walks: list[Annealing] = field(init=False)

    def __post_init__(self) -> None:
        self.decoder.walks = self.number
        self._walks = [Annealing(self.decoder, self.starts[k % len(self.starts)], self.seed + k) for k in range(self.number)]
        self._turn = 0

    @property
    def tried(self) -> int:
        """Changes tried so far."""
        return sum(walk.tried for walk in self._walks)

    @property
    def _leader(self) -> Annealing:
        return min(self._walks, key=lambda walk: walk.best_points)

    @property
    def best(self) -> Choices:
        """The best choices found."""
        return self._leader.best

    @property
    def best_points(self) -> float:
        """Their points as the kernel counts them."""
        return self._leader.best_points

    def step(self, progress: float, start_share: float, tries: int) -> None:
        """Some tries at `progress` (0 to 1): of the starts in turn, two thirds of them dropped half-way, then of the leader."""
        if progress < start_share:
            kept = self.number if progress < start_share / 2 else max(1, self.number // 3)
            alive = sorted(self._walks, key=lambda walk: walk.best_points)[:kept]
            self._turn += 1
            alive[self._turn % len(alive)].round(progress, tries)
            return
        self._leader.round(progress, tries)

    def adopt(self, other: Walks) -> None:
        """Go on from another thread's best where that is better."""
        self._leader.adopt(other.best, other.best_points)
