"""What is measured: one job is one process. Which jobs a bench has, and how long they take, is said before they run."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from benchmarks.families import FAMILIES
from platerota_shared.levers import further_times

Row = dict[str, Any]
"""A measured job: its fields, `figures` (numbers by name) and `how` (words and numbers that say how a plan was reached)."""

SOLVER_SEEDS = (11, 12, 13)
"""Seeds of the solver whose plans of one request are compared."""
REFERENCE_TIMES = 10.0
"""Monolith and PyJobShop get this many times our budget."""
NIGHT_TIMES = 30.0
"""One night: our own solver at this many times its budget."""


@dataclass(frozen=True)
class Job:
    """One measurement.

    Attributes
    ----------
    part
        What is measured: a name of :data:`PARTS`, or `night`.
    family, features, seed
        The generated request; for `published` the family is the instance.
    seconds
        The budget of whatever solves.
    solver_seed
        Of our solver; None: the request's own.
    """

    part: str
    family: str
    features: str
    seed: int
    seconds: float
    solver_seed: int | None = None

    @property
    def request(self) -> tuple[str, str, int]:
        """What is solved, whoever solves it."""
        return self.family, self.features, self.seed

    def estimate(self) -> float:
        """Seconds of wall time that it may take at most on a quiet machine."""
        seconds = min(self.seconds, EASY_SECONDS) if self.part == "published" and self.family in EASY else self.seconds
        if self.part == "levers":
            seconds *= BASE_TIMES + (21 + further_times(20) + 21 * LONG_TIMES) / LEVER_WORKERS  # twenty levers and the control
        if self.part == "decisions":
            seconds *= DECISIONS_TIMES
        return seconds + OVERHEAD + SIZE_SECONDS.get(self.family, 0.0)


PARTS = ("solve", "seeds", "monolith", "pyjobshop", "published", "scale", "decisions", "levers")
DECISIONS_TIMES = 6.1
"""The questions between Mondays take so many times the budget of the plan that they are asked of; the plan and a full solve are in it."""
LONG_TIMES = 16.0
"""Every lever is solved again for so many times the seconds of the first round: five times what all rounds together take."""
LEVER_WORKERS = 2
"""Levers that are solved side by side."""
BASE_TIMES = 10.0
"""The plan that levers are tried on is solved for so many times as long as each of them in the first round."""
OVERHEAD = 3.0
"""Seconds to start a process, load the compiled solver and warm it up."""
SIZE_SECONDS = {"medium": 1.0, "large": 3.0, "huge": 30.0}
"""Seconds to construct, describe and audit beside the budget."""
PROOF_SECONDS = 60.0
"""Budget of a published instance; a proof ends it sooner."""
EASY, EASY_SECONDS = ("ft06", "la01", "la02", "la03", "la04", "la05", "ft06x2"), 5.0
"""Published instances that are proved at once."""


@dataclass(frozen=True)
class Sample:
    """How much is measured.

    Attributes
    ----------
    seeds
        Seeds 1 to N by family.
    monolith_seeds, pyjobshop_seeds, spread_seeds, decision_seeds, lever_seeds
        The same for the references, for the spread between solver seeds, for the questions between Mondays and for levers (both of the
        first features only); families that are not named have none.
    lever_seconds
        Budget of each lever in the first round.
    seconds
        Budgets that are not the family's own.
    reference_times
        Budget of a reference in budgets of ours.
    features
        Feature sets.
    published
        Instances; None: all.
    """

    seeds: dict[str, int]
    monolith_seeds: dict[str, int]
    pyjobshop_seeds: dict[str, int]
    spread_seeds: dict[str, int]
    decision_seeds: dict[str, int]
    lever_seeds: dict[str, int]
    lever_seconds: float
    seconds: dict[str, float]
    reference_times: float
    features: tuple[str, ...]
    published: tuple[str, ...] | None


FULL = Sample(
    seeds={"tiny": 10, "small": 10, "medium": 10, "large": 3, "huge": 1},
    monolith_seeds={"small": 3, "medium": 3, "large": 3}, pyjobshop_seeds={"small": 3, "medium": 3}, spread_seeds={"medium": 5},
    decision_seeds={"medium": 10}, lever_seeds={"medium": 10}, lever_seconds=1.5,
    seconds={}, reference_times=REFERENCE_TIMES, features=("plain", "basic"), published=None,
)
QUICK = Sample(
    seeds={"tiny": 2, "small": 2, "medium": 1, "large": 1, "huge": 1},
    monolith_seeds={"small": 1, "medium": 1, "large": 1}, pyjobshop_seeds={"small": 1, "medium": 1}, spread_seeds={"medium": 1},
    decision_seeds={"medium": 1}, lever_seeds={"medium": 1}, lever_seconds=0.05,
    seconds={"tiny": 4.0, "small": 4.0, "medium": 5.0, "large": 6.0, "huge": 6.0},
    reference_times=1.0, features=("plain",), published=("ft06", "la01", "ft06x2", "ft10"),
)


def plan_jobs(sample: Sample, parts: Iterable[str], families: Iterable[str], published: Sequence[str]) -> list[Job]:
    """The jobs of a bench, part by part, in the order in which they run."""
    jobs: list[Job] = []
    for part in parts:
        if part == "published":
            jobs += [Job(part, name, "", 0, PROOF_SECONDS) for name in published]
            continue
        for family in families:
            jobs += _generated(sample, part, family)
    return jobs


def _generated(sample: Sample, part: str, family: str) -> list[Job]:
    """The jobs of one part on the generated requests of one family."""
    seconds = sample.seconds.get(family, FAMILIES[family].solve_seconds)
    if part == "scale":
        return [Job(part, family, sample.features[0], 1, 0.5)]
    by_part = {
        "solve": sample.seeds, "seeds": sample.spread_seeds, "monolith": sample.monolith_seeds, "pyjobshop": sample.pyjobshop_seeds,
        "decisions": sample.decision_seeds, "levers": sample.lever_seeds,
    }
    seeds = by_part[part].get(family, 0)
    if part == "levers":
        seconds = sample.lever_seconds
    chosen = sample.features[:1] if part in ("decisions", "levers") else sample.features
    plain = [Job(part, family, features, seed, seconds) for features in chosen for seed in range(1, seeds + 1)]
    if part == "seeds":
        return [replace(job, solver_seed=number) for job in plain for number in SOLVER_SEEDS]
    if part in ("monolith", "pyjobshop"):
        return [replace(job, seconds=sample.reference_times * job.seconds) for job in plain]
    return plain


def run_job(job: Job) -> Row | str:
    """The row of one job, measured in a process of its own; its last words where it failed."""
    command = [
        sys.executable, "-m", "benchmarks.measure", job.part, job.family, job.features, str(job.seed), str(job.seconds),
        *([] if job.solver_seed is None else [str(job.solver_seed)]),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        return f"({done.returncode}) {done.stderr.strip()[-2_000:]}"
    row: Row = json.loads(done.stdout.splitlines()[-1])
    return row


def duration(seconds: float) -> str:
    """Such as ``"2 h 05 min"``, ``"4 min"`` or ``"90 s"``."""
    minutes = round(seconds / 60)
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{minutes // 60} h {minutes % 60:02} min" if minutes >= 60 else f"{minutes} min"
