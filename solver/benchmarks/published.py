"""`python -m benchmarks.published [SECONDS] [NAME …]`: published job shops through the public entry, score, proof and seconds of each."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from time import perf_counter

from benchmarks.job_shops import OPTIMA, job_shop_request, operations
from platerota_shared.audit import audit
from platerota_shared.reading import read_request
from platerota_solver import solve


def main(arguments: Sequence[str]) -> int:
    """Solve each instance; 0 where every optimum was found and proved."""
    seconds = float(arguments[0]) if arguments else 60.0
    missed = 0
    for name in arguments[1:] or OPTIMA:
        request = read_request(job_shop_request(operations(name), seconds))
        began = perf_counter()
        plan = solve(request)
        took = perf_counter() - began
        well = plan.quality == "optimal" and round(plan.score.total) == OPTIMA[name] and not audit(request, plan)
        missed += not well
        score = f"{plan.score.total:g} (published {OPTIMA[name]}), bound {plan.score.bound:g}"
        print(f"{name}: {score}, {plan.quality}, {took:.1f} s", flush=True)
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
