"""The walk: the whole week of a shop with one operator, exact to the second, by dynamic programming over where it stands.

What the operator does is a sequence of loads, places, pulls and unloads, each begun as early as working time, the plate
and the mill allow; the score never falls when something ends later, so some best plan is such a sequence. After each
step the rest of the week depends only on the pieces left, what lies on each plate, who is finished, and the instants at
which operator and mills are free: a *label*. Of two labels of the same state the one that is nowhere earlier and costs no
less is dropped (dominance, as in Held & Karp 1962); so is one whose cost and what is still to come at least
(`walk_bound.to_come`) reach the best plan known. Runs and their pieces are free: nothing limits their number.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from platerota_solver.exact.walk_steps import STEP_COLUMNS, Labels, Room, expand
from platerota_solver.exact.walk_tables import Walk, WalkShop
from platerota_solver.exact.walk_work import WORK_COLUMNS
from platerota_solver.kernel.spans import entry
from platerota_solver.problem import Ints

BUFFER = 1 << 14
"""Children that one call of the compiled expansion has room for."""
BLOCK, ALONE = 4_096, 256
"""Labels expanded between two looks at the clock; up to the smaller number one thread does it."""
WORD = 2**62


@dataclass
class WalkResult:
    """What a walk found.

    Attributes
    ----------
    bound
        No plan scores less, among those below the `limit` it was given.
    total
        Points of the best sequence of steps below the limit, infinite where there is none.
    steps
        Its steps in sequence, columns of `walk_steps`.
    exact
        Whether every label below the limit was looked at: the best sequence is the best of all.
    labels
        Labels kept.
    """

    bound: float
    total: float
    steps: Ints
    exact: bool
    labels: int


@dataclass
class Walking:
    """One walk, layer by layer: every step moves pieces on, so a label's layer (pieces × stages done) only grows.

    Parameters
    ----------
    shop
        The week.
    limit
        Labels that cannot lead below are dropped: the points of the best plan known.
    width
        Labels kept of one layer, those with the least total; None keeps all, and only then the answer is exact.
    most
        Labels expanded in all, for the memory's sake (72 bytes each, beside those that wait).
    stop
        Asked between blocks of work whether to give up.
    """

    shop: WalkShop
    limit: float
    width: int | None
    most: int
    stop: Callable[[int], bool]
    kept: list[tuple[Ints, Ints]] = field(default_factory=list[tuple[Ints, Ints]])  # parents and steps of the labels expanded
    waiting: dict[int, list[Labels]] = field(default_factory=dict[int, list[Labels]])
    labels: int = 0
    threads: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(2))

    def run(self) -> WalkResult:
        """Walk through all layers."""
        w = self.shop.walk
        words, radices = _words(w)
        self.waiting[0] = [first_label(w)]
        last = 5 * int(w.kinds.need.sum())
        dropped = self.limit
        while self.waiting:
            layer = min(self.waiting)
            labels = join(self.waiting.pop(layer))
            if layer == last:
                return self.end(labels, dropped)
            labels = take(labels, _undominated(labels, words, radices))
            if self.width is not None and len(labels.cost) > self.width:
                order = np.argsort(labels.total, kind="stable")
                dropped = min(dropped, float(labels.total[order[self.width]]))
                labels = take(labels, np.sort(order[:self.width]))
            if self.labels + len(labels.cost) > self.most or not self.expand(labels):
                least = min(float(own.total.min()) for rows in (*self.waiting.values(), [labels]) for own in rows)
                return WalkResult(min(dropped, least), np.inf, _no_steps(), False, self.labels)
        return WalkResult(dropped, np.inf, _no_steps(), self.width is None, self.labels)

    def expand(self, labels: Labels) -> bool:
        """Put the children of `labels` among those that wait; False where the caller wants to stop."""
        w, base = self.shop.walk, self.labels
        self.kept.append((labels.parent, labels.step))
        self.labels += len(labels.cost)
        size = len(labels.cost)
        for first in range(0, size, BLOCK):
            block = range(first, min(size, first + BLOCK))
            half = block.start + (len(block) + 1) // 2 if len(block) > ALONE else block.stop
            ranges = [r for r in (range(block.start, half), range(half, block.stop)) if len(r)]
            for made in self.threads.map(partial(children, w, labels, self.limit), ranges):
                made.parent[:] += base
                for layer in np.unique(made.layer):
                    self.waiting.setdefault(int(layer), []).append(take(made, np.flatnonzero(made.layer == layer)))
            if self.stop(len(block)):
                return False
        return True

    def end(self, labels: Labels, dropped: float) -> WalkResult:
        """The best of the labels at which everything is unloaded and finished."""
        best = int(np.argmin(labels.total))
        total = float(labels.total[best])
        steps = [labels.step[best]]
        parent = int(labels.parent[best])
        starts = np.cumsum([0] + [len(parents) for parents, _ in self.kept])
        while parent > 0:
            block = int(np.searchsorted(starts, parent, side="right")) - 1
            parents, own_steps = self.kept[block]
            row = parent - int(starts[block])
            steps.append(own_steps[row])
            parent = int(parents[row])
        return WalkResult(min(total, dropped), total, np.array(steps[::-1]), self.width is None, self.labels)


def children(w: Walk, labels: Labels, limit: float, rows: range) -> Labels:
    """The children of some labels that may lead below the limit."""
    parts, out, room, at = list[Labels](), _labels(w, BUFFER), _room(w), rows.start
    while at < rows.stop:
        until, made = expand(w, labels, at, rows.stop, out, room, limit)
        if until == at:
            out = _labels(w, 4 * len(out.cost))
            continue
        parts.append(take(out, np.arange(made)))
        at = until
    return join(parts)


def _no_steps() -> Ints:
    return np.zeros((0, STEP_COLUMNS), dtype=np.int64)


def _labels(w: Walk, size: int) -> Labels:
    """Columns for `size` labels."""
    def columns(number: int) -> Ints:
        return np.zeros((size, number), dtype=np.int64)

    return Labels(
        state=columns(len(w.kinds.need) + len(w.plate_family) + 1), times=columns(1 + len(w.place)),
        idle=columns(2 * (len(w.family_fills) - 1)), cost=np.zeros(size), total=np.zeros(size),
        parent=np.zeros(size, dtype=np.int64), step=columns(STEP_COLUMNS), layer=np.zeros(size, dtype=np.int64),
    )


def _room(w: Walk) -> Room:
    kinds, sets = len(w.kinds.need), 1 << len(w.order_due)
    return Room(
        state=np.zeros(kinds + len(w.plate_family) + 1, dtype=np.int64), times=np.zeros(1 + len(w.place), dtype=np.int64),
        idle=np.zeros(2 * (len(w.family_fills) - 1), dtype=np.int64),
        counts=np.zeros((3, kinds), dtype=np.int64), asks=np.zeros((6, kinds), dtype=np.int64),
        work=np.zeros(2 * (len(w.place) + kinds), dtype=np.int64), table=np.zeros((sets, kinds, WORK_COLUMNS), dtype=np.int64),
        free=np.zeros(len(w.plate_family), dtype=np.int64), finish=np.zeros(sets, dtype=np.int64), press=np.zeros(sets, dtype=np.int64),
        best=np.zeros(sets), points=np.zeros(sets),
    )


def first_label(w: Walk) -> Labels:
    """The label at now: nothing loaded, everybody free."""
    first = _labels(w, 1)
    first.state[0, :len(w.kinds.need)] = w.kinds.need
    return first


def join(parts: list[Labels]) -> Labels:
    """All rows of several, one after the other."""
    if len(parts) == 1:
        return parts[0]
    return Labels(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def take(labels: Labels, rows: Ints) -> Labels:
    """Some rows of all columns."""
    return Labels(*(column[rows] for column in labels))  # type: ignore[arg-type]


def _words(w: Walk) -> tuple[list[int], list[int]]:
    """For every column of a state the 62-bit word it is packed into, and its radix."""
    number = 2 + 2 * len(w.place)
    radices = [int(n) + 1 for n in w.kinds.need]
    radices += [1 + number * int(w.family_fills[f + 1]) for f in w.plate_family]
    radices.append(1 << len(w.order_due))
    words, word, size = list[int](), 0, 1
    for radix in radices:
        if size * radix >= WORD:
            word, size = word + 1, 1
        size *= radix
        words.append(word)
    return words, radices


def _undominated(labels: Labels, words: list[int], radices: list[int]) -> Ints:
    """Rows of the labels that no other of the same state beats in cost and in every time."""
    keys = np.zeros((max(words) + 1, len(labels.cost)), dtype=np.int64)
    for column, (word, radix) in enumerate(zip(words, radices, strict=True)):
        keys[word] = keys[word] * radix + labels.state[:, column]
    order = np.lexsort((labels.times.sum(axis=1), labels.cost, *keys))
    same = np.ones(len(order), dtype=bool)
    for key in keys:
        same[1:] &= key[order[1:]] == key[order[:-1]]
    same[0] = False
    keep = np.zeros(len(order), dtype=np.int64)
    count = filter_rows(order, same.astype(np.int64), labels.cost, labels.times, keep)
    return np.sort(keep[:count])


@entry
def filter_rows(order: Ints, same: Ints, cost: np.ndarray, times: Ints, keep: Ints) -> int:
    """Write the undominated rows to `keep`; `order` has equal states together (`same`: as the one before), cheapest first."""
    count, group = 0, 0
    for place in range(order.shape[0]):
        row = order[place]
        if same[place] == 0:
            group = count
        beaten = False
        for k in range(group, count):
            other = keep[k]
            beaten = True
            for column in range(times.shape[1]):
                if times[other, column] > times[row, column]:
                    beaten = False
                    break
            if beaten:
                break
        if not beaten:
            keep[count] = row
            count += 1
    return count
