"""Changes of the audit that change nothing that any plan could show, each with the reason."""

from __future__ import annotations

from typing import Final

EQUIVALENT: Final[dict[str, str]] = {
    "articles.py _cut_start: 0  ->  1": "it stands for a start where there is no cut, and every start is later than that",
    "book.py _by_start: 0  ->  1": "only a task that no lane holds has no rank, and where it stands at its instant is nobody's word",
    "book.py Book.unattended: 0  ->  1": "it looks a minute further back than any limit reaches",
    "book.py Book.unattended: 60  ->  61": "it looks further back than any limit reaches",
    "book.py _begin: 0  ->  1": "it stands for a start where there is no task, and every start is later than that",
    "kpis.py Idleness.machine_seconds: book.last > book.now  ->  book.last >= book.now": "a stretch of no length has no second",
    "kpis.py faults: True  ->  False": "that the ids are the same has been checked, so there are as many rows on either side",
    "machines.py _positions: change > 0  ->  change >= 0": "a change is 1 or -1",
    "score.py _alike: abs(stated - wanted) <= _TOLERANCE * max(1.0, abs(stated), abs(wanted))  ->  "
    "abs(stated - wanted) < _TOLERANCE * max(1.0, abs(stated), abs(wanted))": "no rounding makes exactly the tolerance",
    "score.py faults: score.bound > score.total  ->  score.bound >= score.total": "where they are equal, they are alike",
    "sequence.py Sequence._stretches: 0  ->  1": "one person's stretches do not overlap, so by their ends they stand as by their starts",
    "spans.py common: spans[left][1] < others[right][1]  ->  spans[left][1] <= others[right][1]": "where both end, the other goes next",
    "spans.py latest_fit: limit - length  ->  limit + length": "it only begins to look further back, at spans that are too late",
    "spans.py without: holes[first][1] <= start  ->  holes[first][1] < start": "a hole that ends where a span starts takes nothing of it",
    "spans.py without: holes[index][0] < end  ->  holes[index][0] <= end": "one that starts where it ends leaves it whole, as none does",
    "stock.py Stock.earliest_loads: low[-1][0] >= level  ->  low[-1][0] > level": "of two that are equal the later one is found either way",
}
"""`Mutant.words` → why no test can notice it. One entry stands for all changes of a function that read the same."""
