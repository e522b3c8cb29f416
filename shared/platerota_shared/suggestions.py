"""The nearest known name to one that is not known, with a limit on the work that a request can cause."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import SequenceMatcher

MAX_COMPARISONS = 40_000
"""Names compared for one request; past them no more suggestions are made (about half a second of work)."""


class Suggestions:
    """Finds nearest names; one for each request, because it counts its comparisons."""

    def __init__(self) -> None:
        self._left = MAX_COMPARISONS

    def nearest(self, name: str, known: Iterable[str]) -> str | None:
        """The known name most like `name`, or None where none is like it or the request has used up its comparisons.

        Case and outer blanks do not count. Ties go to the name that sorts first.
        """
        folded = name.strip().casefold()
        if not 0 < len(folded) <= 200:
            return None
        matcher = SequenceMatcher(None, "", folded, autojunk=False)
        best, best_ratio = None, 0.6
        for candidate in sorted(known):
            self._left -= 1
            if self._left < 0:
                break
            matcher.set_seq1(candidate.strip().casefold())
            if matcher.real_quick_ratio() > best_ratio and matcher.quick_ratio() > best_ratio and (ratio := matcher.ratio()) > best_ratio:
                best, best_ratio = candidate, ratio
        return best

    def mend(self, name: str, known: Iterable[str], otherwise: str) -> str:
        """What to change: the nearest known name where there is one, else `otherwise`."""
        found = self.nearest(name, known)
        return f"did you mean '{found}'?" if found is not None else otherwise
