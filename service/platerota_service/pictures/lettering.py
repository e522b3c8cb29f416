"""Lettering: how wide text is, how it is clipped, and how a caller's text is made safe to print.

The sheet is lettered in a monospaced face, so a width is a count of cells: one for most characters, two for the wide
ones of East Asia, none for marks that combine. A cell is 0.61 em, the advance of common monospaced faces rounded up.
"""

from __future__ import annotations

import unicodedata

CELL_EM = 0.61
_ISOLATE, _END_ISOLATE = "\u2068", "\u2069"


def clean(text: str) -> str:
    """`text` on one line without control and direction-override characters, isolated where it runs right to left.

    Control characters are no XML; an override in a name would turn the words around it.
    """
    if text.isascii() and text.isprintable():
        return text.strip()
    kept = "".join(" " if char in "\t\r\n" else char for char in text if char in "\t\r\n" or _printable(char)).strip()
    turned = any(unicodedata.bidirectional(char) in ("R", "AL") for char in kept)
    return f"{_ISOLATE}{kept}{_END_ISOLATE}" if turned else kept


def _printable(char: str) -> bool:
    return unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Cn", "Co")


def cells(text: str) -> int:
    """How many monospaced cells `text` takes."""
    return len(text) if text.isascii() else sum(_cells_of(char) for char in text)


def _cells_of(char: str) -> int:
    if unicodedata.combining(char) or unicodedata.category(char) in ("Cf", "Mn", "Me"):
        return 0
    return 2 if unicodedata.east_asian_width(char) in ("W", "F") else 1


def width(text: str, size: float) -> float:
    """The width of `text` at font size `size`, both in px."""
    return cells(text) * CELL_EM * size


def clipped(text: str, room: int) -> str:
    """`text` in at most `room` cells; the end gives way to an ellipsis, an isolate stays closed."""
    if cells(text) <= room:
        return text
    kept: list[str] = []
    used = 0
    for char in text:
        used += _cells_of(char)
        if used > room - 1:
            break
        kept.append(char)
    end = _END_ISOLATE if _ISOLATE in kept and _END_ISOLATE not in kept else ""
    return "".join(kept).rstrip() + "…" + end


def first_that_fits(choices: tuple[str, ...], room: float, size: float) -> str:
    """The first of `choices` that is no wider than `room` px at `size` px; empty where none is."""
    return next((choice for choice in choices if choice and width(choice, size) <= room), "")
