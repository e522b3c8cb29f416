"""The numbers of all plans and of who solves them, counted in the store when somebody asks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import sqlalchemy as sa
from prometheus_client.core import GaugeMetricFamily, Metric, SummaryMetricFamily
from prometheus_client.registry import Collector

from platerota_service.store import PlanRow, Store, now_ms
from platerota_service.worker_names import count_workers

_HOUR_MS = 3_600_000
_COUNTED = (
    PlanRow.state, PlanRow.created_ms, PlanRow.started_ms, PlanRow.ended_ms, PlanRow.score, PlanRow.bound, PlanRow.audit, PlanRow.attempts,
)


@dataclass(frozen=True, slots=True, eq=False)
class PlanNumbers(Collector):
    """The plans as they stood when they were counted; times in seconds.

    Attributes
    ----------
    open
        Plans by state, of those that have not ended.
    oldest_seconds
        How long the plan has waited that waits longest; 0 where none does.
    ended
        Plans that ended within the last hour, by state.
    wait, solve, gap
        Count and sum over these plans: seconds in the queue, seconds of the last solve, and the gap between score and bound.
    refused
        Of these, plans of whose solve the audit refused something.
    restarts
        Solves of these plans that were begun again, because the one before was lost.
    workers
        Workers that are at the database.
    """

    open: dict[str, int]
    oldest_seconds: float
    ended: dict[str, int]
    wait: tuple[int, float]
    solve: tuple[int, float]
    gap: tuple[int, float]
    refused: int
    restarts: int
    workers: int

    @classmethod
    def now(cls, store: Store) -> PlanNumbers:
        """Count; work for a thread. Both queries use an index: that of open plans, and that of when plans ended."""
        at = now_ms()
        with store.reading() as session:
            still = session.execute(
                sa.select(PlanRow.state, sa.func.count(), sa.func.min(PlanRow.created_ms))
                .where(PlanRow.state.in_(("waiting", "solving"))).group_by(PlanRow.state)
            ).all()
            ended = session.execute(sa.select(*_COUNTED).where(PlanRow.ended_ms >= at - _HOUR_MS)).all()
        oldest = [created for state, _, created in still if state == "waiting"]
        begun = [row for row in ended if row.started_ms is not None]
        return cls(
            open={"waiting": 0, "solving": 0} | {state: count for state, count, _ in still},
            oldest_seconds=max(0, at - oldest[0]) / 1000 if oldest else 0.0,
            ended={"ready": 0, "failed": 0, "stopped": 0} | Counter(row.state for row in ended),
            wait=_seconds(row.started_ms - row.created_ms for row in begun), solve=_seconds(row.ended_ms - row.started_ms for row in begun),
            gap=_counted((row.score - row.bound) / row.score if row.score else 0.0 for row in ended if None not in (row.score, row.bound)),
            refused=sum(row.audit == "refused" for row in ended), restarts=sum(max(0, row.attempts - 1) for row in ended),
            workers=count_workers(store),
        )

    def collect(self) -> Iterator[Metric]:
        """The numbers as families of metrics."""
        yield _by_state("platerota_plans", "Plans that have not ended, by state.", self.open)
        yield GaugeMetricFamily("platerota_oldest_wait_seconds", "Seconds that the oldest waiting plan waits.", self.oldest_seconds)
        yield _by_state("platerota_plans_ended_last_hour", "Plans that ended within the last hour, by state.", self.ended)
        for name, words, (count, total) in (
            ("wait_seconds", "Seconds in the queue, of plans that ended within the last hour.", self.wait),
            ("solve_seconds", "Seconds of the solve, of plans that ended within the last hour.", self.solve),
            ("gap", "Gap between score and bound (0 to 1), of plans that ended within the last hour.", self.gap),
        ):
            yield SummaryMetricFamily(f"platerota_last_hour_{name}", words, count, total)
        yield GaugeMetricFamily("platerota_last_hour_audit_failures", "Plans with something that the audit refused.", self.refused)
        yield GaugeMetricFamily("platerota_last_hour_restarts", "Solves that were begun again after one was lost.", self.restarts)
        yield GaugeMetricFamily("platerota_workers", "Workers that are at the database and hold their name.", self.workers)


def _seconds(spans_ms: Iterable[int]) -> tuple[int, float]:
    return _counted(span / 1000 for span in spans_ms)


def _counted(values: Iterable[float]) -> tuple[int, float]:
    """How many, and their sum."""
    found = list(values)
    return len(found), sum(found)


def _by_state(name: str, words: str, counts: dict[str, int]) -> GaugeMetricFamily:
    family = GaugeMetricFamily(name, words, labels=("state",))
    for state, count in counts.items():
        family.add_metric((state,), count)
    return family
