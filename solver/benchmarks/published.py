"""`python -m benchmarks.published [SECONDS] [NAME …]`: published job shops through the public entry, score, proof and seconds of each."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from time import perf_counter

from benchmarks.job_shops import OPTIMA, job_shop_request, operations
from platerota_shared.audit import audit
from platerota_shared.reading import read_request
from platerota_solver import solve

FLEXIBLE = {"ft06x2": 47, "la16x2": 717}
"""Job shops each of whose ops may also go to the next mill (`job_shop_request(…, choice=2)`): no published instance, but the
optimum that PyJobShop 0.0.9 proves for these tables."""
INSTANCES = {**OPTIMA, **FLEXIBLE}


def solve_published(name: str, seconds: float) -> dict[str, float]:
    """Figures of one instance; `optimum` is 1 where its audited plan has the optimal makespan and is proved to."""
    bare, _, choice = name.partition("x")
    request = read_request(job_shop_request(operations(bare), seconds, int(choice or 1)))
    began = perf_counter()
    plan = solve(request)
    took = perf_counter() - began
    proved = plan.quality == "optimal" and round(plan.score.total) == INSTANCES[name]
    return {
        "score": plan.score.total, "bound": plan.score.bound, "solve_s": took, "published": float(INSTANCES[name]),
        "findings": float(len(audit(request, plan))), "proved": float(proved),
    }


def line(name: str, figures: dict[str, float]) -> str:
    """One instance in words."""
    score = f"{figures['score']:g} (published {figures['published']:g}), bound {figures['bound']:g}"
    return f"{name}: {score}, {'proved' if figures['proved'] else 'NOT PROVED'}, {figures['solve_s']:.1f} s"


def main(arguments: Sequence[str]) -> int:
    """Solve each instance; 0 where every optimum was found and proved."""
    seconds = float(arguments[0]) if arguments else 60.0
    missed = 0
    for name in arguments[1:] or INSTANCES:
        figures = solve_published(name, seconds)
        missed += not figures["proved"] or bool(figures["findings"])
        print(line(name, figures), flush=True)
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
