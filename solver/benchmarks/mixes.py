"""Weeks of any mix of features, each out of one number, and what a valid week's plans must be: what property tests and ``weeks`` share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from random import Random
from typing import Any

from benchmarks.generator import FEATURES, make_request
from platerota_shared import RequestRefused, read_request
from platerota_shared.audit import audit
from platerota_shared.faults import CODES
from platerota_solver import due_date_plan, solve

Raw = dict[str, Any]

SOLVE_SECONDS = 0.02
"""The optimiser's budget: enough for every stage to be entered, in little time."""
ROUNDING = 1e-6
"""Points that two sums of the same parts may differ by, as a share."""


@dataclass(frozen=True)
class Mix:
    """What one generated week is made of.

    Attributes
    ----------
    family, seed, features
        As :func:`~benchmarks.generator.make_request` takes them.
    horizon_days
        Of the settings.
    changes
        How many of its rows are struck out, closed, hurried or set to nothing after that; with none the request is valid.
    """

    family: str
    seed: int
    features: tuple[str, ...]
    horizon_days: int
    changes: int

    def request(self) -> Raw:
        """The request of that mix; the same mix always gives the same."""
        raw = make_request(self.family, self.seed, self.features, solve_seconds=SOLVE_SECONDS)
        raw["settings"].update(horizon_days=self.horizon_days, repeatable=True)
        random = Random(self.seed)
        for _ in range(self.changes):
            random.choice(_CHANGES)(raw, random)
        return raw


def mix_of(number: int) -> Mix:
    """The mix of one number, so that every mix is as likely as another."""
    random = Random(number)
    family, horizon_days = random.choice(("tiny", "tiny", "small")), random.randint(1, 28)
    features = tuple(name for name in FEATURES if random.random() < 0.4)
    return Mix(family, number, features, horizon_days, random.randint(0, 6))


@dataclass(frozen=True)
class Outcome:
    """What became of a week: whether plans were made of it, and what is wrong with them or with its refusal."""

    planned: bool
    findings: tuple[str, ...] = ()


def examine(mix: Mix) -> Outcome:
    """Plan a week by both ways; a week that a change has spoilt must be refused readably.

    Of a planned week must hold: the audit finds nothing in either plan, neither has fewer points than the bound that was proved, and the
    optimiser's has no more than the one sorted by due date.
    """
    try:
        request = read_request(mix.request())
    except RequestRefused as refused:
        spoilt = () if mix.changes else ("refused, though nothing was changed",)
        return Outcome(planned=False, findings=(*spoilt, *unreadable(refused)))
    plan, plain = solve(request), due_date_plan(request)
    found = [f"solve: {finding}" for finding in audit(request, plan)]
    found += [f"due_date_plan: {finding}" for finding in audit(request, plain)]
    bound, points = plan.score.bound, min(plan.score.total, plain.score.total)
    if bound > (1 + ROUNDING) * points:
        found.append(f"a bound of {bound} points, above a plan of {points}")
    if plan.score.total > (1 + ROUNDING) * plain.score.total:
        found.append(f"{plan.score.total} points, where a sort by due date has {plain.score.total}")
    return Outcome(planned=True, findings=tuple(found))


def unreadable(refused: RequestRefused) -> list[str]:
    """The faults of a refusal that do not say where, what kind, what is wrong and what to change; none is one, too."""
    if not refused.faults:
        return ["refused without a fault"]
    return [
        f"a refusal that cannot be read: {fault}" for fault in refused.faults
        if not (fault.pointer == "" or fault.pointer.startswith("/")) or fault.code not in CODES or not fault.detail or not fault.mend
    ]


def _strike(raw: Raw, random: Random) -> None:
    """A row is gone; what named it may be a fault now."""
    name = random.choice(["plates", "operators", "shifts", "closures", "machines", "nests"])
    if len(raw["shop"][name]) > 1:
        raw["shop"][name].pop(random.randrange(len(raw["shop"][name])))


def _close(raw: Raw, random: Random) -> None:
    """Something is closed from some hour for up to three days."""
    begin = datetime.fromisoformat(raw["now"]) + timedelta(minutes=random.randrange(-600, 6_000))
    closure = {"start": begin.isoformat(), "end": (begin + timedelta(minutes=random.randrange(1, 4_000))).isoformat()}
    table = random.choice(["machines", "plates", "operators", None])
    if table is not None:
        closure[table[:-1]] = random.choice(raw["shop"][table])["id"]
    raw["shop"]["closures"].append(closure)


def _quicken(raw: Raw, random: Random) -> None:
    """Some work takes no time, or a second."""
    table, fields = random.choice([
        ("fixtures", ["load_seconds", "load_piece_seconds", "clamps"]), ("fixtures", ["unload_seconds", "unload_piece_seconds", "clamps"]),
        ("machines", ["place_seconds"]), ("machines", ["pull_seconds"]), ("operations", ["cut_seconds"]), ("operations", ["bench_seconds"]),
        ("machines", ["setup_seconds", "tool_load_seconds"]),
    ])
    row = random.choice(raw["shop"][table])
    row.update(dict.fromkeys(fields, random.choice((0, 1))))


def _hurry(raw: Raw, random: Random) -> None:
    """An order is due already, or wanted by the hundred."""
    row = random.choice(raw["orders"])
    row.update(random.choice(({"due": raw["now"]}, {"quantity": row["quantity"] * 3})))


_CHANGES: tuple[Callable[[Raw, Random], None], ...] = (_strike, _close, _quicken, _hurry)
