"""What a planner should know of the floor as it was taken over from a plan: what the tables of the floor cannot say."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from platerota_shared.audit.book import Book
from platerota_shared.audit.stock import ready_task
from platerota_shared.plan import Warning_
from platerota_shared.replanning.progress import Progress, begun, done

_WORDS: Final[dict[str, str]] = {
    "build": "being built", "load": "being loaded", "place": "being placed", "pull": "being pulled", "unload": "being unloaded",
}


def notes(book: Book, runs: Iterable[Progress], now: int) -> Iterator[Warning_]:
    """Work that is planned again whole, and work after unloading that the new request does not know of."""
    for run in runs:
        if run.said is None:
            yield from _half_done(run, now)
        yield from _not_known(book, run, now)
    for build in book.builds:
        if begun(build, now):
            words = f"plate {build.plate} is being built into fixture {build.fixture}; the replan counts the build as not begun"
            yield Warning_(code="starts-again", detail=words, pointer="/shop/plates")


def _half_done(run: Progress, now: int) -> Iterator[Warning_]:
    plate = run.trip.run.plate
    if run.finishing is not None:
        return
    for task in run.trip.chain:
        if task.kind in _WORDS and begun(task, now):
            words = f"plate {plate} is {_WORDS[task.kind]} ({task.id}); the replan counts that as not begun"
            yield Warning_(code="starts-again", detail=words, pointer="/floor/waiting")
    setup = run.trip.setup
    if setup is not None and begun(setup, now):
        words = f"machine {setup.machine} is being set up ({setup.id}); the replan counts that as not begun"
        yield Warning_(code="starts-again", detail=words, pointer="/floor/last_fixtures")


def _not_known(book: Book, run: Progress, now: int) -> Iterator[Warning_]:
    """Bench work, first articles and waits of pieces that are unloaded: floor.pieces are ready at once."""
    if run.stage != "unloaded":
        return
    for row in run.trip.run.pieces:
        piece = (row.order, row.op)
        what = f"{row.pieces} pieces of order {row.order} op {row.op}"
        ready, article = ready_task(run.trip, piece), run.trip.articles.get(piece)
        # An unload that is said to be over is, whatever the plan says; one that is being finished is waited for.
        said = run.said is not None and ready is not None and ready.kind == "unload"
        over = ready is None or said or ready is run.finishing or done(ready, now)
        since = 0 if ready is None else min(ready.end, now) if said else ready.end
        after = book.operation(piece).after_seconds
        if not over:
            words = f"the bench work on {what} is not over; the replan counts the pieces as ready at once and does not plan it"
            yield Warning_(code="bench-not-planned", detail=words, pointer="/floor/pieces")
        elif ready is not None and after and since + after > now:
            words = f"{what} wait until {book.at(since + after)}; the replan counts them as ready at once"
            yield Warning_(code="wait-not-planned", detail=words, pointer="/floor/pieces")
        if article is not None and not done(article, now):
            words = f"the first article of order {row.order} op {row.op} is not checked yet; the replan counts it as checked"
            yield Warning_(code="first-article-not-planned", detail=words, pointer="/floor/pieces")
