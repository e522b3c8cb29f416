"""The pages that are no plan: the one that asks for a key, and the one that tells a problem in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from platerota_service.board.frame import Page, Viewer, render
from platerota_service.pictures.lettering import clean

_STYLES = ("paper.css", "forms.css")
_STRANGER = Viewer(opens=lambda _href: None)


def sign_in_page(following: str, hours: int, *, wrong: str = "", needless: bool = False) -> Page:
    """The page that asks for a key.

    Parameters
    ----------
    following
        The address to go on to.
    hours
        How long the session lives.
    wrong
        What was wrong with the key that was given; empty before one was.
    needless
        Whether whoever asks may see everything without a key.
    """
    return render(
        "sign_in", styles=_STYLES, viewer=_STRANGER, title="Sign in", following=following, hours=hours, wrong=wrong, needless=needless,
    )


def problem_page(title: str, status: int, detail: str, faults: Sequence[Mapping[str, str]] = (), retry: str = "") -> Page:
    """A problem for people: what RFC 9457's members say, in a browser.

    Parameters
    ----------
    title, status, detail, faults
        Those of the problem; each fault has a `detail` and a `mend`.
    retry
        Seconds after which to try again; empty where that would not help.
    """
    shown = [{"detail": clean(fault["detail"]), "mend": clean(fault["mend"])} for fault in faults]
    return render(
        "problem", styles=_STYLES, viewer=_STRANGER, title=title[:1].upper() + title[1:], status=status, detail=clean(detail), faults=shown,
        retry=retry,
    )
