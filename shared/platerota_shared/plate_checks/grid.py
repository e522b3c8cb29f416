"""How many nests of a piece fit on a plate in a plain grid."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor
from typing import Literal

Orientation = Literal["along", "turned"]
"""`along`: the piece's X lies along the plate's X; `turned`: by 90 degrees."""

_SLACK = 1e-9
"""Part of a nest by which a row may be too short, because inches do not add up exactly."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A grid of nests: `columns` along the plate's X, `rows` along its Y, and the room that pieces and gaps take, mm."""

    orientation: Orientation
    columns: int
    rows: int
    used_x: float
    used_y: float

    @property
    def nests(self) -> int:
        """How many nests it has."""
        return self.columns * self.rows


def in_a_row(room: float, size: float, gap: float) -> int:
    """How many pieces of `size` mm fit in `room` mm with `gap` mm between neighbours: ⌊(room + gap) ÷ (size + gap)⌋.

    n pieces take n × size + (n − 1) × gap.
    """
    return max(0, floor((room + gap) / (size + gap) + _SLACK))


def grid(
    plate: tuple[float, float], edge: float, piece: tuple[float, float], gaps: tuple[float, float], orientation: Orientation,
) -> Grid:
    """The most nests in a grid.

    Parameters
    ----------
    plate
        The plate's size in X and Y, mm.
    edge
        What stays free along each edge of the plate, mm.
    piece, gaps
        The piece's size in its own X and Y, and the room between neighbours in those directions, mm. Both turn together,
        because clamps bear on faces of the piece.
    """
    (size_x, size_y), (gap_x, gap_y) = (piece, gaps) if orientation == "along" else (piece[::-1], gaps[::-1])
    columns = in_a_row(plate[0] - 2 * edge, size_x, gap_x)
    rows = in_a_row(plate[1] - 2 * edge, size_y, gap_y)
    if not columns or not rows:
        return Grid(orientation, 0, 0, 0.0, 0.0)
    return Grid(orientation, columns, rows, columns * (size_x + gap_x) - gap_x, rows * (size_y + gap_y) - gap_y)
