"""The drawn and the written week, from plans made by hand: complete, safe, legible, small."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ElementTree
from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise

import pytest
from rich.console import Console

from platerota_service.pictures import gantt_svg, print_comparison, print_week
from platerota_service.pictures.lettering import cells, clean, clipped, width
from platerota_service.pictures.week import Week, duration
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest

from .contrasts import contrast
from .drawn_plans import DAY, HOUR, full_plan, long_plan, plan_of, small_request

SVG = "{http://www.w3.org/2000/svg}"
KINDS = ("build", "load", "place", "setup", "cut", "pull", "unload", "first_article", "bench")


def written(plan: Plan, request: PlanRequest, columns: int = 100) -> str:
    """The week as text that is not for a terminal."""
    out = io.StringIO()
    print_week(plan, request, Console(file=out, width=columns))
    return out.getvalue()


def words(svg: str) -> Iterator[tuple[float, float, float, str]]:
    """Each level text of the picture: left, right, base line, text; sizes as the style sheet gives them."""
    sizes = {name: float(size) for names, size in re.findall(r"([.\w,-]+)\{[^}]*font-size:([\d.]+)px", svg) for name in names.split(",")}
    for text in ElementTree.fromstring(svg).iter(f"{SVG}text"):
        if "x" in text.attrib and text.get("class") != "zone":
            left, size = float(text.attrib["x"]), sizes.get("." + text.attrib["class"], 10.5)
            yield left, left + width(text.text or "", size), float(text.attrib["y"]), text.text or ""


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_task_is_drawn(kind: str) -> None:
    request = small_request()
    plan = full_plan(request)
    root = ElementTree.fromstring(gantt_svg(plan, request))
    lanes = [group for group in root.iter(f"{SVG}g") if group.find(f"{SVG}path[@class='lane']") is not None]
    if kind in ("place", "pull"):
        ticks = [path.attrib["d"].count("M") for lane in lanes for path in lane.iterfind(f"{SVG}path[@class='exchange']")]
        assert sum(ticks) == 2 * sum(task.kind in ("place", "pull") for task in plan.tasks)  # on the mill's lane and the operator's
    else:
        bars = [bar for lane in lanes for bar in lane.iter(f"{SVG}rect") if (bar.get("class") or "").split()[0] == kind]
        titles = {title.text or "" for bar in bars for title in bar.iter(f"{SVG}title")}
        for task in plan.tasks:
            assert task.kind != kind or any(title.startswith(f"{task.id} ") for title in titles)
        lanes_of = [task for task in plan.tasks if task.kind == kind for holder in (task.machine, task.operator) if holder]
        assert len(bars) == sum(len(task.spans or (1,)) for task in lanes_of)


def test_the_picture_says_what_is_late_and_by_how_much() -> None:
    request = small_request()
    texts = [text for *_, text in words(gantt_svg(full_plan(request), request))]
    assert "O2 late 2 h 00 min" in texts
    assert any("not placed" in text and "no plate is free" in text for text in texts)
    assert "3 orders, 1 on time, 1 late, 1 not placed, 2 runs" in texts
    assert "belt change" in texts


@pytest.mark.parametrize("name", [
    "<script>alert(1)</script>", "a & b \" ' ]]>", "\u05e2\u05d2\u05dc\u05d4 \u202e\u05d2\u05d3\u05d5\u05dc\u05d4", "W" * 200,
    "\u6a5f\u68b0" * 100, "tab\there\x07bell\u200b", "[red]x[/red]",
])
def test_a_callers_text_is_escaped_and_clipped(name: str) -> None:
    request = small_request(M1=name, F1=name, Ana=name)
    plan = full_plan(request)
    svg = gantt_svg(plan, request)
    root = ElementTree.fromstring(svg)
    plain = ElementTree.fromstring(gantt_svg(full_plan(small_request()), small_request()))
    assert sorted({node.tag for node in root.iter()}) == sorted({node.tag for node in plain.iter()})
    assert all(right <= 1244.5 for _, right, _, _ in words(svg))
    assert not re.search("[\u202a-\u202e\x00-\x08\u200b]", svg)
    assert clean(name)[:8] in written(plan, request)


def test_words_never_overlap() -> None:
    request = small_request()
    rows: dict[float, list[tuple[float, float, str]]] = defaultdict(list)
    for left, right, base, text in words(gantt_svg(long_plan(request, 60), request)):
        rows[base].append((left, right, text))
    neighbours = [pair for row in rows.values() for pair in pairwise(sorted(row))]
    assert not [(one, two) for one, two in neighbours if two[0] < one[1] - 0.5]
    assert sum(map(len, rows.values())) > 60


def test_six_hundred_runs_stay_below_600_kb() -> None:
    request = small_request()
    svg = gantt_svg(long_plan(request, 600), request)
    assert len(svg.encode()) <= 600_000
    assert svg.count('<rect class="cut"') >= 600


def test_a_day_of_the_clock_change_is_one_strip() -> None:
    """Lisbon, Sunday 28 March 2027: clocks go forward at 01:00 (IANA time zone database), so the strip from Saturday 06:00 has 23 h."""
    request = small_request().model_copy(update={"now": 1_806_127_200})  # 2027-03-27T06:00:00+00:00
    days = Week(long_plan(request, 40), request).days
    assert [day.title for day in days] == ["Sat 27 Mar", "Sun 28 Mar"]
    assert [day.end - day.start for day in days] == [23 * HOUR, DAY]


def test_a_plan_without_orders_is_drawn_and_written() -> None:
    request = small_request().model_copy(update={"orders": ()})
    plan = plan_of(request, [], [], [])
    ElementTree.fromstring(gantt_svg(plan, request))
    assert "0 orders" in written(plan, request)


def colour_of(svg: str, kind: str, style: str) -> str:
    """The last `style` colour that the style sheet gives a class, as ``#rrggbb``."""
    rules = re.findall(r"([^{}]+)\{([^}]*)\}", svg.split("CDATA[")[1].split("]]>")[0])
    found = [
        match[1] for names, body in rules if kind in [name.strip() for name in names.split(",")]
        for match in re.finditer(rf"(?:^|;){style}:(#[0-9a-f]+)", body)
    ]
    return found[-1] if len(found[-1]) == 7 else "#" + "".join(2 * part for part in found[-1][1:])


def test_contrast_meets_wcag_22() -> None:
    """Success criteria 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1) of WCAG 2.2."""
    svg = gantt_svg(full_plan(small_request()), small_request())
    ink, paper, shade = colour_of(svg, "svg", "fill"), colour_of(svg, ".sheet", "fill"), colour_of(svg, ".away", "fill")
    texts = [(ink, paper), (ink, shade), (colour_of(svg, ".sub", "fill"), paper), (colour_of(svg, ".late", "fill"), paper)]
    texts += [(colour_of(svg, name, "fill"), colour_of(svg, ".cut", "fill")) for name in (".on-cut", ".on-cut-small")]
    assert all(contrast(*pair) >= 4.5 for pair in texts)
    outlined = (".load", ".unload", ".setup", ".first_article", ".bench", ".build", ".exchange", ".overdue")
    strokes = [colour_of(svg, kind, "stroke") for kind in outlined]
    assert all(contrast(colour, back) >= 3 for colour in (*strokes, colour_of(svg, ".cut", "fill")) for back in (paper, shade))


def test_the_written_week_has_every_load_order_and_reason() -> None:
    request = small_request()
    plan = full_plan(request)
    text = written(plan, request)
    assert "\x1b" not in text
    week = Week(plan, request)
    for window in plan.load_windows:
        row = next(line for line in text.splitlines() if line.startswith(f"{week.minute(window.start)}-{week.minute(window.end)} "))
        pieces = week.pieces(week.runs[window.run])[0]
        assert all(word in row for word in (window.plate, "name of F1", pieces, "M1", week.minute(window.latest_end)))
    assert re.search(r"O2 +X ×4 +Mon 1 Mar 13:00 +Mon 1 Mar 15:00 +2 h 00 min", text)
    for said in ("O2 is late: waited for Ana", "O3 is not placed: no plate is free", "a hoist", "25.0%", "seed 7", "with pauses"):
        assert said in text
    assert re.search(r"M1 +2\.0 +2\.0 +1\.0 +50%", text)


@pytest.mark.parametrize("columns", [60, 100, 200])
def test_the_written_week_keeps_its_width(columns: int) -> None:
    request = small_request(F1="W" * 200)
    assert max(map(cells, written(full_plan(request), request, columns).splitlines())) <= min(columns, 100)


def test_the_comparison_lists_both_late_lists() -> None:
    request = small_request()
    plan = full_plan(request)
    better = plan.model_copy(update={"orders": tuple(
        order.model_copy(update={"late_seconds": 0}) if order.id == "O2" else order for order in plan.orders
    )})
    out = io.StringIO()
    print_comparison(better, plan, request, Console(file=out, width=100))
    assert re.search(r"O2 +late 2 h 00 min +on time", out.getvalue())
    assert re.search(r"O3 +not placed +not placed", out.getvalue())
    assert re.search(r"orders late +1 +0", out.getvalue())


@pytest.mark.parametrize(("seconds", "said"), [(40, "40 s"), (1_500, "25 min"), (11_100, "3 h 05 min"), (187_200, "2 d 4 h")])
def test_durations_in_words(seconds: int, said: str) -> None:
    assert duration(seconds) == said


def test_clipping_counts_wide_characters_twice() -> None:
    assert cells("\u6a5f\u68b0") == 4
    assert clipped("\u6a5f\u68b0\u8eca", 5) == "\u6a5f\u68b0…"
    assert clipped(clean("\u05d0" * 20), 5) == "\u2068" + "\u05d0" * 4 + "…\u2069"
