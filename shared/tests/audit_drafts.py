"""A request and a plan that a test bends by one fault."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

from platerota_shared.plan import Plan, Run, Task
from platerota_shared.tables import Closure, PlanRequest

from .audit_plans import NOW, described
from .audit_weeks import WEEKS


@dataclass(frozen=True)
class Draft:
    """Each method gives a bent copy. Times are seconds after `now`."""

    request: PlanRequest
    plan: Plan

    @classmethod
    def of(cls, week: str) -> Self:
        return cls(*WEEKS[week]())

    def task(self, name: str) -> Task:
        return next(task for task in self.plan.tasks if task.id == name)

    def with_plan(self, **changes: Any) -> Draft:
        return Draft(self.request, self.plan.model_copy(update=changes))

    def put(self, name: str, **changes: Any) -> Draft:
        """Change fields of a task; `start` alone moves it."""
        task = self.task(name)
        if "start" in changes:
            changes["start"] += NOW
            changes["end"] = changes["end"] + NOW if "end" in changes else changes["start"] + task.end - task.start
        elif "end" in changes:
            changes["end"] += NOW
        bent = task.model_copy(update=changes)
        return self.with_plan(tasks=tuple(bent if other is task else other for other in self.plan.tasks))

    def drop(self, *names: str) -> Draft:
        return self.with_plan(tasks=tuple(task for task in self.plan.tasks if task.id not in names))

    def add(self, task: Task) -> Draft:
        return self.with_plan(tasks=(*self.plan.tasks, task))

    def run(self, name: str, **changes: Any) -> Draft:
        return self.with_plan(runs=tuple(run.model_copy(update=changes) if run.id == name else run for run in self.plan.runs))

    def pieces(self, name: str, **changes: Any) -> Draft:
        """Change the first row of a run."""
        run: Run = next(run for run in self.plan.runs if run.id == name)
        return self.run(name, pieces=(run.pieces[0].model_copy(update=changes), *run.pieces[1:]))

    def order(self, name: str, **changes: Any) -> Draft:
        """Change the result of an order."""
        return self.with_plan(orders=tuple(row.model_copy(update=changes) if row.id == name else row for row in self.plan.orders))

    def asked(self, name: str, **changes: Any) -> Draft:
        """Change an order of the request."""
        orders = tuple(row.model_copy(update=changes) if row.id == name else row for row in self.request.orders)
        return Draft(self.request.model_copy(update={"orders": orders}), self.plan)

    def shop(self, **changes: Any) -> Draft:
        return Draft(self.request.model_copy(update={"shop": self.request.shop.model_copy(update=changes)}), self.plan)

    def chosen(self, table: str, name: str | int) -> Any:
        """A row of the shop, by id or by its place in the table."""
        rows = getattr(self.request.shop, table)
        return rows[name] if isinstance(name, int) else next(row for row in rows if row.id == name)

    def row(self, table: str, name: str | int, **changes: Any) -> Draft:
        """Change a row of the shop."""
        rows, chosen = getattr(self.request.shop, table), self.chosen(table, name)
        return self.shop(**{table: tuple(row.model_copy(update=changes) if row is chosen else row for row in rows)})

    def twin(self, table: str, name: str | int, **changes: Any) -> Draft:
        """Add a row like another one."""
        return self.shop(**{table: (*getattr(self.request.shop, table), self.chosen(table, name).model_copy(update=changes))})

    def floor(self, **changes: Any) -> Draft:
        return Draft(self.request.model_copy(update={"floor": self.request.floor.model_copy(update=changes)}), self.plan)

    def closed(self, start: int, end: int, **what: str) -> Draft:
        return self.shop(closures=(Closure(start=NOW + start, end=NOW + end, **what),))

    def score(self, **changes: Any) -> Draft:
        return self.with_plan(score=self.plan.score.model_copy(update=changes))

    def part(self, name: str) -> Draft:
        """Add ten points to a part of the score, and to the total with it."""
        parts = self.plan.score.parts
        bent = parts.model_copy(update={name: getattr(parts, name) + 10})
        return self.score(parts=bent, total=bent.total())

    def machine_kpis(self, **changes: Any) -> Draft:
        rows = self.plan.kpis.machines
        return self.with_plan(kpis=self.plan.kpis.model_copy(update={"machines": (rows[0].model_copy(update=changes), *rows[1:])}))

    def spindle(self, use: str) -> Draft:
        """Move a second of the first machine to another use."""
        seconds = dict(self.plan.kpis.machines[0].seconds)
        seconds[use] += 1
        seconds["cutting" if use != "cutting" else "no_work"] -= 1
        return self.machine_kpis(seconds=seconds)

    def person(self, **changes: int) -> Draft:
        rows = self.plan.kpis.operators
        row = rows[0].model_copy(update={"seconds": rows[0].seconds | changes})
        return self.with_plan(kpis=self.plan.kpis.model_copy(update={"operators": (row, *rows[1:])}))

    def figures(self, **changes: Any) -> Draft:
        """Change the figures of the shop."""
        assert self.plan.kpis.shop is not None
        return self.with_plan(kpis=self.plan.kpis.model_copy(update={"shop": self.plan.kpis.shop.model_copy(update=changes)}))

    def window(self, run: str, **changes: int) -> Draft:
        """Move ends of a load window by seconds."""
        rows = tuple(
            row.model_copy(update={name: getattr(row, name) + delta for name, delta in changes.items()}) if row.run == run else row
            for row in self.plan.load_windows
        )
        return self.with_plan(load_windows=rows)

    def described(self) -> Draft:
        """With results, lanes, score and figures that follow from the bent tasks, so that only the fault itself is left."""
        return Draft(self.request, described(self.request, self.plan))
