"""Time and memory over the size of a week: a table, and a picture that shows whether the cost of a run stays flat."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchmarks.jobs import Row

STEPS = {"read_ms": "read", "constructive_ms": "construct", "describe_ms": "describe", "audit_ms": "audit", "write_ms": "write"}
COLOURS = ("#1b6ca8", "#c2410c", "#15803d", "#7e22ce", "#525252")
WIDTH, HEIGHT, LEFT, TOP, RIGHT, BOTTOM = 720, 400, 70, 40, 130, 55
"""Of the picture and its margins, pixels."""


def _rows(rows: Sequence[Row]) -> list[Row]:
    """The measured sizes, small first."""
    return sorted((row for row in rows if row["part"] == "scale"), key=lambda row: float(row["figures"]["runs"]))


def table(rows: Sequence[Row]) -> str:
    """A line for each size: runs, milliseconds of each step in all and per run, memory."""
    head = f"{'size':<8} {'runs':>6}  " + "  ".join(f"{word + ', ms (per run)':>22}" for word in STEPS.values()) + f"  {'memory, MiB':>11}"
    text = [head]
    for row in _rows(rows):
        figures = row["figures"]
        cells = "  ".join(f"{figures[step]:>12.1f} ({figures[step] / figures['runs']:>7.4f})" for step in STEPS)
        text.append(f"{row['family']:<8} {figures['runs']:>6.0f}  {cells}  {figures['memory_mib']:>11.0f}")
    return "\n".join(text)


def markdown(rows: Sequence[Row]) -> str:
    """The same as a Markdown table, milliseconds per run only."""
    words = " | ".join(f"{word}, ms per run" for word in STEPS.values())
    text = [f"| size | runs | {words} | memory, MiB |", "| --- " * (len(STEPS) + 3) + "|"]
    for row in _rows(rows):
        figures = row["figures"]
        cells = " | ".join(f"{figures[step] / figures['runs']:.3f}" for step in STEPS)
        text.append(f"| {row['family']} | {figures['runs']:.0f} | {cells} | {figures['memory_mib']:.0f} |")
    return "\n".join(text)


def draw(rows: Sequence[Row]) -> str:
    """An SVG: milliseconds per run of each step over the number of runs, both logarithmic; a flat line is linear cost."""
    sizes = _rows(rows)
    runs = [float(row["figures"]["runs"]) for row in sizes]
    costs = {step: [max(1e-4, row["figures"][step] / row["figures"]["runs"]) for row in sizes] for step in STEPS}
    every = [cost for own in costs.values() for cost in own]
    across = _Axis(min(runs), max(runs), LEFT, WIDTH - RIGHT)
    up = _Axis(min(every), max(every), HEIGHT - BOTTOM, TOP)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="12" role="img">',
        "<title>Cost of a run over the size of the week</title>", f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        _text(LEFT, 20, "milliseconds per run over runs in the week (both logarithmic): flat is linear", "start"),
    ]
    for power in up.powers():
        y = up.at(10.0**power)
        parts.append(f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke="#ddd"/>')
        parts.append(_text(LEFT - 8, y + 4, f"{10.0**power:g}", "end"))
    for row, number in zip(sizes, runs, strict=True):
        parts.append(_text(across.at(number), HEIGHT - BOTTOM + 18, f"{number:g}", "middle"))
        memory = f"{row['family']}, {row['figures']['memory_mib']:.0f} MiB"
        parts.append(_text(across.at(number), HEIGHT - BOTTOM + 34, memory, "middle"))
    ends = _spaced([up.at(own[-1]) for own in costs.values()])
    for (step, own), colour, label in zip(costs.items(), COLOURS, ends, strict=True):
        points = " ".join(f"{across.at(x):.1f},{up.at(y):.1f}" for x, y in zip(runs, own, strict=True))
        parts.append(f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2"/>')
        parts.append(_text(WIDTH - RIGHT + 34, label + 4, STEPS[step], "start", colour))
    return "\n".join([*parts, "</svg>"]) + "\n"


class _Axis:
    """A logarithmic axis from pixel `begin` to pixel `end`."""

    def __init__(self, low: float, high: float, begin: float, end: float) -> None:
        self._low, self._high = math.log10(low), math.log10(high)
        self._begin, self._end = begin, end

    def at(self, value: float) -> float:
        """The pixel of a value."""
        share = (math.log10(value) - self._low) / max(1e-9, self._high - self._low)
        return self._begin + share * (self._end - self._begin)

    def powers(self) -> range:
        """Powers of ten on it."""
        return range(math.ceil(self._low), math.floor(self._high) + 1)


def _spaced(places: list[float]) -> list[float]:
    """The places, each moved down until it is 14 pixels from the one above."""
    moved, last = dict[int, float](), -math.inf
    for number in sorted(range(len(places)), key=lambda n: places[n]):
        last = moved[number] = max(places[number], last + 14)
    return [moved[number] for number in range(len(places))]


def _text(x: float, y: float, words: str, anchor: str, colour: str = "#222") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{words}</text>'
