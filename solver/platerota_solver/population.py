"""Many searches of one thread: several starts side by side, the best of them crossed with each other, then the best of all goes on.

The landscape has cliffs (an order that misses Friday waits for Monday), so where a walk begins matters more than how long it goes on.
Starts that fall behind are dropped (halving: Karnin, Koren & Somekh 2013). Those that are left are a population: a child has the turns
of one of them but, between two places of the sequence, those of another (two-point crossover: Hartmann 1998, Naval Research Logistics
45:733–750, cited from memory), walks for as long as a start did, and takes the place of the worst.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field


from platerota_solver.decoding import Decoder, copy_choices
from platerota_solver.kernel.state import Choices
from platerota_solver.search import Annealing

START_SHARE, CROSSED_UNTIL = 0.35, 0.9
"""Shares of a search after which starts are crossed, and after which the best of all goes on."""
TRIES_PER_START, MOST_STARTS = 200, 24
"""Changes that a start should have at least, in the mean, and how many starts a thread has at most."""
POPULATION = 8
LEAST_STARTS = 3
"""Fewer are not crossed."""
COOLED, CHILD_WARMTH = 0.8, 0.5
"""How far a start has cooled down when it is crossed, and a child when it begins (0 warm, 1 cold)."""
PAIRS = 5
"""Pairs that are tried out before a child is given up."""
OF_AN_ORDER = ("no_carrier", "no_machine", "wait", "share", "room", "late", "hurry")
"""Choices of each order that a child takes over from where it has the order's turns from."""


def starts_for(tries: float) -> int:
    """How many starts a search of so many changes begins with."""
    return max(1, min(MOST_STARTS, int(tries * START_SHARE / TRIES_PER_START)))


def crossed(one: Choices, other: Choices, chance: random.Random) -> Choices | None:
    """The turns of `one`, but between two places of the sequence those of `other` that are still to come; None where they have other turns.

    An order with such a turn keeps the habits that it has in the other.
    """
    if (one.quota != other.quota).any() or sorted(one.tokens.tolist()) != sorted(other.tokens.tolist()):
        return None
    size = len(one.tokens)
    first, last = sorted((chance.randint(0, size), chance.randint(0, size)))
    mine, theirs = _turns(one), _turns(other)
    begun = set(mine[:first])
    taken = [turn for turn in theirs if turn not in begun][:last - first]
    rest = set(taken) | begun
    child = copy_choices(one)
    child.tokens[:] = [order for order, _ in (*mine[:first], *taken, *(turn for turn in mine if turn not in rest))]
    orders = sorted({order for order, _ in taken})
    for name in OF_AN_ORDER:
        getattr(child, name)[orders] = getattr(other, name)[orders]
    return child


def _turns(choices: Choices) -> list[tuple[int, int]]:
    """Each turn as its order and which of the order's turns it is."""
    seen: dict[int, int] = {}
    found: list[tuple[int, int]] = []
    for order in choices.tokens.tolist():
        found.append((order, seen.get(order, 0)))
        seen[order] = seen.get(order, 0) + 1
    return found


@dataclass
class Population:
    """One thread's search.

    Parameters
    ----------
    decoder
        The thread's own decoder.
    starts
        Choices that fit the horizon, the best first.
    seed
        The same seed gives the same search where it is stepped in the same way.
    number
        How many walks begin.
    """

    decoder: Decoder
    starts: list[Choices]
    seed: int
    number: int
    tried: int = 0
    _walks: list[Annealing] = field(init=False)
    _child: Annealing | None = None
    _born: float | None = None

    def __post_init__(self) -> None:
        self.decoder.walks = self.number
        self._walks = [Annealing(self.decoder, self.starts[k % len(self.starts)], self.seed + k) for k in range(self.number)]
        self._chance = random.Random(self.seed)
        self._turn = 0

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

    def adopt(self, other: Population) -> None:
        """Go on from another thread's best where that is better."""
        self._leader.adopt(other.best, other.best_points)

    def step(self, progress: float, tries: int) -> None:
        """Some tries at `progress` (0 to 1)."""
        self.tried += tries
        if self.number > 1 and progress < START_SHARE:
            kept = self.number if progress < START_SHARE / 2 else max(1, self.number // 3)
            self._turn += 1
            walk = sorted(self._walks, key=lambda walk: walk.best_points)[self._turn % kept]
            walk.round(COOLED * progress / START_SHARE, tries)
        elif self.number < LEAST_STARTS or progress >= CROSSED_UNTIL or not self._cross(progress, tries):
            self._leader.round(progress, tries)

    def _cross(self, progress: float, tries: int) -> bool:
        """Let the child walk, or have one; False where there can be none."""
        if self._child is None:
            self._walks.sort(key=lambda walk: walk.best_points)
            size = min(POPULATION, self.number - 1)
            self._walks, self._child = self._walks[:size], self._walks[size]
        if self._born is None:
            if not self._begin(self._child):
                return False
            self._born = progress
        age = (progress - self._born) / (START_SHARE / self.number)
        self._child.round(CHILD_WARMTH + (1 - CHILD_WARMTH) * min(1.0, age), tries)
        if age >= 1:
            self._child, self._born = self._ranked(self._child), None
        return True

    def _begin(self, child: Annealing) -> bool:
        """Let the child stand at a cross of two walks, one of them often good; False where no pair gives one that fits."""
        ranked = sorted(self._walks, key=lambda walk: walk.best_points)
        for _ in range(PAIRS):
            first, second = self._chance.sample(ranked, 2)
            one = min(first, self._chance.choice(ranked), key=lambda walk: walk.best_points)
            choices = None if one is second else crossed(one.best, second.best, self._chance)
            if choices is not None and child.restart(choices):
                return True
        return False

    def _ranked(self, child: Annealing) -> Annealing:
        """Put the child in the place of the worst walk where it is better and none is like it; which of them is left over."""
        worst = max(range(len(self._walks)), key=lambda k: self._walks[k].best_points)
        known = any(math.isclose(walk.best_points, child.best_points, abs_tol=1e-6) for walk in self._walks)
        if known or child.best_points >= self._walks[worst].best_points:
            return child
        left, self._walks[worst] = self._walks[worst], child
        return left
