"""What a plan says of what its orders queue for: when plates, spindles and hands are all taken, and what an hour sooner is worth.

Everything here is an estimate for putting levers in order; what a lever brings is told by solving it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property, reduce
from itertools import accumulate, pairwise
from typing import Final

from platerota_shared.audit.book import Book
from platerota_shared.audit.spans import common, last_begun, without
from platerota_shared.audit.trip import spans_of
from platerota_shared.calendars import Span, merge
from platerota_shared.checks.fit import Fits
from platerota_shared.fields import Skill
from platerota_shared.plan import Plan, Task
from platerota_shared.request_tables import RequestTables
from platerota_shared.tables import Machine, Operator, Order, PlanRequest, Plate, ScoreRates

HANDS: Final[tuple[Skill, ...]] = ("load", "unload", "exchange")
"""The skills that keep plates moving."""


@dataclass(frozen=True, slots=True)
class Stake:
    """An order of the plan, and what it is worth to finish it sooner.

    Attributes
    ----------
    order
        The order.
    begin, end
        From when it can be worked on until it finishes, the horizon's end where it is not placed; UTC seconds.
    late
        Seconds that it finishes after it is due.
    placed
        Whether the plan finishes it.
    loads, places
        Fixture -> when the plate of its last run on it is loaded, and when that is in its machine; the horizon's end where the order
        is not placed; UTC seconds.
    """

    order: Order
    begin: int
    end: int
    late: int
    placed: bool
    loads: dict[str, int]
    places: dict[str, int]

    def points(self, rates: ScoreRates, seconds: float) -> float:
        """Points saved where it finishes so many seconds sooner; of one that is not placed, a share of what that costs."""
        sooner = max(0.0, min(seconds, self.end - self.begin))
        points = self.order.weight * (rates.late_hour * min(self.late, sooner) + rates.finish_hour * sooner) / 3_600
        if self.placed or not sooner:
            return points
        return points + self.order.weight * rates.unplaced_order * sooner / (self.end - self.begin)


class Week:
    """A request and a plan that the audit passed for it, looked at from its orders' side."""

    def __init__(self, request: PlanRequest, plan: Plan) -> None:
        self.request, self.plan = request, plan
        self.book = Book(request, plan)
        self.tables = RequestTables.of(request)
        self.fits = Fits(self.tables)
        self._nobody: dict[frozenset[str], list[Span]] = {}

    @cached_property
    def stakes(self) -> list[Stake]:
        """Every order that has work left."""
        loads: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        places: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        for trip in self.book.trips:
            for order in trip.orders if trip.cut is not None else ():
                for found, task in ((loads, trip.load), (places, trip.place or trip.cut)):
                    if task is not None:
                        found[order][trip.run.fixture] = max(found[order][trip.run.fixture], task.start)
        stakes = [self._stake(order, dict(loads[order.id]), dict(places[order.id])) for order in self.request.orders]
        return [stake for stake in stakes if stake.end > stake.begin]

    def _stake(self, order: Order, loads: dict[str, int], places: dict[str, int]) -> Stake:
        result = self.book.results[order.id]
        begin, horizon = max(self.book.now, order.release or self.book.now), self.book.horizon_end
        if result.finish is not None:
            return Stake(order, begin, result.finish, result.late_seconds or 0, placed=True, loads=loads, places=places)
        # Of an order without a place every fixture that holds its part is one that it might have queued for.
        might = {nest.fixture: horizon for nest in self.request.shop.nests if nest.part == order.part}
        return Stake(order, begin, horizon, max(0, horizon - order.due), placed=False, loads=might, places=might)

    def worth_of_loads(self, fixture: str, spans: Sequence[Span], share: float) -> float:
        """Points saved where orders gain that share of the time in `spans` before the last load that they need of a fixture."""
        return self._worth([(stake, stake.loads.get(fixture, 0)) for stake in self.stakes], spans, share)

    def worth_of_places(self, fixture: str, spans: Sequence[Span], share: float) -> float:
        """Points saved where orders gain that share of the time in `spans` before the last plate of a fixture is in its machine."""
        return self._worth([(stake, stake.places.get(fixture, 0)) for stake in self.stakes], spans, share)

    def worth_of_all(self, spans: Sequence[Span], share: float = 1.0) -> float:
        """Points saved where every order gains that share of the time in `spans` before it finishes."""
        return self._worth([(stake, stake.end) for stake in self.stakes], spans, share)

    def _worth(self, until: Iterable[tuple[Stake, int]], spans: Sequence[Span], share: float) -> float:
        rates, until_then = self.request.settings.score, _Total(spans)
        return sum(
            stake.points(rates, share * (until_then(end) - until_then(stake.begin))) for stake, end in until if end > stake.begin
        )

    @cached_property
    def end(self) -> int:
        """When the last order finishes, the horizon's end where one is not placed; `now` where nothing is left to do."""
        return max((stake.end for stake in self.stakes), default=self.book.now)

    @cached_property
    def plates_of(self) -> dict[str, list[Plate]]:
        """The plates of each fixture: those that carry it, and those on which the plan builds it; none that stays in a machine."""
        found: dict[str, list[Plate]] = defaultdict(list)
        for plate in self.request.shop.plates:
            if plate.fixture is not None and plate.stays_in is None:
                found[plate.fixture].append(plate)
        for task in self.book.builds:
            plate = self.book.plates[task.plate or ""]
            if plate.stays_in is None:
                found[task.fixture or ""].append(plate)
        return dict(found)

    def plate_taken(self, plate: str) -> list[Span]:
        """When a plate belongs to a run or a build."""
        return merge((use.start, use.end) for use in self.book.uses.get(plate, ()))

    def plate_in_machine(self, plate: str) -> list[Span]:
        """When a plate is in a machine, from place to pull."""
        trips = [use.trip for use in self.book.uses.get(plate, ()) if use.trip is not None]
        return merge(
            (trip.place.start if trip.place is not None else self.book.now, trip.pull.end) for trip in trips if trip.pull is not None
        )

    @cached_property
    def _spindles(self) -> dict[str, list[Span]]:
        return {
            name: merge(
                [*(span for task in self._held(name) for span in spans_of(task)), *self.book.machine_closures(name)],
            )
            for name in self.book.machines
        }

    def _held(self, machine: str) -> list[Task]:
        """The tasks that keep a spindle: a plate that is exchanged at a load station does not."""
        tasks = self.book.at_machine.get(machine, [])
        return [task for task in tasks if task.kind in ("cut", "setup")] if self.book.machines[machine].automatic else tasks

    def spindle_taken(self, machine: str) -> list[Span]:
        """When a machine cuts, is exchanged or set up, or is closed."""
        return self._spindles[machine]

    def machines_for(self, fixture: str) -> list[Machine]:
        """The machines that may run some plate of a fixture, empty of pieces."""
        row = self.book.fixtures[fixture]
        plates = self.plates_of.get(fixture, ())
        return [
            machine for machine in self.request.shop.machines
            if any(self.fits.misfit(plate, machine, row, self.fits.lightest(fixture)) is None for plate in plates)
        ]

    @cached_property
    def attended(self) -> list[Span]:
        """When somebody who keeps plates moving works."""
        return merge(span for row in self.request.shop.operators if any(row.can(skill) for skill in HANDS)
                     for span in self.book.hours[row.id].called)

    @cached_property
    def waiting(self) -> list[Span]:
        """When some work might have gone on, had there been hands: a plate could be loaded or placed for a machine that stands, or
        is cut and neither pulled nor unloaded.
        """
        spans: list[Span] = []
        for uses in self.book.uses.values():
            free = self.book.now
            for use in uses:
                trip = use.trip
                if trip is not None and trip.cut is not None and trip.run.machine is not None:
                    begun = trip.load.start if trip.load is not None else trip.cut.start
                    stands = [(free, begun), *((one.end, two.start) for one, two in pairwise(trip.chain) if two.end <= trip.cut.end)]
                    spans += without(merge(stands), self.spindle_taken(trip.run.machine))
                    spans += [(one.end, two.start) for one, two in pairwise(trip.chain) if one.start >= trip.cut.start]
                free = use.end
        return merge(spans)

    @cached_property
    def _busy(self) -> dict[str, list[Span]]:
        tasks = self.book.by_operator
        return {name: merge(span for task in tasks.get(name, ()) for span in spans_of(task)) for name in self.book.operators}

    def busy(self, operator: str) -> list[Span]:
        """When an operator has a task."""
        return self._busy[operator]

    def colleagues(self, operator: Operator) -> list[Operator]:
        """The others who do the same hand work: loads, unloads and exchanges; where somebody does none of it, any skill shared."""
        skills: list[Skill] = [skill for skill in HANDS if operator.can(skill)] or list(operator.skills)
        return [
            row for row in self.request.shop.operators
            if row.id != operator.id and any(row.can(skill) for skill in skills)
        ]

    def nobody_free(self, people: Iterable[Operator]) -> list[Span]:
        """When none of these people works without a task: away, or busy."""
        names = frozenset(row.id for row in people)
        if names not in self._nobody:
            free = merge(span for name in names for span in without(self.book.hours[name].called, self.busy(name)))
            self._nobody[names] = without([(self.book.now, self.book.horizon_end)], free)
        return self._nobody[names]

    @cached_property
    def filled(self) -> dict[str, set[tuple[str, int]]]:
        """What each fixture holds in this plan, by part and op; of orders without a place, what it could hold."""
        found: dict[str, set[tuple[str, int]]] = defaultdict(set)
        for run in self.plan.runs:
            found[run.fixture].update((row.part, row.op) for row in run.pieces)
        left_out = {stake.order.part for stake in self.stakes if not stake.placed}
        for nest in self.request.shop.nests:
            if nest.part in left_out:
                found[nest.fixture].add((nest.part, nest.op))
        return dict(found)


class _Total:
    """The seconds of a list of spans before an instant, asked of many instants."""

    def __init__(self, spans: Sequence[Span]) -> None:
        self._spans = spans
        self._before = [0, *accumulate(end - start for start, end in spans)]

    def __call__(self, instant: int) -> int:
        place = last_begun(self._spans, instant)
        if place < 0:
            return 0
        start, end = self._spans[place]
        return self._before[place] + min(instant, end) - start


def all_at_once(lists: Sequence[list[Span]]) -> list[Span]:
    """The time that is in every one of some lists of spans; none where there are no lists."""
    return reduce(common, lists) if lists else []
