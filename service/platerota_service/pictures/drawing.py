"""What the sheet is drawn from: scales, bars, words and lanes in px. The template only writes them down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from platerota_service.pictures.lettering import width
from platerota_shared.calendars import Span, clip

SHEET_WIDTH = 1280
LEFT, RIGHT = 150.0, 1244.0
MARGIN = 36.0
SMALL, NORMAL = 9.5, 10.5


@dataclass(frozen=True, slots=True)
class Scale:
    """Instants (UTC seconds) from `start` to `end` laid out from `left` to `right` px."""

    start: int
    end: int
    left: float = LEFT
    right: float = RIGHT

    def x(self, instant: int) -> float:
        """The px of an instant; those outside lie on the edge."""
        inside = min(max(instant, self.start), self.end)
        return self.left + (self.right - self.left) * (inside - self.start) / (self.end - self.start)

    def clip(self, spans: Iterable[Span]) -> list[Span]:
        """The parts of `spans` that this scale shows."""
        return clip(spans, self.start, self.end)


@dataclass(frozen=True, slots=True)
class Bar:
    """A box of one kind (its CSS class) with a title that is read out and shown on hovering."""

    kind: str
    x: float
    y: float
    width: float
    height: float
    title: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text; `x`, `y` are its start on the base line, `kind` its CSS class."""

    x: float
    y: float
    text: str
    kind: str = "small"
    upright: bool = False
    title: str = ""


@dataclass(slots=True)
class Lane:
    """One row: its head and what that says when pointed at, shaded spans behind, bars, ticks (exchanges, or the cuts of an order) as
    one path, words on top.
    """

    y: float
    height: float
    head: str
    sub: str = ""
    title: str = ""
    shades: list[Bar] = field(default_factory=list[Bar])
    bars: list[Bar] = field(default_factory=list[Bar])
    ticks: str = ""
    ticks_kind: str = "exchange"
    words: list[Words] = field(default_factory=list[Words])


@dataclass(slots=True)
class Panel:
    """A block of lanes over one scale, with its axis and the due marks above the lanes."""

    y: float
    height: float
    title: str
    axis: list[Words] = field(default_factory=list[Words])
    grid: str = ""
    lanes: list[Lane] = field(default_factory=list[Lane])
    dues: list[Words] = field(default_factory=list[Words])
    marks: str = ""
    late_marks: str = ""


class LabelRows:
    """Rows of words side by side that never overlap: each takes the first row with room, or none.

    Parameters
    ----------
    rows
        How many rows there are.
    right
        The px no word may pass.
    """

    def __init__(self, rows: int, right: float = RIGHT) -> None:
        self._ends = [0.0] * rows
        self._right = right

    def place(self, x: float, text: str, size: float = SMALL) -> tuple[float, int] | None:
        """Where `text` starts (px) and in which row, moved left at the edge; None where no row has room."""
        wide = width(text, size)
        start = min(x, self._right - wide)
        for row, end in enumerate(self._ends):
            if start >= end:
                self._ends[row] = start + wide + 4
                return start, row
        return None


def box(kind: str, scale: Scale, span: Span, y: float, height: float, title: str = "", least: float = 0.0) -> Bar:
    """A bar over a span, at least `least` px wide."""
    x = scale.x(span[0])
    return Bar(kind, x, y, max(scale.x(span[1]) - x, least), height, title)


def down_mark(x: float, y: float) -> str:
    """A small triangle whose tip stands on (x, y): a due instant."""
    return f"M{px(x)} {px(y)}l-3.5 -6h7z"


def px(value: float) -> str:
    """A length for the SVG: one decimal, none where it is whole."""
    return f"{value:.1f}".removesuffix(".0")
