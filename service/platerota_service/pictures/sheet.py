"""The sheet every picture is drawn on: a workshop drawing's frame with its zones, the ink, and the templates."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from platerota_service.pictures.drawing import LEFT, MARGIN, RIGHT, SHEET_WIDTH, px


def draw_sheet(template: str, height: float, **values: Any) -> str:
    """The SVG of a template, 1280 px wide and `height` px high; every text in `values` is escaped."""
    return _environment().get_template(f"{template}.svg.j2").render(
        width=SHEET_WIDTH, height=height, left=LEFT, right=RIGHT, margin=MARGIN, zones=_zones(height), **values,
    )


@cache
def _environment() -> Environment:
    loader = PackageLoader("platerota_service.pictures")
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["px"] = px
    return environment


def _zones(height: float) -> list[tuple[float, float, str]]:
    """The figures and letters along the frame, as on a drawing sheet: x, y, text."""
    columns, rows = 8, max(2, round(height / 260))
    marks: list[tuple[float, float, str]] = []
    for number in range(columns):
        x = SHEET_WIDTH * (number + 0.5) / columns
        marks += [(x, 18.5, str(number + 1)), (x, height - 10.5, str(number + 1))]
    for number in range(rows):
        letter = chr(ord("A") + number % 26)
        y = height * (number + 0.5) / rows
        marks += [(15.0, y, letter), (SHEET_WIDTH - 15.0, y, letter)]
    return marks
