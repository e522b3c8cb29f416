"""The rhythm of mills and the operator who feeds them, equal to the second.

A mill with one plate takes turns with its operator: the cycle is cut + hand work. With two plates the hand work hides behind the cut:
max(cut, hand work) + exchange (common practice). One operator and n like mills: the worker-machine chart. With l the work at the
stopped machine, m the machine's own time and w the work away from it, n' = (l + m) / (l + w); the cycle is l + m up to n' machines and
n (l + w) past it (Niebel & Freivalds, Methods, Standards and Work Design; Groover, Automation, Production Systems and CIM; ILO,
Introduction to Work Study). Here l is the exchange, m the cut, and w loading and unloading at the bench while the other plate cuts.
"""

from __future__ import annotations

import heapq
import itertools
from dataclasses import dataclass

import pytest

from platerota_shared import read_request
from platerota_solver.constructing import split_tokens
from platerota_solver.decoding import Decoder
from platerota_solver.kernel.state import CUT_END, first_choices
from platerota_solver.problem import build_problem
from proof_tools.outside import Outside

from .shops import Raw, finish, mill, order, plate, rate, solved, times, tiny_shop

MINUTE = 60


@dataclass(frozen=True)
class Rhythm:
    """Like mills with their plates, and one operator who is always there; all in seconds."""

    mills: int
    plates: int  # per mill
    cut: int
    load: int = 10 * MINUTE
    unload: int = 5 * MINUTE
    place: int = MINUTE
    pull: int = MINUTE

    def shop(self, runs: int) -> Raw:
        """An order of so many runs per mill, whose last finish is all that counts."""
        raw = tiny_shop(quantity=self.mills * runs)
        shop = raw["shop"]
        shop["machines"] = [mill(f"M{number}", place_seconds=self.place, pull_seconds=self.pull) for number in range(self.mills)]
        shop["plates"] = [plate(f"P{number}") for number in range(self.mills * self.plates)]
        shop["fixtures"] = [{"id": "F", "load_seconds": self.load, "unload_seconds": self.unload}]
        shop["operations"][0]["cut_seconds"] = self.cut
        rate(raw, makespan_hour=1)
        return raw

    def chart(self, runs: int) -> int:
        """When the last plate is unloaded where the operator goes from mill to mill as each comes to need something.

        At a mill whose cut is over: pull, place the plate that is ready, unload the other and load it again. With one plate per mill
        the pulled one is unloaded, loaded and placed.
        """
        clock, left, done = 0, [runs] * self.mills, 0
        ahead = [0] * self.mills  # loaded plates that wait at the bench
        due = [(0, number) for number in range(self.mills)]
        while due:
            wanted, number = heapq.heappop(due)
            clock = max(clock, wanted)
            begun = left[number] < runs
            if begun:
                clock += self.pull
            if begun and self.plates == 1:
                clock += self.unload
            if left[number]:
                if not ahead[number]:
                    clock += self.load
                ahead[number] = 0
                clock += self.place
                left[number] -= 1
                heapq.heappush(due, (clock + self.cut, number))
            if begun and self.plates > 1:
                clock += self.unload
            if self.plates > 1 and left[number] and not ahead[number] and (begun or self.mills == 1):
                clock += self.load
                ahead[number] = 1
            done = clock
        return done


# minutes: L = 10, U = 5, s = 1 + 1 (computed); the end of the last cut for 2, 3 and 4 runs per mill.
@pytest.mark.parametrize(("rhythm", "ends"), [
    (Rhythm(mills=1, plates=2, cut=40 * MINUTE), (93, 135, 177)),
    (Rhythm(mills=2, plates=2, cut=40 * MINUTE), (104, 146, 188)),
    (Rhythm(mills=2, plates=2, cut=20 * MINUTE), (66, 100, 134)),
    (Rhythm(mills=1, plates=1, cut=40 * MINUTE), (108, 165, 222)),
], ids=["two plates", "two mills", "two mills, busy operator", "one plate"])
@pytest.mark.parametrize("runs", [2, 3, 4])
def test_the_last_cut_ends_when_the_chart_says(rhythm: Rhythm, ends: tuple[int, ...], runs: int) -> None:
    plan = solved(rhythm.shop(runs))
    assert max(end for _, end in times(plan, "cut")) == ends[runs - 2] * MINUTE


# Minutes, h = load + unload + exchange = 17 (computed): one plate per mill max(cut + h, mills x h), two max(cut + exchange, mills x h).
@pytest.mark.parametrize(("rhythm", "cycle"), [
    (Rhythm(mills=1, plates=1, cut=40 * MINUTE), 57),  # cut + hand work
    (Rhythm(mills=2, plates=1, cut=10 * MINUTE), 34),  # one plate each, and the operator is never idle
    (Rhythm(mills=3, plates=1, cut=20 * MINUTE), 51),
    (Rhythm(mills=1, plates=2, cut=40 * MINUTE), 42),  # cut + exchange
    (Rhythm(mills=1, plates=2, cut=12 * MINUTE), 17),  # hand work: the mill waits
    (Rhythm(mills=1, plates=2, cut=5 * MINUTE), 17),
    (Rhythm(mills=2, plates=2, cut=40 * MINUTE), 42),
    (Rhythm(mills=2, plates=2, cut=20 * MINUTE), 34),  # from here on each mill waits for the operator
    (Rhythm(mills=2, plates=2, cut=10 * MINUTE), 34),
    (Rhythm(mills=3, plates=2, cut=30 * MINUTE), 51),
    (Rhythm(mills=3, plates=2, cut=12 * MINUTE), 51),
    (Rhythm(mills=4, plates=2, cut=30 * MINUTE), 68),
], ids=lambda value: f"{value.mills}x{value.plates} {value.cut // MINUTE}" if isinstance(value, Rhythm) else None)
def test_the_steady_cycle_is_reached_to_the_second(rhythm: Rhythm, cycle: int) -> None:
    """Every further run per mill moves the constructive plan's finish by one cycle."""
    finishes = [constructed(rhythm.shop(runs)) for runs in (4, 5, 6, 7)]
    assert [later - sooner for sooner, later in itertools.pairwise(finishes)] == [cycle * MINUTE] * 3


def constructed(raw: Raw) -> int:
    """When the single order of a shop finishes whose plates are fetched with the next one, nothing searched."""
    problem = build_problem(read_request(raw))
    decoder = Decoder(problem)
    choices = split_tokens(problem, [0])
    choices.late[:], choices.room[:] = 1, 0
    assert decoder.run(choices) == -1
    return int(decoder.state.finish[0])


@pytest.mark.parametrize(("load", "cuts"), [
    (300, [100, 500, 200, 700, 250]), (300, [310, 290, 900, 20, 300, 600]), (600, [30, 40, 20, 50]),
])
@pytest.mark.parametrize(("place", "pull"), [(0, 0), (30, 20)])
def test_two_plates_are_a_no_wait_flow_shop_in_any_sequence(load: int, cuts: list[int], place: int, pull: int) -> None:
    """Orders of one piece each that take turns on two plates: L + sum of max(L, C of all but the last) + C of the last, and the exchanges.

    No unload: the two-machine blocking flow shop, which is the no-wait flow shop (Gilmore & Gomory 1964, Operations Research
    12:655-679; Hall & Sriskandarajah 1996, ibid. 44:510-525). Every tenth sequence.
    """
    raw = tiny_shop()
    shop = raw["shop"]
    shop["machines"] = [mill("M1", place_seconds=place, pull_seconds=pull)]
    shop["plates"] = [plate("P1"), plate("P2")]
    shop["fixtures"] = [{"id": "F", "load_seconds": load}]
    shop["nests"] = [{"fixture": "F", "part": f"W{k}", "op": 10, "count": 1} for k in range(len(cuts))]
    shop["operations"] = [{"part": f"W{k}", "op": 10, "cut_seconds": cut} for k, cut in enumerate(cuts)]
    raw["orders"] = [order(f"O{k}", part=f"W{k}") for k in range(len(cuts))]
    problem = build_problem(read_request(raw))
    decoder = Decoder(problem)
    for sequence in itertools.islice(itertools.permutations(range(len(cuts))), 0, None, 10):
        choices = first_choices(problem, list(sequence))
        choices.late[:], choices.share[:] = 2, 0
        assert decoder.run(choices) == -1
        *first, last = (cuts[k] for k in sequence)
        exchanges = len(cuts) * place + (len(cuts) - 1) * pull
        assert decoder.state.runs[:len(cuts), CUT_END].max() == load + sum(max(load, cut) for cut in first) + last + exchanges


def niebel(mills: int) -> Rhythm:
    """l 1.41, m 4.34, w 0.08 min, in fifths of a second so that all are whole (from memory)."""
    return Rhythm(mills, plates=2, cut=1_302, place=223, pull=200, load=14, unload=10)


# The machine's time, the service at it and the walk to the next. Cycle in seconds, fifths of a second for the last two.
CHARTS = [
    (Rhythm(4, plates=2, cut=165, place=15, pull=10, load=12, unload=8), 190),  # Groover, from memory: n' = 4.22, 3.167 min
    (Rhythm(5, plates=2, cut=165, place=15, pull=10, load=12, unload=8), 225),  # 3.75 min
    (Rhythm(5, plates=2, cut=192, place=15, pull=15, load=7, unload=5), 222),  # Groover, a problem, answer ours: n' = 5.286, 3.70 min
    (Rhythm(4, plates=2, cut=216, place=20, pull=20, load=12, unload=8), 256),  # the same: n' = 4.267, 4.267 min
    (Rhythm(5, plates=2, cut=216, place=20, pull=20, load=12, unload=8), 300),  # 5.0 min
    (niebel(3), 1_725),  # n' = 3.86, 5.75 min
    (niebel(4), 1_788),  # 5.96 min
]


@pytest.mark.parametrize(("rhythm", "cycle"), CHARTS)
def test_one_operator_serves_as_many_mills_as_the_chart_says(outside: Outside, rhythm: Rhythm, cycle: int) -> None:
    """The operator who goes round reaches the published cycle; the plan reaches it too, and is done no later than that operator."""
    assert rhythm.chart(12) - rhythm.chart(11) == cycle
    finishes = [constructed(rhythm.shop(runs)) for runs in (3, 4, 11, 12)]
    assert finishes[1] - finishes[0] == cycle
    source, unit = ("Niebel & Freivalds", "0.2 s") if rhythm.cut == 1_302 else ("Groover", "s")
    what = f"cycle of a plan for {rhythm.mills} mills with two plates each, {unit}: cut {rhythm.cut}"
    outside(what, finishes[3] - finishes[2], cycle, source, "worked out" if rhythm.cut in (192, 216) else "memory")
    assert all(own <= rhythm.chart(runs) for own, runs in zip(finishes, (3, 4, 11, 12), strict=True))
    assert finish(solved(rhythm.shop(3))) <= finishes[0]
