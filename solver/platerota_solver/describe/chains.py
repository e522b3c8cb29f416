"""What follows what within a run and on a plate, and the one order of tasks that every sequence of the plan agrees with."""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from platerota_shared.plan import Run, Task

Link = tuple[int, int, int]
"""``(earlier, later, lag)``: the later task (by index) starts at least `lag` seconds after the earlier one ends."""

CHAIN: Final = ("load", "place", "cut", "pull", "unload")
"""The kinds of one trip of a plate, in order (F2)."""

ON_PLATE: Final = frozenset(("build", *CHAIN))
"""The kinds that occupy a plate."""

# Tasks of 0 seconds at one instant: what frees a place, a piece or a plate goes before what needs it. Loads go last: where cuts take no
# time either, a place may be what brings the pieces of the next load.
_FREEING: Final = ("pull", "unload", "first_article", "bench", "build", "setup", "cut", "place", "load")
_RANK: Final = {kind: rank for rank, kind in enumerate(_FREEING)}


def chain_links(runs: Sequence[Run], tasks: Sequence[Task]) -> list[Link]:
    """The links inside every run (F2, F15) and between the runs and builds of one plate (F4, F16), by index into `tasks`."""
    chains: dict[str, dict[str, int]] = defaultdict(dict)
    after: dict[str, list[int]] = defaultdict(list)
    builds: dict[str, list[int]] = defaultdict(list)
    for index, task in enumerate(tasks):
        if task.kind == "build":
            builds[task.plate or ""].append(index)
        elif task.kind in ("bench", "first_article"):
            after[task.run or ""].append(index)
        else:
            chains[task.run or ""][task.kind] = index
    links: list[Link] = []
    visits: dict[str, list[tuple[int, int, int, int, int]]] = defaultdict(list)
    for plate, made in builds.items():
        visits[plate].extend((tasks[index].start, tasks[index].end, -1, index, index) for index in made)
    for number, run in enumerate(runs):
        chain = [chains[run.id][kind] for kind in CHAIN if kind in chains[run.id]]
        if not chain:
            continue
        links.extend((a, b, 0) for a, b in pairwise(chain))
        links.extend((chain[-1], index, 0) for index in after[run.id])
        if "setup" in chains[run.id] and "cut" in chains[run.id]:
            links.append((chains[run.id]["setup"], chains[run.id]["cut"], 0))
        visits[run.plate].append((tasks[chain[0]].start, tasks[chain[-1]].end, number, chain[0], chain[-1]))
    for stays in visits.values():
        stays.sort()
        links.extend((a[4], b[3], 0) for a, b in pairwise(stays))
    links.extend(_set_up_first(tasks))
    return links


def _set_up_first(tasks: Sequence[Task]) -> Iterator[Link]:
    """F8: of cuts of 0 seconds at one instant of a machine the one that it was set up for comes first."""
    ready = _set_up(tasks)
    meets: dict[tuple[str | None, int], list[int]] = defaultdict(list)
    for index, task in enumerate(tasks):
        if task.kind == "cut" and task.start == task.end:
            meets[task.machine, task.start].append(index)
    for cuts in meets.values():
        yield from ((a, b, 0) for a in cuts if tasks[a].run in ready for b in cuts if tasks[b].run not in ready)


def _set_up(tasks: Sequence[Task]) -> set[str | None]:
    """The runs that a machine is set up for."""
    return {task.run for task in tasks if task.kind == "setup"}


def in_sequence(tasks: Sequence[Task], links: Sequence[Link]) -> list[int]:
    """The indices of `tasks` by start, ties (tasks of 0 seconds) in an order that keeps every link.

    Of two tasks of a kind the one whose plate leaves its machine first goes first: where all of a run lies at one instant, its plate is
    gone again before the next one is placed; of two such runs the one that the machine was set up for. Links that run in a circle
    cannot be kept by any plan; the tasks on one follow at the end, by start.
    """
    waits = [0] * len(tasks)
    later: dict[int, list[int]] = defaultdict(list)
    for a, b, _ in links:
        waits[b] += 1
        later[a].append(b)

    leaves: dict[str | None, int] = {}
    for task in tasks:
        if task.machine is not None:
            leaves[task.run] = max(leaves.get(task.run, task.end), task.end)

    ready = _set_up(tasks)

    def key(index: int) -> tuple[int, int, int, int, bool, int]:
        task = tasks[index]
        return (task.start, task.end, _RANK[task.kind], leaves.get(task.run, task.end), task.run not in ready, index)

    heap = [key(index) for index in range(len(tasks)) if waits[index] == 0]
    heapq.heapify(heap)
    order: list[int] = []
    while heap:
        index = heapq.heappop(heap)[-1]
        order.append(index)
        for follower in later[index]:
            waits[follower] -= 1
            if waits[follower] == 0:
                heapq.heappush(heap, key(follower))
    order.extend(sorted((index for index in range(len(tasks)) if waits[index] > 0), key=key))
    return order
