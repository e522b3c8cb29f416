"""The order's own time, walked back from its finish: its work, and between two steps of it what each had to wait for.

The stretches found lie end to end from `now` to the finish, so their seconds sum to exactly that.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from platerota_shared.calendars import Span, clip, subtract
from platerota_shared.plan import Task
from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.links import links
from platerota_solver.describe.presence import parts
from platerota_solver.why.blocks import SKILL_OF, Block, Blocks, Taken
from platerota_solver.why.waits import Cause, Wait


@dataclass
class Walker:
    """A plan opened for the question what any of its orders waited for."""

    book: PlanBook
    blocks: Blocks = field(init=False)

    def __post_init__(self) -> None:
        self.blocks = Blocks(self.book)
        self._before: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for earlier, later, lag in links(self.book):
            self._before[later].append((earlier, lag))
        self._orders = {run.id: frozenset(held.order for held in run.pieces) for run in self.book.runs}
        self._ops: dict[tuple[str, str], list[int]] = defaultdict(list)
        for run in self.book.runs:
            for held in run.pieces:
                self._ops[run.id, held.order].append(held.op)

    def waits(self, order: str) -> list[Wait]:
        """What the time of a placed order went into, from `now` to its finish, by start; empty where nothing of it is in the plan."""
        found: list[Wait] = []
        index, cursor = self._last(order)
        seen = set[int]()
        while index is not None:
            seen.add(index)
            task = self.book.tasks[index]
            if cursor > task.end:
                found.append(_stretch("after", f"op {self._op(task, order)}", task.id, task.end, cursor))
            found.extend(self._work(task, order, min(cursor, task.end)))
            cursor = min(cursor, task.start)
            before, ready = self._own_before(index, order, cursor, seen)
            found.extend(self._gap(index, order, (ready, cursor)))
            index, cursor = before, ready
        return sorted((wait for wait in found if wait.seconds > 0), key=lambda wait: wait.start)

    def _last(self, order: str) -> tuple[int | None, int]:
        """The task that the order's finish hangs on, and the finish (F19)."""
        best: tuple[int | None, int] = (None, self.book.request.now)
        for index, task in enumerate(self.book.tasks):
            if order not in self._orders.get(task.run or "", ()) or task.order not in (None, order):
                continue
            lags: list[int] = [0]
            if task.kind == "unload":
                lags = [self.book.after_seconds(order, op) for op in self._ops[task.run or "", order]]
            elif task.kind == "bench":
                lags = [self.book.after_seconds(order, task.op or 0)]
            if task.kind in ("unload", "bench", "first_article") and task.end + max(lags) >= best[1]:
                best = (index, task.end + max(lags))
        return best

    def _own(self, task: Task, order: str, follower: Task) -> bool:
        """Whether `task` is work for the order; a build is where its follower is a run of the order on that plate."""
        if task.kind == "build":
            return order in self._orders.get(follower.run or "", ())
        return order in self._orders.get(task.run or "", ()) and task.order in (None, order)

    def _own_before(self, index: int, order: str, cursor: int, seen: set[int]) -> tuple[int | None, int]:
        """The order's own task that the one at `index` followed, and when that let it go on; without one, `now`.

        Tasks in `seen` are done with: a load and the setup of its run may each seem to follow the other.
        """
        task = self.book.tasks[index]
        candidates = list(self._before[index])
        if task.kind == "setup":
            load = self.book.of_run[task.run or ""].get("load")
            # The load is no rule for the setup, but the two belong to one run and the earlier history hangs on the load.
            candidates += [(load, 0)] if load is not None else []
        own = [
            (min(cursor, self.book.tasks[a].end + lag), a) for a, lag in candidates
            if a not in seen and self._own(self.book.tasks[a], order, task)
        ]
        if not own:
            return None, min(cursor, self.book.request.now)
        ready, before = max(own)
        return before, ready

    def _work(self, task: Task, order: str, until: int) -> list[Wait]:
        """The stretches of an own task before `until`, and its pauses."""
        cause, resource = self._name(task, order)
        worked = clip(parts(task), task.start, until)
        found = [_stretch(cause, resource, task.id, a, b) for a, b in worked]
        for pause in subtract([(task.start, until)], worked) if task.start < until else []:
            who = task.operator or ""
            found.append(Wait(self.blocks.pause_of(who, pause), who, pause[1] - pause[0], None, *pause, SKILL_OF[task.kind]))
        return found

    def _name(self, task: Task, order: str) -> tuple[Cause, str]:
        """What an own task counts as."""
        if task.kind == "setup":
            return "setup", task.machine or ""
        if task.kind == "build":
            return "build", task.plate or ""
        if task.kind == "first_article":
            return "first_article", f"op {task.op}"
        op = self._op(task, order)
        return ("work", order) if op == self.book.ops[self.book.orders[order].part][-1] else ("op_before", f"op {op}")

    def _op(self, task: Task, order: str) -> int:
        """The op of an own task; of a run with several the last."""
        return task.op if task.op is not None else max(self._ops[task.run or "", order])

    def _gap(self, index: int, order: str, gap: Span) -> list[Wait]:
        """The causes of one wait: each instant counts for the strongest that holds there."""
        task = self.book.tasks[index]
        left = [gap] if gap[0] < gap[1] else []
        found: list[Wait] = []
        for block in self.blocks.of(task, gap) if left else ():
            if not left:
                break
            rest = subtract(left, block.spans)
            for a, b in subtract(left, rest):
                found.append(Wait(block.cause, block.resource, b - a, _holder(block, b), a, b, block.skill))
            left = rest
        return found + [self._rest(index, order, span, gap[1]) for span in left]

    def _rest(self, index: int, order: str, span: Span, start: int) -> Wait:
        """A wait in which every resource was free: for another order's pieces in the same run, or for its turn."""
        task = self.book.tasks[index]
        for a, lag in self._before[index]:
            other = self.book.tasks[a]
            if span[1] != start or other.end + lag != start or self._own(other, order, task):
                continue
            if task.kind == "load" and other.kind in ("unload", "bench") and other.plate != task.plate:
                return _stretch("op_before", min(self._orders[other.run or ""]), other.id, *span)
        return _stretch("turn", order, None, *span)


def _stretch(cause: Cause, resource: str, task: str | None, start: int, end: int) -> Wait:
    return Wait(cause, resource, end - start, task, start, end)


def _holder(block: Block, until: int) -> str | None:
    """The task that held the resource last before `until`, else the one that comes too soon after."""
    held: list[Taken] = [taken for taken in block.taken if taken[0] < until]
    if held:
        return max(held, key=lambda taken: (taken[1], taken[0]))[2]
    return min(block.taken)[2] if block.taken else None
