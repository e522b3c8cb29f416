"""`python -m benchmarks.report FILE … [--markdown]`: the goals against the figures that benches left in files, as text or Markdown."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from benchmarks import scale
from benchmarks.best_known import stored_score
from benchmarks.goals import COLUMNS, Line, derived, lines
from benchmarks.jobs import Row

HEADINGS = ("what", "of", "features", "goal", "figure", "least to most", "seeds", "")


def goal_rows(rows: Sequence[Row]) -> list[tuple[str, ...]]:
    """A row of words for each goal."""
    return [_words(line) for line in lines(derived(rows, stored_score))]


def _words(line: Line) -> tuple[str, ...]:
    goal, values = line.goal, [figures[line.goal.figure] for figures in line.figures]
    left = (COLUMNS[goal.figure], goal.family.replace("+", " "), line.features, goal.words())
    if not values:
        return (*left, "", "", "0", "not measured")
    return (
        *left, f"{goal.value(line.figures):.4g}", f"{min(values):.4g} to {max(values):.4g}", str(len(values)), goal.verdict(line.figures))


def goals_text(rows: Sequence[Row]) -> str:
    """The goals as a table of text."""
    table = [HEADINGS, *goal_rows(rows)]
    widths = [min(44, max(len(row[column]) for row in table)) for column in range(len(HEADINGS))]
    return "\n".join("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table)


def goals_markdown(rows: Sequence[Row]) -> str:
    """The goals as a Markdown table."""
    table = [HEADINGS, ("---",) * len(HEADINGS), *goal_rows(rows)]
    return "\n".join("| " + " | ".join(row) + " |" for row in table)


def figures_text(rows: Sequence[Row]) -> str:
    """Every figure of every part, family and feature set: median, least and most over the seeds."""
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for row in derived(rows, stored_score):
        groups.setdefault((row["part"], row["family"], row["features"]), []).append(row)
    text: list[str] = []
    for (part, family, features), own in groups.items():
        text.append(f"\n{part}, {family}{', ' if features else ''}{features}: {len(own)} measured")
        for refused in dict.fromkeys(row["how"]["refused"] for row in own if "refused" in row["how"]):
            text.append(f"  refused: {refused}")
        for figure in dict.fromkeys(figure for row in own for figure in row["figures"]):
            values = [row["figures"][figure] for row in own if figure in row["figures"]]
            text.append(f"  {COLUMNS.get(figure, figure):<58} {median(values):>10.4g} {min(values):>10.4g} {max(values):>10.4g}")
    return "\n".join(text)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the goals of one or more benches; 0 where the files could be read."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.report", description=__doc__)
    parser.add_argument("files", nargs="+", type=Path, help="what `python -m benchmarks --output FILE` wrote")
    parser.add_argument("--markdown", action="store_true", help="a Markdown table, the machine above it")
    parser.add_argument("--figures", action="store_true", help="every figure as well")
    options = parser.parse_args(arguments)
    reports = [json.loads(file.read_text("utf-8")) for file in options.files]
    rows: list[Row] = [row for report in reports for row in report["measured"]]
    for machine in dict.fromkeys(json.dumps(report["machine"]) for report in reports):
        print("  ".join(f"{name} {value}" for name, value in json.loads(machine).items()) + ("\n" if options.markdown else ""))
    print(goals_markdown(rows) if options.markdown else goals_text(rows))
    if any(row["part"] == "scale" for row in rows):
        print("\n" + (scale.markdown(rows) if options.markdown else scale.table(rows)))
    if options.figures:
        print(figures_text(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
