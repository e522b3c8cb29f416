"""Which rules of the floor the exact models know: what they leave out makes their answer a bound and no plan."""

from __future__ import annotations

import numpy as np

from platerota_solver.problem import Problem


def left_out(problem: Problem) -> list[str]:
    """Names of the features that `problem` uses and the exact models relax.

    Each is dropped in the direction that helps a plan: work that is not done, overtime that costs nothing, a fixture that
    stands before it is built, a mill that is free although a cut runs on it. So a model without them still bounds every plan.
    """
    p = problem.arrays
    overtime = any(p.list_from[n + 1] > p.list_from[n] for n in p.l_overtime)
    used = p.i_step[p.i_need > 0]
    found = {
        "setups": bool(p.setup.any()),
        "builds": bool(p.c_build.any()),
        "overtime": overtime,
        "bench work": bool(p.s_bench[used].any()),
        "waiting after an op": bool(p.s_after[used].any()),
        "first articles": bool((p.i_first[p.i_need > 0] == 1).any()),
        "runs under way": len(p.floor_runs) > 0,
        "automatic exchange": bool(p.m_auto.any()),
        "plates that stay": bool(np.any(p.p_stays >= 0)),
    }
    return [name for name, there in found.items() if there]
