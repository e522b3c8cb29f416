"""What a replan moved for nothing goes back to where the plan had it."""

from __future__ import annotations

from platerota_shared.reading import read_request
from platerota_shared.starts import Start
from platerota_solver import Listener, solve
from platerota_solver.clock import Clock
from platerota_solver.constructing import vary
from platerota_solver.decoding import Decoder, copy_choices
from platerota_solver.keeping import keep_plan
from platerota_solver.problem import build_problem
from platerota_solver.settling import settle

from .shops import DAY, HOUR, order, tiny_shop


def test_runs_that_were_let_go_for_nothing_are_kept_again() -> None:
    raw = tiny_shop()
    raw["orders"] = [order("A", 3, 4 * HOUR), order("B", 3, DAY)]
    request = read_request(raw)
    base = solve(request)
    problem = keep_plan(build_problem(request), Start(base, counts_moves=True))
    decoder, clock = Decoder(problem), Clock(request.settings, Listener())
    kept = vary(problem, decoder, clock, base)[0]
    assert kept.keep.all()
    assert len(kept.keep) > 1
    loose = copy_choices(kept)
    loose.keep[:] = 0
    assert decoder.score(loose) > decoder.score(kept), "what is not kept counts as moved"
    settled = settle(decoder, loose, clock)
    assert settled.keep.all()
    assert decoder.score(settled) == decoder.score(kept)


def test_what_pays_for_its_move_stays_moved() -> None:
    """A run kept at the end of the day makes its order late; let go it is early, which is worth more than its tasks moved."""
    raw = tiny_shop(quantity=1, due=2 * HOUR)
    request = read_request(raw)
    plan = solve(request)
    later = plan.model_copy(update={"tasks": tuple(
        task.model_copy(update={"start": task.start + 3 * HOUR, "end": task.end + 3 * HOUR}) for task in plan.tasks
    )})
    problem = keep_plan(build_problem(request), Start(later, counts_moves=True))
    decoder, clock = Decoder(problem), Clock(request.settings, Listener())
    loose = copy_choices(vary(problem, decoder, clock, later)[0])
    assert len(loose.keep) == 1
    loose.keep[:] = 0
    assert not settle(decoder, loose, clock).keep.any()
