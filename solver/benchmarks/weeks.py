"""`make weeks`: thousands of generated weeks of every mix of features, each planned and audited; 1 where something was found.

A number is a week (:func:`~benchmarks.mixes.mix_of`). Each process of its own plans one after the other, so that a week which crashes or
never ends is known by its number. What is found is printed with its mix: fit to be kept as an example in ``tests/test_properties.py``.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import signal
import sys
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from time import monotonic

from benchmarks.mixes import Outcome, examine, mix_of

WEEKS, EVERY_SECONDS = 20_000, 30.0
MOST_SECONDS = 300
"""Processor time after which a week has no end; most take less than a second."""


@dataclass
class Count:
    """How many weeks were planned and refused so far, and the numbers of those with findings."""

    planned: int = 0
    refused: int = 0
    found: list[int] = field(default_factory=list[int])

    def __str__(self) -> str:
        return f"{self.planned} planned, {self.refused} refused, {len(self.found)} with findings"

    def add(self, number: int, outcome: Outcome) -> None:
        """Count a week; print what was found."""
        self.planned += outcome.planned
        self.refused += not outcome.planned
        if outcome.findings:
            self.found.append(number)
            print(f"FOUND {mix_of(number)}", *outcome.findings, sep="\n    ", flush=True)


class Planner:
    """A process that plans one week after the other; another one takes its place where it dies or does not come to an end.

    Attributes
    ----------
    number
        The week that it plans; None: there are no more.
    answers
        Where its answers come in.
    """

    def __init__(self) -> None:
        self.number: int | None = None
        self._start()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.answers, theirs = context.Pipe()
        self._process = context.Process(target=_plan_weeks, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()

    def begin(self, number: int | None) -> None:
        """Let it plan a week."""
        self.number = number
        if number is not None:
            self.answers.send(number)

    def outcome(self) -> Outcome | None:
        """What became of its week; None where it is not known yet."""
        if not self.answers.poll():
            return None
        try:
            outcome: Outcome = self.answers.recv()
        except (EOFError, OSError):
            self._process.join()
            endless = self._process.exitcode == -signal.SIGXCPU
            why = f"no end within {MOST_SECONDS} seconds of the processor" if endless else f"the process died ({self._process.exitcode})"
            self.end()
            self._start()
            return Outcome(planned=True, findings=(why,))
        return outcome

    def end(self) -> None:
        """End it, whatever it does."""
        self._process.kill()
        self._process.join()
        self.answers.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Plan the weeks, print progress and what was found; 1 where anything was, else 130 where somebody stopped it before."""
    options = _options(arguments)
    for number in (signal.SIGINT, signal.SIGTERM):  # a shell that starts this in the background lets it ignore the first
        signal.signal(number, signal.default_int_handler)
    numbers = iter(range(options.first, options.first + options.weeks))
    planners = [Planner() for _ in range(options.processes)]
    count, stopped = Count(), False
    try:
        _plan(planners, numbers, count, options.weeks)
    except KeyboardInterrupt:
        stopped = True
    finally:
        for planner in planners:
            planner.end()
    print(f"{'stopped' if stopped else 'done'}: {count}" + (f": weeks {', '.join(map(str, count.found))}" if count.found else ""))
    return 1 if count.found else 130 if stopped else 0


def _plan(planners: list[Planner], numbers: Iterator[int], count: Count, weeks: int) -> None:
    """Hand out every number, and count what comes back."""
    began = said = monotonic()
    for planner in planners:
        planner.begin(next(numbers, None))
    while busy := [planner for planner in planners if planner.number is not None]:
        wait([planner.answers for planner in busy], timeout=EVERY_SECONDS)
        for planner in busy:
            outcome = planner.outcome()
            if outcome is not None and planner.number is not None:
                count.add(planner.number, outcome)
                planner.begin(next(numbers, None))
        if monotonic() - said >= EVERY_SECONDS:
            said = monotonic()
            print(f"{count.planned + count.refused} of {weeks} after {said - began:.0f} s: {count}", flush=True)


def _plan_weeks(numbers: Connection) -> None:
    """In a process of its own: answer every number with what became of its week, until no more come."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent hears it, and ends us
    while True:
        try:
            number: int = numbers.recv()
        except EOFError:
            return
        used = resource.getrusage(resource.RUSAGE_SELF)
        most = int(used.ru_utime + used.ru_stime) + MOST_SECONDS
        resource.setrlimit(resource.RLIMIT_CPU, (most, resource.RLIM_INFINITY))
        try:
            outcome = examine(mix_of(number))
        except Exception:
            outcome = Outcome(planned=True, findings=(traceback.format_exc(),))
        numbers.send(outcome)


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.weeks", description=__doc__)
    parser.add_argument("--weeks", type=int, default=WEEKS, help=f"how many ({WEEKS})")
    parser.add_argument("--from", dest="first", type=int, default=1, help="the first number (1); the others follow")
    parser.add_argument("--processes", type=int, default=2, help="how many plan side by side (2)")
    options = parser.parse_args(arguments)
    for name in ("weeks", "first", "processes"):
        if getattr(options, name) < 1:
            parser.error(f"--{'from' if name == 'first' else name}: 1 at least")
    return options


if __name__ == "__main__":
    sys.exit(main())
