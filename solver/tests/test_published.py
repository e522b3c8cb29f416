"""Published optima: job shops, plates as a buffer, a common server, due-date theory. A plan must be proved to have them."""

from typing import Any

import numpy as np
import pyjobshop
import pytest

from benchmarks.job_shops import OPTIMA, job_shop_request, operations
from benchmarks.published import FLEXIBLE
from platerota_shared.audit import audit
from platerota_shared.reading import read_request
from platerota_solver import due_date_plan, solve
from platerota_solver.exact.walk import Walking
from platerota_solver.exact.walk_tables import WalkShop, walk_shop
from platerota_solver.problem import build_problem
from proof_tools.outside import Outside

SECONDS = 10.0  # a proof ends the solve sooner


def optimum(request: dict[str, Any]) -> float:
    """The proved score of a request, its plan audited."""
    checked = read_request(request)
    plan = solve(checked)
    assert audit(checked, plan) == []
    assert plan.quality == "optimal"
    return plan.score.total


def mills(count: int, runs: list[tuple[int, int]], score: dict[str, int], orders: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    """Like mills, one order for each run (hand seconds, cut seconds), each on a plate of its own; place, pull and unload take 0."""
    request = job_shop_request([[(0, cut)] for _, cut in runs], SECONDS)
    shop = request["shop"]
    shop["machines"] = [shop["machines"][0] | {"id": f"M{m}"} for m in range(count)]
    for fixture, (hand, _) in zip(shop["fixtures"], runs, strict=True):
        fixture.update(machines=[], load_seconds=hand)
    for order, changes in zip(request["orders"], orders or [], strict=bool(orders)):
        order.update(changes)
    request["settings"]["score"] = {"late_hour": 0, "finish_hour": 0, "makespan_hour": 0} | score
    return request


@pytest.mark.parametrize("name", ["ft06", "la01", "la02", "la03", "la04", "la05"])
def test_published_job_shops(outside: Outside, name: str) -> None:
    """Fisher & Thompson 1963, in Muth & Thompson, Industrial Scheduling, and Lawrence 1984; the larger ones are the bench's."""
    source = "Fisher & Thompson 1963" if name.startswith("ft") else "Lawrence 1984"
    found = optimum(job_shop_request(operations(name), 3 * SECONDS))
    outside(f"makespan of job shop {name}, proved optimal", found, OPTIMA[name], source, "data", off=1e-6)


def test_a_flexible_job_shop_as_pyjobshop_proves_it(outside: Outside) -> None:
    """ft06, each op on its mill or the next one: the makespan that PyJobShop proves for the same tables."""
    jobs = operations("ft06")
    model = pyjobshop.Model()
    mills = [model.add_machine() for _ in range(6)]
    for ops in jobs:
        job, before = model.add_job(), None
        for mill, seconds in ops:
            task = model.add_task(job)
            for choice in (mill, (mill + 1) % 6):
                model.add_mode(task, mills[choice], seconds)
            if before is not None:
                model.add_end_before_start(before, task)
            before = task
    solved = model.solve(time_limit=60, display=False, num_workers=1)
    assert solved.objective == solved.lower_bound == FLEXIBLE["ft06x2"]
    found = optimum(job_shop_request(jobs, SECONDS, choice=2))
    outside("makespan of ft06 with two mills for each op, proved optimal", found, solved.objective, "PyJobShop", "library", off=1e-6)


def test_flexible_job_shop_against_enumeration() -> None:
    """Each op on either of two mills: every sequence of ops and every choice of mills, each op begun as soon as it can."""
    jobs = [[3, 2], [2, 4], [4, 1], [5]]
    request = job_shop_request([[(0, length) for length in ops] for ops in jobs], SECONDS)
    request["shop"]["machines"].append(request["shop"]["machines"][0] | {"id": "M1"})
    for fixture in request["shop"]["fixtures"]:
        fixture["machines"] = []

    def least(done: tuple[int, ...], ready: tuple[int, ...], free: tuple[int, int]) -> int:
        found = [
            least(
                (*done[:j], done[j] + 1, *done[j + 1:]), (*ready[:j], end, *ready[j + 1:]),
                (end, free[1]) if mill == 0 else (free[0], end))
            for j, ops in enumerate(jobs) if done[j] < len(ops)
            for mill in (0, 1) for end in [max(ready[j], free[mill]) + ops[done[j]]]
        ]
        return min(found, default=max(ready))

    assert optimum(request) == pytest.approx(least((0,) * 4, (0,) * 4, (0, 0)))


# Loads, cuts, the end with one to four plates, Johnson's end, and the book whose example it is (from memory); no book: computed by two
# independent routes.
BUFFER = [
    ([4, 4, 30, 6, 2], [5, 1, 4, 30, 3], [89, 47, 47, 47], 47, "Johnson 1954"),
    ([3, 5, 1, 6, 7], [6, 2, 2, 6, 5], [43, 24, 24, 24], 24, "Baker"),
    ([1, 14, 2, 15, 2, 6], [5, 14, 7, 13, 6, 2], [87, 56, 50, 49], 49, ""),
    ([7, 8, 6, 1, 10, 10], [1, 1, 14, 5, 15, 4], [82, 52, 44, 43], 43, ""),
    ([11, 11, 10, 1, 10, 10], [13, 2, 8, 2, 18, 5], [101, 64, 57, 57], 57, ""),
]


def whole_runs(loads: list[int], cuts: list[int], plates: int, machines: int) -> WalkShop:
    """A walk over runs that cannot be split: like plates that each hold any one job, which no request can say."""
    jobs = len(loads)
    request = job_shop_request([[(0, 1)] for _ in loads], SECONDS)
    shop = request["shop"]
    shop["machines"] = [shop["machines"][0] | {"id": f"M{m}"} for m in range(machines)]
    shop["plates"] = [shop["plates"][0] | {"id": f"L{k}", "fixture": "F"} for k in range(plates)]
    shop["fixtures"] = [{"id": "F"}]
    for nest in shop["nests"]:
        nest["fixture"] = "F"
    plain = walk_shop(build_problem(read_request(request)))
    assert plain is not None
    w = plain.walk
    ints = np.int64
    least = np.zeros((jobs, 7), dtype=ints)
    least[:, 0], least[:, 1] = cuts, loads
    of_all = np.tile(least.min(axis=0), (jobs, 1))
    fills = {
        "fill_pieces": np.eye(jobs, dtype=ints), "fill_load": np.array(loads, dtype=ints), "fill_unload": np.zeros(jobs, dtype=ints),
        "fill_cut": np.repeat(np.array(cuts, dtype=ints)[:, None], machines, axis=1), "fill_from": np.zeros(jobs, dtype=ints),
        "fill_count": np.ones(jobs, dtype=ints), "fill_least": np.ones(jobs, dtype=ints), "family_fills": np.array([0, jobs], dtype=ints),
    }
    kinds = w.kinds._replace(least=least, least_of=of_all, capacity=np.ones(jobs, dtype=ints), kind_step=np.zeros(jobs, dtype=ints))
    most = np.tile([1, max(cuts)], (jobs, 1)).astype(ints)
    return WalkShop(
        w._replace(**fills, kinds=kinds, component_most=most, makespan=np.ones(1)),
        plain.groups, plain.kinds, plain.orders, plain.carriers, plain.operator,
    )


def least_makespan(loads: list[int], cuts: list[int], plates: int, machines: int, known: int) -> float:
    """The optimum of the walk, in seconds, which is to find something no worse than `known`."""
    walked = Walking(whole_runs(loads, cuts, plates, machines), known + 0.5, None, 3_000_000, lambda _: False).run()
    assert walked.exact
    return walked.total


@pytest.mark.parametrize(("loads", "cuts", "ladder", "johnson", "source"), BUFFER, ids=[row[4] + str(k) for k, row in enumerate(BUFFER)])
def test_plates_are_a_buffer(
    outside: Outside, loads: list[int], cuts: list[int], ladder: list[int], johnson: int, source: str,
) -> None:
    """One plate takes turns; two are the no-wait flow shop (Gilmore & Gomory 1964, Operations Research 12:655–679; Hall &
    Sriskandarajah 1996, ibid. 44:510–525); more than there are runs are Johnson's flow shop (1954).

    An exchange of 0 s takes the operator too and none falls inside a load, so where a third plate pays only if one does, one
    operator lies between the published value and that of two plates.
    """
    known = (ladder[0], ladder[1], ladder[1], ladder[1])
    found = [least_makespan(loads, cuts, plates, 1, limit) for plates, limit in zip((1, 2, 3, 4), known, strict=True)]
    assert found[0] == ladder[0]
    what = f"end of the last cut with two plates: loads {loads}, cuts {cuts}"
    outside(what, found[1], ladder[1], "Gilmore & Gomory 1964", "worked out", off=1e-6)
    assert all(low <= own <= ladder[1] for low, own in zip(ladder[2:], found[2:], strict=True))
    assert found == sorted(found, reverse=True)
    assert johnson <= least_makespan(loads, cuts, len(loads) + 1, 1, ladder[1]) <= found[3]
    assert found[3] >= max(min(loads) + sum(cuts), sum(loads) + min(cuts))
    if ladder[1] == johnson:
        assert found == ladder


@pytest.mark.parametrize(("loads", "cuts", "expected", "source"), [(row[0], row[1], row[3], row[4]) for row in BUFFER])
def test_a_plate_for_every_run_is_johnsons_flow_shop(
    outside: Outside, loads: list[int], cuts: list[int], expected: int, source: str,
) -> None:
    """Johnson 1954: his sequence (loads shorter than their cuts first, by load; the others by cut, longest first) and its
    makespan, through the public entry. Somebody else exchanges plates, so that no exchange waits for the end of a load; one of
    the two mills is shut out, which leaves the week to the model that knows two people."""
    first = sorted((j for j in range(len(loads)) if loads[j] < cuts[j]), key=lambda j: loads[j])
    last = sorted((j for j in range(len(loads)) if loads[j] >= cuts[j]), key=lambda j: -cuts[j])
    loaded = done = 0
    for job in (*first, *last):
        loaded += loads[job]
        done = max(done, loaded) + cuts[job]
    assert done == expected
    request = mills(2, list(zip(loads, cuts, strict=True)), {"makespan_hour": 3_600})
    shop = request["shop"]
    for fixture in shop["fixtures"]:
        fixture["machines"] = ["M1"]
    shop["operators"] = [{"id": "O1", "skills": ["load"]}, {"id": "O2", "skills": ["exchange", "unload"]}]
    shop["shifts"].append(shop["shifts"][0] | {"operator": "O2"})
    what = f"end of the last cut with a plate for every run: loads {loads}, cuts {cuts}"
    outside(what, optimum(request), expected, source or "Johnson 1954", "memory" if source else "worked out", off=1e-6)


SERVER = [
    (12, 3, 5, 40, 190), (12, 3, 20, 40, 280), (12, 3, 25, 40, 340), (10, 2, 15, 45, 315), (12, 4, 10, 25, 145),
    (6, 2, 5, 12, 56), (6, 3, 5, 9, 39), (6, 3, 5, 20, 60),
]


@pytest.mark.parametrize(("runs", "count", "hand", "cut", "expected"), SERVER)
def test_common_server_of_like_runs(outside: Outside, runs: int, count: int, hand: int, cut: int, expected: int) -> None:
    """One plate a mill, one operator: P,S1 | s_j = s, p_j = p | C_max (Hall, Potts & Sriskandarajah 2000, Discrete Applied
    Mathematics 102:223–243); the values worked out from the cycle and by a constraint model."""
    request = mills(count, [(hand, cut)], {"makespan_hour": 3_600})
    request["orders"][0]["quantity"] = runs
    request["shop"]["plates"] = [request["shop"]["plates"][0] | {"id": f"L{k}"} for k in range(count)]
    what = f"end of {runs} like runs of {hand} s by hand and {cut} s of cutting on {count} mills, one operator"
    outside(what, optimum(request), expected, "Hall, Potts & Sriskandarajah 2000", "worked out", off=1e-6)


@pytest.mark.parametrize(("count", "hands", "cuts", "expected"), [
    (2, [2, 3, 1, 4, 2, 3], [7, 5, 9, 4, 6, 8], 28), (2, [1] * 6, [4, 7, 2, 5, 3, 6], 17),
    (2, [5] * 6, [20, 12, 9, 15, 7, 18], 59), (3, [5] * 6, [20, 12, 9, 15, 7, 18], 42),
])
def test_common_server_of_different_runs(outside: Outside, count: int, hands: list[int], cuts: list[int], expected: int) -> None:
    """P,S1 | s_j, p_j | C_max, values worked out by enumeration and by a constraint model."""
    what = f"end of runs of {hands} s by hand and {cuts} s of cutting on {count} mills, one operator"
    found = least_makespan(hands, cuts, count, count, expected + 1)
    outside(what, found, expected, "Hall, Potts & Sriskandarajah 2000", "worked out", off=1e-6)


@pytest.mark.parametrize(("count", "hand", "cuts", "expected"), [
    (2, 1, [4, 7, 2, 5, 3, 6], 17), (2, 5, [20, 12, 9, 15, 7, 18], 59), (3, 5, [20, 12, 9, 15, 7, 18], 42),
])
def test_common_server_at_the_mills(count: int, hand: int, cuts: list[int], expected: int) -> None:
    """The rows with one hand time, P,S1 | s_j = s, p_j | C_max, through the public entry: the hand work is the place, which holds
    the mill as a server's setup does. The row with different hand times is above: a place takes what its mill says."""
    request = mills(count, [(0, cut) for cut in cuts], {"makespan_hour": 3_600})
    for machine in request["shop"]["machines"]:
        machine["place_seconds"] = hand
    assert optimum(request) == pytest.approx(expected)


WORK = [4, 2, 6, 3, 5, 7]
WEIGHTS = [3, 1, 2, 4, 2, 1]
DUES = ([8, 5, 20, 6, 14, 22], [6, 4, 9, 5, 12, 15])


def dated(dues: list[int], weights: list[int]) -> list[dict[str, Any]]:
    """Due dates in seconds after now, and weights."""
    return [{"due": f"2027-03-01T00:{due // 60:02}:{due % 60:02}", "weight": w} for due, w in zip(dues, weights, strict=True)]


@pytest.mark.parametrize(("dues", "greatest"), [(DUES[0], 5), (DUES[1], 12)])
def test_earliest_due_date_first_has_the_least_greatest_lateness(outside: Outside, dues: list[int], greatest: int) -> None:
    """Jackson 1955."""
    plan = due_date_plan(read_request(mills(1, [(0, p) for p in WORK], {"late_hour": 3_600}, dated(dues, WEIGHTS))))
    found = max(order.late_seconds or 0 for order in plan.orders)
    outside(f"greatest lateness by due date: {WORK} s due {dues}", found, greatest, "Jackson 1955", "worked out")


@pytest.mark.parametrize(("dues", "expected"), [(DUES[0], 2), (DUES[1], 3)])
def test_no_plan_has_fewer_late_orders_than_moore_says(outside: Outside, dues: list[int], expected: int) -> None:
    """Moore 1968: by due date, and whenever one would be late the longest so far goes last. No score counts late orders, so
    the plans of several scores are held against the least number."""
    kept: list[int] = []
    for due, work in sorted(zip(dues, WORK, strict=True)):
        kept.append(work)
        if sum(kept) > due:
            kept.remove(max(kept))
    assert len(WORK) - len(kept) == expected
    late = []
    for score in ({"late_hour": 3_600}, {"finish_hour": 3_600}, {"late_hour": 36, "finish_hour": 1}):
        plan = solve(read_request(mills(1, [(0, p) for p in WORK], score, dated(dues, [1] * 6))))
        late.append(sum(bool(order.late_seconds) for order in plan.orders))
    fewer = sum(count < expected for count in late)
    outside(f"plans with fewer late orders than the least, {expected}: {WORK} s due {dues}", fewer, 0, "Moore 1968", "worked out")


def test_weighted_completion(outside: Outside) -> None:
    """Smith 1956: Σw·C = 137."""
    found = optimum(mills(1, [(0, p) for p in WORK], {"finish_hour": 3_600}, dated(DUES[0], WEIGHTS)))
    outside(f"sum of weighted finishes: {WORK} s, weights {WEIGHTS}", found, 137, "Smith 1956", "worked out", off=1e-6)


@pytest.mark.parametrize(("dues", "weights", "expected"), [(DUES[0], WEIGHTS, 8), (DUES[1], WEIGHTS, 46), (DUES[1], [1] * 6, 28)])
def test_weighted_tardiness(outside: Outside, dues: list[int], weights: list[int], expected: int) -> None:
    """Σw·T by enumeration; ΣT as in Lawler 1977."""
    found = optimum(mills(1, [(0, p) for p in WORK], {"late_hour": 3_600}, dated(dues, weights)))
    outside(f"sum of weighted tardiness: {WORK} s due {dues}, weights {weights}", found, expected, "Lawler 1977", "worked out", off=1e-6)


@pytest.mark.parametrize(("dues", "weights", "expected"), [
    ([30, 30, 60, 60, 60, 90, 120, 120], [1, 5, 2, 2, 1, 3, 1, 1], 30), ([30, 30, 30, 30, 60, 60, 60, 90], [4, 3, 2, 1, 3, 2, 1, 1], 270),
])
def test_like_runs_are_an_assignment_problem(outside: Outside, dues: list[int], weights: list[int], expected: int) -> None:
    """Two like mills, runs of 30 s: runs to slots at 30, 60, … s, checked with SciPy's linear_sum_assignment too."""
    from scipy.optimize import linear_sum_assignment

    ends = np.repeat(np.arange(1, 5) * 30, 2)
    cost = np.array([[w * max(0, end - due) for end in ends] for due, w in zip(dues, weights, strict=True)])
    assert cost[linear_sum_assignment(cost)].sum() == expected
    request = mills(2, [(0, 30)] * 8, {"late_hour": 3_600}, dated(dues, weights))
    request["settings"]["solve_seconds"] = 6 * SECONDS  # a proof of more than a few orders gets a fifth of it
    assigned = float(cost[linear_sum_assignment(cost)].sum())
    what = f"weighted tardiness of like runs of 30 s on two mills: due {dues}, weights {weights}"
    outside(what, optimum(request), assigned, "SciPy", "library", off=1e-6)


@pytest.mark.parametrize(("count", "work", "longest_first", "expected"), [(3, [5, 5, 4, 4, 3, 3, 3], 11, 9), (2, [4, 5, 6, 7, 8], 17, 15)])
def test_makespan_on_like_mills(outside: Outside, count: int, work: list[int], longest_first: int, expected: int) -> None:
    """McNaughton 1959: max(longest, ⌈Σp ÷ m⌉) bounds it from below. Graham 1969: longest first is at most 4/3 − 1/(3m) times the
    optimum, and the first row is as bad as that."""
    busy = [0] * count
    for seconds in sorted(work, reverse=True):
        busy[busy.index(min(busy))] += seconds
    assert max(busy) == longest_first
    assert longest_first * 3 * count <= expected * (4 * count - 1)
    found = optimum(mills(count, [(0, p) for p in work], {"makespan_hour": 3_600}))
    least = max(*work, -(-sum(work) // count))
    what = f"makespan of {work} s on {count} like mills: the bound that it reaches"
    outside(what, found, least, "McNaughton 1959", "worked out", off=1e-6)
    ratio = f"longest first against the optimum: {work} s on {count} like mills"
    outside(ratio, longest_first / found, longest_first / expected, "Graham 1969", "memory", off=1e-6)
