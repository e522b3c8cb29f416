"""A process that turns one SVG (standard input) into PNG (standard output): ``python -m platerota_service.png_child``.

The library holds the interpreter for a second or three; in a process of its own it keeps nobody waiting who calls the service.
"""

from __future__ import annotations

import sys

import resvg_py

SCALE = 1.5
"""Pixels of the picture for each px of the drawing: letters of 9.5 px stay legible."""

FONTS = '"DejaVu Sans Mono",Consolas,Menlo,monospace'
"""The fonts that the drawings name; monospace is Liberation Mono here."""

NO_FONTS = 3
"""The exit code where this machine has none of them: every word would be missing."""

_LETTER = '<svg xmlns="http://www.w3.org/2000/svg" width="20" height="20">{}</svg>'


def main() -> int:
    """Draw, and answer the exit code."""
    if not has_fonts():
        return NO_FONTS
    sys.stdout.buffer.write(pixels(sys.stdin.buffer.read().decode(), SCALE))
    return 0


def has_fonts() -> bool:
    """Whether a letter leaves a mark: the library draws text without a font as nothing, and says nothing."""
    return pixels(_LETTER.format(f"<text y='16' font-family='{FONTS}'>M</text>")) != pixels(_LETTER.format(""))


def pixels(svg: str, scale: float = 1.0) -> bytes:
    """The PNG of an SVG, `scale` pixels for each px."""
    return bytes(resvg_py.svg_to_bytes(svg_string=svg, zoom=scale, monospace_family="Liberation Mono"))


if __name__ == "__main__":
    sys.exit(main())
