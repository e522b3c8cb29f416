"""A drawn sheet as PNG."""

from __future__ import annotations

from functools import cache

import resvg_py

SCALE = 1.5
"""Pixels of the picture for each px of the drawing: letters of 9.5 px stay legible."""

FONTS = '"DejaVu Sans Mono",Consolas,Menlo,monospace'
"""The fonts that the drawings name; monospace is Liberation Mono here."""

_LETTER = '<svg xmlns="http://www.w3.org/2000/svg" width="20" height="20">{}</svg>'


class NoFonts(Exception):
    """This machine has none of the fonts that the drawing names; the picture would come out without a word."""


def png(svg: str, scale: float = SCALE) -> bytes:
    """The picture of a sheet.

    Parameters
    ----------
    svg
        A drawing of ours.
    scale
        Pixels for each px of the drawing.

    Raises
    ------
    NoFonts
    """
    if not _has_fonts():
        raise NoFonts
    return _pixels(svg, scale)


def _pixels(svg: str, scale: float) -> bytes:
    return bytes(resvg_py.svg_to_bytes(svg_string=svg, zoom=scale, monospace_family="Liberation Mono"))


@cache
def _has_fonts() -> bool:
    """Whether a letter leaves a mark: the library draws text without a font as nothing, and says nothing."""
    return _pixels(_LETTER.format(f"<text y='16' font-family='{FONTS}'>M</text>"), 1) != _pixels(_LETTER.format(""), 1)
