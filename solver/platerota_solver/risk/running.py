"""A plan run in many simulated weeks at once: one pass over its tasks, each an array over the weeks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platerota_shared.risks import RisksQuestion
from platerota_solver.risk.chances import Stopping, factors
from platerota_solver.risk.network import Network, Step
from platerota_solver.risk.openings import Ints

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Weeks:
    """What happened. Every array is tasks × weeks; instants are seconds after `now`, `NEVER` or later beyond the horizon.

    `taken` is the seconds of work without stops, `stood` those of stops. `wait` is which of its waits (index) a task started after, -1 for
    none of them; `held` by how many seconds that one came after all others; `moved` how many it then waited for its open time.
    """

    starts: Ints
    ends: Ints
    taken: Ints
    stood: Ints
    wait: NDArray[np.int32]
    held: Ints
    moved: Ints


def run_weeks(network: Network, question: RisksQuestion, weeks: int, random: np.random.Generator) -> Weeks:
    """Run the plan in so many `weeks` of chance.

    A task starts when it is allowed to and all it waits for has ended, within its open time by its *planned* length, because that is what
    people know then; what has begun is finished, however long it takes.
    """
    shape = (len(network.steps), weeks)
    taken = _times(network, question, weeks, random)
    starts, ends, stood, held, moved = (np.zeros(shape, dtype=np.int64) for _ in range(5))
    wait = np.full(shape, -1, dtype=np.int32)
    stopping = Stopping(question.stops, network.attended)
    for index, step in enumerate(network.steps):
        ready, held[index] = _ready(step, ends, wait[index])
        starts[index] = _opened(step, ready)
        moved[index] = starts[index] - ready
        if step.cut:
            stood[index] = stopping.standing(starts[index], taken[index], random)
        if step.pauses:
            ends[index] = _paused_end(step, starts[index], taken[index])
        else:
            ends[index] = starts[index] + taken[index] + stood[index]
    return Weeks(starts, ends, taken, stood, wait, held, moved)


def _times(network: Network, question: RisksQuestion, weeks: int, random: np.random.Generator) -> Ints:
    """How long each task takes in each week, whole seconds."""
    shape = (len(network.steps), weeks)
    scale = factors(question.hand, shape, random)
    cuts = network.cuts
    scale[cuts] = factors(question.cut, (len(cuts), weeks), random)
    return np.rint(scale * network.works[:, None]).astype(np.int64)


def _ready(step: Step, ends: Ints, which: NDArray[np.int32]) -> tuple[Ints, Ints]:
    """When all that a task waits for has ended, and how many seconds that was after all but the last; in `which` what ended last."""
    ready = np.full(ends.shape[1], step.earliest, dtype=np.int64)
    second = ready.copy()
    for number, before in enumerate(step.waits):
        end = ends[before.task] + before.lag
        which[end > ready] = number
        np.maximum(second, np.minimum(end, ready), out=second)
        np.maximum(ready, end, out=ready)
    return ready, ready - second


def _opened(step: Step, ready: Ints) -> Ints:
    """The start in open time; the planned one is open whatever the calendars say: what is under way goes on, for one."""
    found = step.opening.resumed(ready) if step.pauses else step.opening.fitting(ready, step.work)
    return np.where((ready <= step.planned) & (found > step.planned), step.planned, found)


def _paused_end(step: Step, start: Ints, taken: Ints) -> Ints:
    # Work that begins at the very end of a span begins in effect at the next one.
    return np.where(taken == 0, start, step.opening.worked_off(step.opening.resumed(start), taken))
