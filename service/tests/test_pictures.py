"""The drawn and the written week, from plans made by hand: complete, safe, legible, small."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ElementTree
from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from rich.console import Console

from platerota_service.pictures import gantt_svg, print_comparison, print_week
from platerota_service.pictures.lettering import cells, clean, clipped, width
from platerota_service.pictures.week import Week, duration
from platerota_shared.plan import (
    Kpis,
    Lane,
    LoadWindow,
    MachineKpis,
    OperatorKpis,
    OrderResult,
    Plan,
    Run,
    RunPieces,
    Score,
    ScoreParts,
    SolverReport,
    Task,
    TaskSpan,
    Warning_,
)
from platerota_shared.tables import PlanRequest

SVG = "{http://www.w3.org/2000/svg}"
MINUTE, HOUR, DAY = 60, 3_600, 86_400
KINDS = ("build", "load", "place", "setup", "cut", "pull", "unload", "first_article", "bench")


def small_request(**names: str) -> PlanRequest:
    """One mill, two plates, one operator from 06:00 to 14:00 with a break; `names` replaces names by id."""
    shop: dict[str, Any] = {
        "timezone": "Europe/Lisbon",
        "machines": [{"id": "M1", "mount": "A", "travel_x": 700, "travel_y": 400, "unattended_minutes": 0}],
        "plates": [{"id": plate, "mount": "A", "size_x": 400, "size_y": 300, "mass": 6} for plate in ("P1", "P2")],
        "fixtures": [{"id": "F1", "load_seconds": 600, "unload_seconds": 300, "cycle_seconds": 60, "build_seconds": 7_200}],
        "nests": [{"fixture": "F1", "part": "X", "op": 10, "count": 4}],
        "operations": [{"part": "X", "op": 10, "cut_seconds": 600}],
        "operators": [{"id": "Ana"}],
        "shifts": [
            {"operator": "Ana", "days": ["mon", "tue", "wed"], "start": "06:00", "end": "14:00", "breaks": ["10:00-10:30"]},
            {"operator": "Ana", "days": ["mon"], "start": "15:00", "end": "17:00", "overtime": True},
        ],
        "closures": [{"machine": "M1", "start": "2027-03-01T18:00:00", "end": "2027-03-01T22:00:00", "reason": "belt change"}],
    }
    for table in ("machines", "fixtures", "operators"):
        for row in shop[table]:
            row["name"] = names.get(row["id"], f"name of {row['id']}")
    orders = [
        {"id": "O1", "part": "X", "quantity": 4, "due": "2027-03-01T11:00:00"},
        {"id": "O2", "part": "X", "quantity": 4, "due": "2027-03-01T13:00:00"},
        {"id": "O3", "part": "X", "quantity": 4, "due": "2027-03-02T12:00:00"},
    ]
    document = {"now": "2027-03-01T06:00:00", "shop": shop, "orders": orders, "settings": {"horizon_days": 3}}
    return PlanRequest.model_validate(document, context={"zone": ZoneInfo("Europe/Lisbon")})


def plan_of(request: PlanRequest, runs: list[Run], tasks: list[Task], orders: list[OrderResult], **fields: Any) -> Plan:
    """A plan around `tasks`, with lanes and load windows as the contract lists them."""
    tasks = sorted(tasks, key=lambda task: (task.start, task.id))
    lanes = [
        Lane(resource=resource, id=row.id, tasks=tuple(task.id for task in tasks if getattr(task, resource) == row.id))
        for resource, rows in (("machine", request.shop.machines), ("plate", request.shop.plates), ("operator", request.shop.operators))
        for row in rows
    ]
    places = {task.run: task.start for task in tasks if task.kind == "place"}
    windows = [
        LoadWindow(
            operator=str(load.operator), plate=str(load.plate), run=str(load.run), earliest_start=load.start - 10 * MINUTE,
            start=load.start, end=load.end, latest_end=places[load.run], machine="M1", place_at=places[load.run],
        )
        for load in tasks if load.kind == "load"
    ]
    score = Score(total=120.0, bound=90.0, gap=0.25, parts=ScoreParts(late_hour=100.0, finish_hour=20.0))
    return Plan(
        id="demo", now=request.now, timezone=request.shop.timezone, horizon_end=request.horizon_end, score=score, orders=tuple(orders),
        runs=tuple(runs), tasks=tuple(tasks), lanes=tuple(lanes), load_windows=tuple(windows), solver=SolverReport(seconds=1.5, seed=7),
        kpis=fields.pop("kpis", Kpis()), **fields,
    )


def trip(request: PlanRequest, number: int, at: int, order: str, **on: Any) -> tuple[Run, list[Task]]:
    """One run of plate P1 or P2: ten minutes of load from `at`, a 41 min cut, five minutes of unload."""
    run, plate = f"R{number}", on.get("plate", "P1")
    steps = (("load", 10), ("place", 1), ("cut", 41), ("pull", 1), ("unload", 5))
    tasks: list[Task] = []
    for kind, minutes in steps:
        machine = "M1" if kind in ("place", "cut", "pull") else None
        operator = None if kind == "cut" else "Ana"
        tasks.append(Task.model_validate({
            "id": f"{run}.{kind}", "kind": kind, "run": run, "plate": plate, "machine": machine, "operator": operator, "start": at,
            "end": at + minutes * MINUTE, "frozen": on.get("frozen", False),
        }))
        at += minutes * MINUTE
    pieces = (RunPieces(order=order, part="X", op=10, pieces=4),)
    return Run(id=run, plate=plate, fixture="F1", machine="M1", pieces=pieces), tasks


def full_plan(request: PlanRequest) -> Plan:
    """Every kind of task: a paused build, a setup, a first article, bench work; one order late, one unplaced."""
    now = request.now
    first, tasks = trip(request, 1, now + 150 * MINUTE, "O1")
    second, more = trip(request, 2, now + 260 * MINUTE, "O2", plate="P2", frozen=True)
    spans = (TaskSpan(start=now, end=now + 2 * HOUR), TaskSpan(start=now + 9 * HOUR, end=now + 10 * HOUR))
    at = {minutes: now + minutes * MINUTE for minutes in (0, 120, 145, 210, 230, 400, 430, 600)}
    extra = [Task.model_validate({"operator": "Ana", **row}) for row in (
        {"id": "B1.build", "kind": "build", "plate": "P1", "fixture": "F1", "start": now, "end": at[600], "spans": spans, "overtime": True},
        {"id": "R1.setup", "kind": "setup", "run": "R1", "machine": "M1", "fixture": "F1", "start": at[120], "end": at[145]},
        {"id": "R1.first_article.10", "kind": "first_article", "run": "R1", "order": "O1", "op": 10, "start": at[210], "end": at[230]},
        {"id": "R2.bench.10", "kind": "bench", "run": "R2", "order": "O2", "op": 10, "start": at[400], "end": at[430]},
    )]
    due = [order.due for order in request.orders]
    orders = [
        OrderResult(id="O1", start=now, finish=due[0], due=due[0], late_seconds=0, placed=True, runs=1),
        OrderResult(
            id="O2", start=now + HOUR, finish=due[1] + 2 * HOUR, due=due[1], late_seconds=2 * HOUR, placed=True, runs=1,
            why="waited for Ana",
        ),
        OrderResult(id="O3", start=None, finish=None, due=due[2], late_seconds=None, placed=False, runs=0, why="no plate is free"),
    ]
    kpis = Kpis(
        machines=(MachineKpis(id="M1", seconds={"cutting": 2 * HOUR, "nobody": 2 * HOUR}, unattended_cutting_seconds=HOUR, ratios={}),),
        operators=(OperatorKpis(id="Ana", seconds={"load": HOUR, "free": 3 * HOUR}, ratios={}),),
    )
    caution = Warning_(code="lift", detail="P1 weighs 31 kg loaded: lift it with a hoist", pointer="/shop/plates/0")
    return plan_of(request, [first, second], [*tasks, *more, *extra], orders, kpis=kpis, warnings=(caution,))


def long_plan(request: PlanRequest, runs: int) -> Plan:
    """`runs` trips one after the other, an hour each, with long ids."""
    made = [trip(request, number, request.now + number * HOUR, "O1") for number in range(runs)]
    finish = request.now + runs * HOUR
    order = OrderResult(id="O1", start=request.now, finish=finish, due=request.orders[0].due, late_seconds=HOUR, placed=True, runs=runs)
    return plan_of(request, [run for run, _ in made], [task for _, tasks in made for task in tasks], [order])


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


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb``: W3C, Web Content Accessibility Guidelines 2.2, definition of relative luminance."""
    parts = [int(colour[at:at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, two: str) -> float:
    """Contrast ratio of two colours (same source, definition of contrast ratio)."""
    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


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
