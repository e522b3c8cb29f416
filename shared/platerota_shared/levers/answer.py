"""Which levers help, as callers get it: every lever against the best plan without a change, in points, hours, orders and money."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from platerota_shared.audit import could_be_worked
from platerota_shared.audit.book import Book
from platerota_shared.audit.results import finish_times
from platerota_shared.audit.score import parts
from platerota_shared.costs import costs_of
from platerota_shared.fields import Instant
from platerota_shared.levers.halving import FIRST, ROUNDS, Solved, Standing, margin, noise, standings
from platerota_shared.levers.lever import LeverKind
from platerota_shared.moves import SAME_SECONDS, points_without_moves
from platerota_shared.plan import Out, Plan
from platerota_shared.tables import PlanRequest

LeverStatus = Literal["ready", "failed", "stopped", "deleted"]
CAUTION: Final = (
    "A lever says what a change would bring, not that it may be made. What it costs to buy, rest times and working hours, somebody who"
    " would be alone at a machine, room on the plate, loads to lift, and clearance, program and offsets of a fixture on another mill are"
    " for the planner and a competent person to judge."
)
"""What whoever makes a change should know."""


class OrderOutcome(Out):
    """When an order finishes, and how late, seconds; null where it is not placed."""

    finish: Instant | None
    late_seconds: int | None


class Outcome(Out):
    """What counts of a plan in a week when levers are compared: few enough figures to keep them of every plan."""

    plan: str
    total: float
    bound: float
    proved: bool
    orders: dict[str, OrderOutcome]
    spindle_seconds: int
    operator_seconds: int
    overtime_seconds: int
    cost: float | None
    overtime_cost: float | None

    @property
    def solved(self) -> Solved:
        """Its points."""
        return Solved(self.total, self.bound, self.proved)


def outcome(request: PlanRequest, plan: Plan) -> Outcome:
    """What counts of a plan that the audit passed for that week; tasks that a replan moved are no matter of its levers."""
    return _counted(Book(request, plan), points_without_moves(plan), plan.score.bound, proved=plan.quality == "optimal")


def outcome_without(base: PlanRequest, plan: Plan) -> Outcome | None:
    """What counts of a lever's plan in the week without the lever; None where it cannot be worked there, because it needs the lever.

    Where it can, it tells what the lever is worth better than any other plan without it: everything else is the same.
    """
    if not could_be_worked(base, plan):
        return None
    book = Book(base, plan)
    return _counted(book, parts(book).total(), 0.0, proved=False)


def _counted(book: Book, total: float, bound: float, *, proved: bool) -> Outcome:
    costs, finishes = costs_of(book, book.now), finish_times(book)
    bought = [row.bought_cost for row in costs.overtime if row.bought_cost is not None]
    orders = {
        name: OrderOutcome(finish=finishes[name], late_seconds=max(0, finishes[name] - row.due)) if book.placed(name)
        else OrderOutcome(finish=None, late_seconds=None)
        for name, row in book.orders.items()
    }
    return Outcome(
        plan=book.plan.id, total=total, bound=bound, proved=proved, orders=orders,
        spindle_seconds=costs.spindle_seconds, operator_seconds=costs.operator_seconds,
        overtime_seconds=sum(row.worked_seconds for row in costs.overtime), cost=costs.cost,
        overtime_cost=sum(bought) if costs.cost is not None else None,
    )


class OrderGain(Out):
    """An order that a lever moves."""

    id: str
    """The order."""
    finish: Instant | None
    """When it finishes with the lever; null where it is not placed."""
    finish_seconds: int | None
    """Seconds that it finishes sooner than in the control, negative: later; null where it is not placed in both."""
    late_seconds: int | None
    """Seconds that it is less late than in the control, negative: later; null where it is not placed in both."""


class LeverResult(Out):
    """A lever and what it brings. Differences are against the last control, the best plan without a change; null where no plan is."""

    kind: LeverKind
    """What it moves: one more `plate`, one more `operator`, a further `shift` of somebody, a `machine` allowed for a fixture, more
    `nests`, a `due` date; `own`: the caller named it."""
    name: str
    """What it is, in words."""
    changes: tuple[dict[str, Any], ...]
    """The same as changes: `POST /v1/plans/{id}/what-ifs` takes them as they are."""
    status: LeverStatus | None
    """How its solve ended; null while it is not."""
    problem: str | None
    """Why there is no plan; null where there is one."""
    plan: str | None
    """The id of its plan, at `/v1/plans/{id}`."""
    round: int
    """The last round in which it was solved. 1: for the short time, and then left; 2: once more for three times as long; 3: and once
    more for five times as long."""
    helps: bool
    """Whether it saves more than `noise`. Where not, it brings nothing that can be told from luck."""
    near_best: bool
    """Whether it helps and may be as good as the first one: it saves less by `margin` at most. Then other reasons should decide."""
    certain: bool
    """Whether no plan without it can be as good: its points are below what is proved of the control."""
    score: float | None
    """Points of its plan."""
    saved: float | None
    """Points saved against the best plan without a change that is known; negative: its plan is worse."""
    late_seconds_saved: int | None
    """Lateness saved, all orders that are placed in both plans together, seconds."""
    better: tuple[OrderGain, ...]
    """Orders that it makes less late, or finish sooner; those that are placed now first, then by lateness saved."""
    worse: tuple[OrderGain, ...]
    """Orders that pay for it, the worst first."""
    spindle_seconds: int | None
    """Cutting seconds more than in the control."""
    operator_seconds: int | None
    """Seconds of hand work more."""
    overtime_seconds: int | None
    """Seconds of work more where only overtime shifts cover."""
    cost: float | None
    """Money more for cutting and hand work; what a plate or a fixture costs to buy is not in it. null where no hour costs are given."""
    overtime_cost: float | None
    """Money more for overtime where a shift called in is paid whole; null where no hour costs are given."""


class LeverControl(Out):
    """The best plan of the week without any change that is known after a round.

    It was found without a change in the time of a lever of that round; or it is the base; or it is a lever's plan that does not need the
    lever.
    """

    round: int
    """The round."""
    plan: str
    """The id of the plan."""
    score: float
    """Its points in the week without any change."""
    bound: float
    """Points that no plan without a change can beat."""


class LeversAnswer(Out):
    """The levers as far as they are solved, the one that saves most first."""

    controls: tuple[LeverControl, ...]
    """The control of each round; later ones may be missing where nothing was solved again."""
    noise: float
    """Points by which one plan may be better than another for nothing: what the control gained by further rounds, 0.1 % of its
    points at least."""
    margin: float
    """Points by which one lever may stand above another for nothing: the most that the last round brought to one of them, `noise` at
    least."""
    best: str | None
    """The name of the lever that helps most; null where none does."""
    levers: tuple[LeverResult, ...]
    """Every lever."""
    caution: str
    """What whoever makes such a change should know; first that the plan had begun more than an hour before this was asked, where it had."""


@dataclass(frozen=True, slots=True)
class Try:
    """One solve of a lever (`number`, None: the control) in a round, how it ended, and what came of it: with the lever, and where the
    plan can be worked without it, without.
    """

    number: int | None
    round: int
    status: LeverStatus
    problem: str | None = None
    outcome: Outcome | None = None
    without: Outcome | None = None


Asked = Sequence[Mapping[str, Any]]
"""The levers of a question in their order: kind, name and changes of each."""


def levers_answer(asked: Asked, tries: Sequence[Try], base: Outcome) -> LeversAnswer:
    """The answer from the solves that have ended so far.

    Parameters
    ----------
    asked
        The levers.
    tries
        Every solve that has ended.
    base
        What the plan that the question is about counts.
    """
    found = {(one.number, one.round): one.outcome for one in tries if one.outcome is not None}
    controls = {place: control_after(tries, base, place) for place in ROUNDS if place == FIRST or any(at == place for _, at in found)}
    reached = {
        place: {number: known.solved for (number, at), known in found.items() if number is not None and at == place} for place in controls
    }
    solved = {place: known.solved for place, known in controls.items()}
    stands = standings(reached, solved)
    control = controls[max(controls)]
    rows = [_result(asked[one.number], one, found, control) for one in stands]
    rows += [
        _unsolved(lever, [one for one in tries if one.number == number])
        for number, lever in enumerate(asked) if number not in reached[FIRST]
    ]
    return LeversAnswer(
        controls=tuple(LeverControl(round=at, plan=one.plan, score=one.total, bound=one.bound) for at, one in controls.items()),
        noise=noise(solved), margin=margin(reached, solved), best=rows[0].name if rows and rows[0].helps else None, levers=tuple(rows),
        caution=CAUTION,
    )


def control_after(tries: Sequence[Try], base: Outcome, place: int) -> Outcome:
    """The best plan without a change that is known after a round, with the best bound that is."""
    plain = [base, *(one.outcome for one in tries if one.number is None and one.round <= place and one.outcome is not None)]
    known = [*plain, *(one.without for one in tries if one.round <= place and one.without is not None)]
    best = min(known, key=lambda one: one.total)
    return best.model_copy(update={"bound": max(one.bound for one in plain)})


def _result(
    lever: Mapping[str, Any], stand: Standing, found: Mapping[tuple[int | None, int], Outcome], control: Outcome,
) -> LeverResult:
    plan = min((known for (number, _), known in found.items() if number == stand.number), key=lambda one: one.total)
    better, worse = _orders(control, plan)
    return LeverResult(
        kind=lever["kind"], name=lever["name"], changes=lever["changes"], status="ready", problem=None, plan=plan.plan, round=stand.round,
        helps=stand.helps, near_best=stand.near_best, certain=stand.certain, score=plan.total, saved=stand.saved,
        late_seconds_saved=_late_saved(control, plan), better=better, worse=worse,
        spindle_seconds=plan.spindle_seconds - control.spindle_seconds, operator_seconds=plan.operator_seconds - control.operator_seconds,
        overtime_seconds=plan.overtime_seconds - control.overtime_seconds, cost=_more(control.cost, plan.cost),
        overtime_cost=_more(control.overtime_cost, plan.overtime_cost),
    )


def _unsolved(lever: Mapping[str, Any], tries: Sequence[Try]) -> LeverResult:
    """A lever that has no plan, or none yet."""
    last = tries[-1] if tries else None
    return LeverResult(
        kind=lever["kind"], name=lever["name"], changes=lever["changes"], status=last.status if last is not None else None,
        problem=last.problem if last is not None else None, plan=None, round=FIRST, helps=False, near_best=False, certain=False,
        score=None, saved=None, late_seconds_saved=None, better=(), worse=(), spindle_seconds=None, operator_seconds=None,
        overtime_seconds=None, cost=None, overtime_cost=None,
    )


def _more(control: float | None, plan: float | None) -> float | None:
    return plan - control if control is not None and plan is not None else None


def _late_saved(control: Outcome, plan: Outcome) -> int:
    pairs = [(control.orders[name], row) for name, row in plan.orders.items() if name in control.orders]
    return sum(old.late_seconds - new.late_seconds for old, new in pairs if old.late_seconds is not None and new.late_seconds is not None)


def _orders(control: Outcome, plan: Outcome) -> tuple[tuple[OrderGain, ...], tuple[OrderGain, ...]]:
    """The orders that gain and those that pay, each the most first."""
    gains = list(_gains(control, plan))
    # An order with no time saved because only one of the plans places it comes first on its side.
    rank = {row.id: (row.late_seconds is not None, row.late_seconds or 0, row.finish_seconds or 0) for row, _ in gains}
    better = sorted((row for row, gain in gains if gain), key=lambda row: (rank[row.id][0], -rank[row.id][1], -rank[row.id][2], row.id))
    worse = sorted((row for row, gain in gains if not gain), key=lambda row: (*rank[row.id], row.id))
    return tuple(better), tuple(worse)


def _gains(control: Outcome, plan: Outcome) -> Iterator[tuple[OrderGain, bool]]:
    """Each order that is elsewhere, and whether that is a gain."""
    for name, new in plan.orders.items():
        old = control.orders.get(name)
        if old is None:
            continue
        if old.finish is None or new.finish is None or old.late_seconds is None or new.late_seconds is None:
            if (old.finish is None) != (new.finish is None):
                yield OrderGain(id=name, finish=new.finish, finish_seconds=None, late_seconds=None), new.finish is not None
            continue
        late, finish = old.late_seconds - new.late_seconds, old.finish - new.finish
        if max(abs(late), abs(finish)) >= SAME_SECONDS:
            yield OrderGain(id=name, finish=new.finish, finish_seconds=finish, late_seconds=late), (late, finish) > (0, 0)
