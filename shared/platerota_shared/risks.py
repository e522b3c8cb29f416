"""The risk of a plan, asked and answered: hands vary, cuts hardly, machines stop now and then.

The spreads that stand as defaults are assumptions of ours, no measurements: whoever has times of their own shop should give those.
The answer is worked out by `platerota_solver.risk`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from platerota_shared.document import duplicate_keys, read_document
from platerota_shared.faults import Fault, RequestRefused
from platerota_shared.fields import Flag, Instant, Number, Whole
from platerota_shared.plan import Kind, Out
from platerota_shared.records import read_row
from platerota_shared.suggestions import Suggestions
from platerota_shared.tables import Row

Variation = Annotated[Number, Field(ge=0.0, le=3.0)]
"""Standard deviation ÷ mean, the coefficient of variation."""

Certainty = Annotated[Number, Field(ge=0.5, le=0.999)]
"""The certainty that a promised date should have."""

LEAST_BEYOND = 5
"""Simulated weeks that must lie beyond the wanted certainty, so that its date rests on more than one or two of them."""


class Spread(Row):
    """How the times of a kind of work spread around the planned ones, which stay their mean."""

    variation: Variation
    """Standard deviation ÷ mean, from 0 (always as planned) to 3."""
    distribution: Literal["lognormal", "gamma"] = "lognormal"
    """`lognormal`: mostly near the plan, now and then much longer. `gamma`: with variation 1 it is the exponential one."""


class Stops(Row):
    """Stops of a machine while it cuts: a broken tool, a chip alarm. They come at random, and take no operator's time."""

    per_cutting_hour: Annotated[Number, Field(ge=0.0, le=60.0)] = 0.02
    """Stops in an hour of cutting on average, 0 to 60; 0: none."""
    mean_seconds: Annotated[Number, Field(ge=0.0, le=604_800.0)] = 1_800.0
    """Mean length of a stop, seconds, at most a week."""
    variation: Variation = 1.0
    """Standard deviation ÷ mean of a stop's length, gamma-distributed: 0 always the same, 1 exponential, at most 3."""
    needs_person: Flag = True
    """Whether a stop that begins when nobody is in a shift only starts to be mended when somebody is."""


class Simulation(Row):
    """How weeks are simulated."""

    hand: Spread = Spread(variation=0.25)
    """Spread of all hand work: loads, exchanges, setups, unloads, first articles, bench work, builds."""
    cut: Spread = Spread(variation=0.02)
    """Spread of cuts, stops left out."""
    stops: Stops = Stops()
    """Stops of machines."""
    stay_minutes: Annotated[Number, Field(ge=0.0, le=120.0)] = 15.0
    """Minutes, 0 to 120, that people work at most into a break or beyond a shift's end to finish something, by its planned time."""
    work_ahead: Flag = False
    """Whether work starts before its planned time where all that it waits for is there; else the planned start is the earliest."""
    samples: Annotated[Whole, Field(ge=100, le=10_000)] = 2_000
    """How many weeks are simulated."""
    seed: Annotated[Whole, Field(ge=0, le=2**31 - 1)] = 1
    """The start of the random numbers; the same seed gives the same answer, to the byte."""


class RisksQuestion(Simulation):
    """What is asked about the risk of a plan: `POST /v1/plans/{id}/risks`."""

    certainty: Certainty = 0.9
    """The certainty that a promised date should have, 0.5 to 0.999."""


class Likely(Out):
    """The range in which something probably happens; an instant is null where it lies beyond the plan's horizon."""

    early: Instant | None
    """In 10 % of the simulated weeks it is no later than this."""
    middle: Instant | None
    """In 50 % it is no later than this."""
    late: Instant | None
    """In 90 % it is no later than this."""


class TaskDriver(Out):
    """A task that makes something late, with how often it lies on the chain that does.

    The chain goes back from a late finish through whatever each task waited for, up to a task that started when it was planned.
    """

    id: str
    """The task."""
    kind: Kind
    """What is done."""
    share: float
    """Of the simulated weeks in which the order (for the plan: any order) is late, the share in which it is on such a chain; 0 to 1."""
    adds_seconds: float
    """By how much it takes longer than planned in these weeks when it is on such a chain, on average, seconds; stops included."""


class ResourceDriver(Out):
    """A machine, plate or operator through which something becomes late. It passes delays on, so waits do not add up."""

    resource: Literal["machine", "plate", "operator"]
    """What kind of resource it is."""
    id: str
    """The machine, plate or operator."""
    cause: Literal["busy", "away"]
    """`busy`: it was free later than all else that a task waited for; `away`: a task missed its working time, for a machine the time in
    which it may cut. A closure of machine or plate that holds hand work up counts for its operator."""
    share: float
    """Of the simulated weeks in which the order (for the plan: any order) is late, the share in which a chain waited for it so; 0 to 1."""
    waited_seconds: float
    """The longest such wait on the chain in these weeks, on average, seconds; for the plan, the longest of all chains of a week."""


class OrderRisk(Out):
    """How sure one order is."""

    id: str
    """The order."""
    due: Instant
    """When it is due."""
    planned_finish: Instant | None
    """When the plan finishes it; null where it is not placed, as is everything below."""
    on_time: float | None
    """Chance that it finishes when it is due or before, 0 to 1; beyond the plan's horizon counts as late."""
    finish: Likely | None
    """When it probably finishes."""
    promise: Instant | None
    """The date that holds at the wanted certainty; null also where it lies beyond the plan's horizon."""
    tasks: tuple[TaskDriver, ...] = ()
    """The tasks that add most in the weeks in which it is late and later than planned, at most 3, the worst first."""
    resources: tuple[ResourceDriver, ...] = ()
    """The resources that were waited for most then, at most 3, the worst first."""


class MachineRisk(Out):
    """How much one machine cuts: cutting ÷ time from `now` to the shop's last task, each 0 to 1, stops left out."""

    id: str
    """The machine."""
    planned_share: float
    """In the plan."""
    mean_share: float
    """On average over the simulated weeks."""
    low_share: float
    """In 10 % of them it is this or less."""
    high_share: float
    """In 90 % of them it is this or less."""
    stopped_share: float
    """Standing because of a stop, on average."""


class Risks(Out):
    """The risk of a plan whose assignments and sequences are kept: what happens if times spread and nobody replans."""

    question: RisksQuestion
    """What was asked, defaults filled in."""
    all_on_time: float
    """Chance that every order of the plan is on time, 0 to 1; 0 where one is not placed."""
    orders: tuple[OrderRisk, ...]
    """Each order, in the order of the request."""
    tasks: tuple[TaskDriver, ...]
    """The tasks that add most in the weeks in which any order is late and later than planned, at most 10, the worst first."""
    resources: tuple[ResourceDriver, ...]
    """The resources that were waited for most then, at most 10, the worst first."""
    machines: tuple[MachineRisk, ...]
    """Each machine, in the order of the request."""


def read_risks_question(data: bytes | str | Mapping[str, Any]) -> RisksQuestion:
    """The question in `data`; an empty object asks with every default.

    Parameters
    ----------
    data
        JSON as bytes (UTF-8) or text, or an object parsed elsewhere.

    Raises
    ------
    platerota_shared.faults.Unreadable
        Where `data` is no JSON object of finite numbers, of at most 16 MiB.
    platerota_shared.faults.RequestRefused
        With every fault of it.
    """
    document = read_document(data, "spreads, stops, samples and the wanted certainty")
    # Nothing here is an instant, so any timezone will do.
    record, found = read_row(RisksQuestion, document, "", "the request", ZoneInfo("UTC"), Suggestions())
    faults = [*duplicate_keys(document), *found]
    if not record.doubts & {"samples", "certainty"}:
        samples = document.get("samples", RisksQuestion.model_fields["samples"].default)
        certainty = document.get("certainty", RisksQuestion.model_fields["certainty"].default)
        least = LEAST_BEYOND / (1.0 - certainty)
        if samples < least - 1e-6:
            words = f"the request: samples must be at least {least:,.0f} for a certainty of {certainty:g}, not {samples:,.0f}"
            faults.append(Fault("/samples", "out-of-range", words, "simulate more weeks, or want less certainty"))
    if faults or record.row is None:
        raise RequestRefused(faults)
    return record.row
