"""The simulator against what is published or can be worked out with a pencil.

What matches: one machine and one operator (Ashcroft), stops that somebody always serves at once (Palm's table with enough operators), the
worker and machine chart, closed forms of one or two machines. What does not: one operator who serves several machines whichever stops
first, because sequences are kept here; Palm's value is then an upper limit, and a test says by how much.
"""

import math

import numpy as np
import pytest
from scipy.stats import lognorm

from platerota_shared.risks import RisksQuestion, Spread, Stops
from platerota_solver.risk.chances import Stopping, factors
from platerota_solver.risk.network import Network, Step, Wait
from platerota_solver.risk.openings import NEVER, Opening
from platerota_solver.risk.running import run_weeks

ALWAYS = Opening([(0, NEVER // 2)])
EXPONENTIAL = Spread(variation=1.0, distribution="gamma")
STILL = {"hand": Spread(variation=0.0), "cut": Spread(variation=0.0), "stops": Stops(per_cutting_hour=0.0)}


def served(machines, cycles, service, cut, walk=0):
    """One operator who serves like machines in turn: the machine stands while it is served, cuts while the operator walks on."""
    steps = []

    def add(seconds, is_cut, *befores):
        waits = tuple(Wait(before, 0, 0) for before in befores if before is not None)
        steps.append(Step(planned=0, earliest=0, work=seconds, cut=is_cut, pauses=False, opening=ALWAYS, away=0, waits=waits))
        return len(steps) - 1

    free, cuts, at = None, [None] * machines, [[] for _ in range(machines)]
    for _ in range(cycles):
        for machine in range(machines):
            done = add(service, False, free, cuts[machine])
            free = add(walk, False, done)
            cuts[machine] = add(cut, True, done)
            at[machine].append((done, cuts[machine]))
    return Network(tuple(steps), (("operator", "Ann"),), {}, ALWAYS, NEVER), at


def running_share(machines, question, service, cut, *, cycles=200, weeks=400):
    """Cutting as a share of the time, each machine's first 40 cycles left out."""
    network, at = served(machines, cycles, service, cut)
    done = run_weeks(network, question, weeks, np.random.default_rng(7))
    shares = []
    for own in at:
        cuts = [cut for _, cut in own[40:]]
        span = done.starts[cuts[-1]] - done.starts[cuts[0]]
        shares.append(done.taken[cuts[:-1]].sum() / span.sum())
    return float(np.mean(shares))


# Niebel & Freivalds; Groover; ILO (check values, section 5): seconds, and hundredths of a minute for the last case.
@pytest.mark.parametrize(("machines", "machine", "service", "walk", "cycle"), [
    (4, 165, 25, 20, 190), (5, 165, 25, 20, 225), (5, 192, 30, 12, 222), (4, 216, 40, 20, 256), (5, 216, 40, 20, 300),
    (3, 434, 141, 8, 575), (4, 434, 141, 8, 596),
])
def test_the_worker_and_machine_chart_is_reproduced(outside, machines, machine, service, walk, cycle):
    network, at = served(machines, 12, service, machine, walk)
    done = run_weeks(network, RisksQuestion(**STILL), 3, np.random.default_rng(1))
    for own in at:
        starts = done.starts[[service for service, _ in own[4:]]]
        assert (np.diff(starts, axis=0) == cycle).all()
    source, unit = ("Niebel & Freivalds", "0.01 min") if walk == 8 else ("Groover", "s")
    known = "worked out" if machine in (192, 216) else "memory"
    what = f"simulated cycle of {machines} machines, {unit}: machine {machine}, service {service}, walk {walk}"
    outside(what, int(starts[-1, 0] - starts[-2, 0]), cycle, source, known)


# Ashcroft 1950, N = 1 and ρ = 0.1 (from memory, as the check values say): .909; the same for any distribution with these means.
@pytest.mark.parametrize("hand", [Spread(variation=0.0), EXPONENTIAL, Spread(variation=0.5)])
def test_one_machine_with_random_running_time_runs_as_ashcroft_says(outside, hand):
    question = RisksQuestion(**{**STILL, "hand": hand, "cut": EXPONENTIAL})
    what = f"share that one machine runs, service a tenth of its running time, {hand.distribution} of variation {hand.variation:g}"
    outside(what, running_share(1, question, 1_000, 10_000), 0.909, "Ashcroft 1950", "memory", off=0.002)


def palm(machines, x, operators=1):
    """Palm's finite queue: F, the share of the running and served time that is not lost by waiting, X = T ÷ (T + U)."""
    ratio = x / (1 - x)
    weight, weights = 1.0, []
    for down in range(machines + 1):
        weights.append(weight)
        weight *= (machines - down) * ratio / min(down + 1, operators)
    running = sum((machines - down) * weight for down, weight in enumerate(weights)) / sum(weights)
    return running / (machines * (1 - x))


def test_palms_queue_gives_the_published_table(outside):
    # Peck & Hazelwood, Finite Queuing Tables (check values, section 5).
    rows = [(4, 0.05, 1, 0.992), (5, 0.05, 1, 0.989), (6, 0.05, 1, 0.985), (5, 0.10, 1, 0.950), (5, 0.10, 2, 0.997)]
    rows += [(20, 0.10, operators, f) for operators, f in enumerate((0.500, 0.878, 0.975, 0.995, 0.999), 1)]
    for machines, x, operators, published in rows:
        what = f"F of Palm's queue, the reference of the simulator: N {machines}, X {x:.2f}, operators {operators}"
        outside(what, round(palm(machines, x, operators), 3), published, "Peck & Hazelwood 1958", "seen")


def test_stops_that_are_served_at_once_leave_what_the_table_says_for_enough_operators(outside):
    # X = T ÷ (T + U) = .10: stops of 1,000 s, 9,000 s of cutting between them; F = .999 for 20 machines and 5 operators.
    stopping = Stopping(Stops(per_cutting_hour=0.4, mean_seconds=1_000, needs_person=False), ALWAYS)
    cutting = np.full(20_000, 90_000, dtype=np.int64)
    stood = stopping.standing(np.zeros(20_000, dtype=np.int64), cutting, np.random.default_rng(3))
    share = cutting.sum() / (cutting + stood).sum()
    what = "simulated F of stops that are served at once: N 20, X 0.10, operators 5"
    outside(what, share / (1 - 0.10), 0.999, "Peck & Hazelwood 1958", "seen", off=0.002)


def test_two_machines_served_in_turn_run_as_the_closed_form_says_and_less_than_palm_allows():
    # Worked out here. λ and µ: rates of stopping and service, q = µ/(λ+µ). When the operator turns to a machine it already waits with
    # chance p = (2−q)/(2+q), because 1−p = E exp(−λ(wait + service)) = (p + (1−p)/2)·q; so one turn takes (1−p)/λ + 1/µ, and a machine
    # runs 1/λ in two of them. λ = .1, µ = 1: 10 ÷ 14.5.
    rate, service = 0.1, 1.0
    q = service / (rate + service)
    waiting = (2 - q) / (2 + q)
    expected = (1 / rate) / (2 * ((1 - waiting) / rate + 1 / service))
    assert expected == pytest.approx(10 / 14.5)
    question = RisksQuestion(**{**STILL, "hand": EXPONENTIAL, "cut": EXPONENTIAL})
    share = running_share(2, question, 1_000, 10_000)
    assert share == pytest.approx(expected, abs=0.003)
    assert share < palm(2, 1 / 11) * (1 - 1 / 11)


@pytest.mark.parametrize("spread", [Spread(variation=0.3), Spread(variation=1.5), EXPONENTIAL, Spread(variation=0.4, distribution="gamma")])
def test_spreads_keep_the_mean_and_have_the_variation_that_was_asked(spread):
    drawn = factors(spread, (400_000,), np.random.default_rng(5))
    assert drawn.mean() == pytest.approx(1.0, abs=0.01)
    assert drawn.std() == pytest.approx(spread.variation, rel=0.03)


def test_lognormal_quantiles_are_those_of_a_reference_library(outside):
    sigma = math.sqrt(math.log(1 + 0.25**2))
    drawn = factors(Spread(variation=0.25), (400_000,), np.random.default_rng(6))
    for share in (0.1, 0.5, 0.9, 0.99):
        published = float(lognorm.ppf(share, sigma, scale=math.exp(-sigma * sigma / 2)))
        what = f"quantile {share} of hand work that varies by a quarter"
        outside(what, float(np.quantile(drawn, share)), published, "SciPy", "library", off=0.01 * published)


def test_a_stop_that_nobody_sees_stands_until_somebody_comes():
    # Somebody is there in the first hour and from the third one on; a cut of an hour starts with the second one.
    stopping = Stopping(Stops(per_cutting_hour=10, mean_seconds=60, variation=0), Opening([(0, 3_600), (7_200, 100_000)]))
    start, cutting = np.full(5_000, 3_600, dtype=np.int64), np.full(5_000, 3_600, dtype=np.int64)
    stood = stopping.standing(start, cutting, np.random.default_rng(2))
    # The first stop comes after an exponential time A of mean 360 s; the machine stands until 7,200, then a minute for each stop.
    first = 360 * (1 - math.exp(-10))
    assert stood[stood > 0].min() >= 60
    assert stood.mean() == pytest.approx(3_600 - first + 600, rel=0.01)


def test_openings_find_the_first_place_that_is_long_enough():
    spans = [(0, 100), (200, 260), (400, 700)]
    at = np.array([0, 41, 60, 150, 230, 640, 641], dtype=np.int64)
    assert Opening(spans).fitting(at, 60).tolist() == [0, 200, 200, 200, 400, 640, NEVER]
    assert Opening(spans).fitting(at, 61).tolist() == [0, 400, 400, 400, 400, NEVER, NEVER]
    # Who stays 20 s finishes what ends by then, but begins nothing that is longer than the whole span.
    assert Opening(spans, stay=20).fitting(at, 61).tolist() == [0, 41, 400, 400, 400, 640, 641]


def test_work_that_pauses_goes_on_in_the_next_open_span():
    opening = Opening([(0, 100), (200, 260), (400, 700)])
    assert opening.resumed(np.array([50, 100, 150, 700], dtype=np.int64)).tolist() == [50, 200, 200, NEVER]
    start, seconds = np.array([0, 0, 0, 50, 200], dtype=np.int64), np.array([100, 101, 160, 111, 0], dtype=np.int64)
    assert opening.worked_off(start, seconds).tolist() == [100, 201, 260, 401, 200]
