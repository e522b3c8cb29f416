"""Every rule that ties two tasks together while assignments and sequences are kept, as links from one task to a later one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

from platerota_solver.describe.book import PlanBook
from platerota_solver.describe.chains import Link
from platerota_solver.describe.presence import parts
from platerota_solver.describe.supply import stocks, supply_links


def links(book: PlanBook) -> Iterator[Link]:
    """All links of a plan but those of people who leave a task and come back (see :func:`operator_ties`)."""
    yield from book.chain
    for machine, own in book.on_machine.items():
        yield from _machine_links(book, machine, own)
    for stock in stocks(book).values():
        yield from supply_links(book, stock)
    yield from _article_links(book)


def _machine_links(book: PlanBook, machine: str, own: list[int]) -> Iterator[Link]:
    """F6, F7, F8: what excludes what on a machine, in the planned sequence; positions follow from the sequence of exchanges."""
    kinds = {index: book.tasks[index].kind for index in own}
    exchanges = [index for index in own if kinds[index] in ("place", "pull")]
    spindle = [index for index in own if kinds[index] in ("setup", "cut")]
    cuts = [index for index in spindle if kinds[index] == "cut"]
    row = book.machines[machine]
    if row.automatic:
        yield from ((a, b, 0) for a, b in (*pairwise(exchanges), *pairwise(spindle)))
        yield from ((a, b, row.exchange_seconds) for a, b in pairwise(cuts) if book.tasks[a].plate != book.tasks[b].plate)
    else:
        yield from ((a, b, 0) for a, b in pairwise(sorted((*exchanges, *spindle))))
    yield from _bench_in_machine(own, kinds)


def _bench_in_machine(own: list[int], kinds: Mapping[int, str]) -> Iterator[Link]:
    """F10: loads and unloads of a plate that stays lie between the cuts they lie between now."""
    last: int | None = None
    since: list[int] = []
    for index in own:
        if kinds[index] == "cut":
            yield from ((waiting, index, 0) for waiting in since)
            last, since = index, []
        elif kinds[index] in ("load", "unload"):
            since.append(index)
            if last is not None:
                yield (last, index, 0)


def _article_links(book: PlanBook) -> Iterator[Link]:
    """F15: a first article comes before every other run's cut of that order and op."""
    for key, article in book.articles.items():
        for run, _ in book.holders.get(key, ()):
            cut = book.of_run[run].get("cut")
            if cut is not None and run != book.tasks[article].run and not book.tasks[cut].frozen:
                yield (article, cut, 0)


def operator_ties(book: PlanBook) -> tuple[list[Link], dict[int, int], set[int]]:
    """F11, F12: one task at a time, in the planned sequence.

    Returns
    -------
    tuple
        The links between tasks in a row; the latest end (UTC seconds) of a task done while another one pauses, by index; and the
        indices of the tasks that pause for another one, which stay where they are.
    """
    tied: list[Link] = []
    ends: dict[int, int] = {}
    kept: set[int] = set()
    for own in book.by_operator.values():
        stretches = sorted((*span, index) for index in own for span in parts(book.tasks[index]))
        for (_, until, a), (since, _, b) in pairwise(stretches):
            if a == b:
                continue
            leaves, resumes = until < book.tasks[a].end, since > book.tasks[b].start
            if leaves:
                kept.add(a)
            if resumes:
                kept.add(b)
                ends[a] = min(ends.get(a, since), since)
            if not leaves and not resumes:
                tied.append((a, b, 0))
    return tied, ends, kept
