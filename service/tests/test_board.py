"""The board, the comparison and the list of plans: complete, true, safe, small."""

from __future__ import annotations

import base64
import hashlib
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from html.parser import HTMLParser
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from platerota_service.board import (
    NoSuchPart,
    Page,
    PlanRow,
    Standing,
    board_page,
    comparison_page,
    load_sheets_page,
    machine_sheets_page,
    plans_page,
)
from platerota_service.pictures import gantt_svg, load_svg
from platerota_service.pictures.lettering import width
from platerota_service.pictures.week import shown
from platerota_service.plan_answers import blank_plan
from platerota_service.solve_lines import Progress
from platerota_shared.plan import OrderResult, Plan, SolverReport, Stage
from platerota_shared.tables import PlanRequest
from proof_tools.outside import Outside

from .contrasts import contrast
from .drawn_plans import HOUR, MINUTE, full_plan, long_plan, plan_of, small_request, trip

VOID = {"meta", "link", "br"}
LAX = {"th", "td", "tr"}
DAY = {"day": "2027-03-01"}
HOSTILE = [
    "<script>alert(1)</script>", "a & b \" ' ]]>",
    "\u05e2\u05d2\u05dc\u05d4 \u202e\u05d2\u05d3\u05d5\u05dc\u05d4", "W" * 200, "\u6a5f\u68b0" * 100,
    "tab\there\x07bell\u200b", "\U0001f527 spanner", "{{ 7 * 7 }}", "</style><img src=x onerror=alert(1)>",
]


class Elements(HTMLParser):
    """Collects tags and texts, and checks that tags nest (end tags that HTML lets be left out are left out of that)."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in VOID | LAX:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID | LAX:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def bare_shop() -> PlanRequest:
    """A shop without machines, plates and people."""
    document = {"now": "2027-03-01T06:00:00", "shop": {"timezone": "Europe/Lisbon"}}
    return PlanRequest.model_validate(document, context={"zone": ZoneInfo("Europe/Lisbon")})


def state_of(plan: Plan, **fields: object) -> Standing:
    return Standing(plan.model_copy(update={"status": "ready", **fields}))


def full_board(day: str | None = None, shift: str | None = None, **names: str) -> Page:
    request = small_request(**names)
    return board_page(state_of(full_plan(request)), request, day, shift)


def titles(page: Page) -> list[str]:
    return re.findall(r"<title>([^<]*)</title></path>", page.html)


def everything(request: PlanRequest) -> dict[str, Page]:
    """Every page of the full plan."""
    state = state_of(full_plan(request))
    row = PlanRow(state.plan.id, "ready", "feasible", "1 March", request.shop.machines[0].name or "", 120.0, 0.25, base="base")
    return {
        "board": board_page(state, request), "day": board_page(state, request, **DAY),
        "against": comparison_page((state, request), (state, request)),
        "load sheets": load_sheets_page(state, request), "machine sheets": machine_sheets_page(state, request), "plans": plans_page([row]),
    }


@pytest.mark.parametrize("shift", [None, "06:00-14:00"])
def test_every_task_of_the_stretch_can_be_read_on_its_bar(shift: str | None) -> None:
    request = small_request()
    plan = full_plan(request)
    found = titles(full_board("2027-03-01", shift))
    for task in plan.tasks:
        if task.kind not in ("place", "pull") and (shift is None or task.start < plan.now + 8 * HOUR):
            assert any(title.startswith(f"{task.id} ") for title in found), task.id


def test_what_a_plate_waits_for_is_a_bar_of_its_own() -> None:
    request = small_request()
    plan = full_plan(request)
    later = {f"R1.{kind}": minutes * MINUTE for kind, minutes in (("place", 20), ("cut", 30), ("pull", 40), ("unload", 50))}
    ends = {task.id: {"start": task.start + later.get(task.id, 0), "end": task.end + later.get(task.id, 0)} for task in plan.tasks}
    tasks = [task.model_copy(update=ends[task.id]) for task in plan.tasks]
    found = titles(board_page(state_of(plan, tasks=tuple(tasks)), request, "2027-03-01"))
    waits = [re.sub(r", Mon.*", "", title) for title in found if "wait" in title]
    assert waits == [
        "R1 loaded, waits for M1", "R1 placed, waits in M1 for its cut", "R1 cut, waits in M1", "R1 pulled, waits to be unloaded",
    ]


def test_a_whole_week_shows_stretches_of_hand_work_and_whole_trips() -> None:
    request = small_request()
    found = titles(board_page(state_of(long_plan(request, 96)), request))
    assert any(re.match(r"R7 for M1, X op 10 ×4, Mon", title) for title in found)
    assert any(re.match(r"Ana .*: 1 pull, 1 unload, 1 load, 1 place$", title) for title in found)


def test_late_and_unplaced_orders_are_named_with_how_late_and_why() -> None:
    html = full_board(**DAY).html
    section = html[html.index('id="late"'):html.index('id="chart"')]
    assert re.search(r"O2</strong> <span class=\"much\">late 2 h 00 min", section)
    assert "waited for Ana" in section
    assert re.search(r"O3</strong> <span class=\"much\">not placed", section)
    assert "no plate is free" in section
    assert any("R2.cut" in title and "O2 late 2 h 00 min" in title for title in titles(full_board(**DAY)))
    assert re.search(r'class="due-late"[^>]*><title>O2 late 2 h 00 min, due Mon 1 Mar 13:00', html)


def test_the_tables_say_what_the_chart_shows() -> None:
    request = small_request()
    plan = full_plan(request)
    html = full_board().html
    for run in plan.runs:
        row = html[html.index(f'<tr id="{run.id}"'):].split("<tr", 2)[1]
        assert f"<td>{run.plate} name of F1" in row
        assert "<td>M1<td>" in row
    for words in ("08:30–08:40 Ana", "08:41–09:22", "10:20–10:30 Ana (under way)", "06:00–16:00 with pauses (overtime)"):
        assert words in html
    assert html.count('<tr id="R') == len(plan.runs)


def test_kinds_are_told_apart_by_pattern_and_named_in_the_key() -> None:
    html = full_board(**DAY).html
    for pattern in ("p-load", "p-setup", "p-first", "p-bench", "p-build", "p-hand", "p-waits", "p-closed", "p-overtime"):
        assert f'id="{pattern}"' in html
        assert f"url(#{pattern})" in html
    for word in ("cut", "setup", "load (low)", "unload (high)", "place or pull", "plate waits", "nobody working", "due, and missed"):
        assert f"</svg>\n{word}</li>" in html


@pytest.mark.parametrize(("day", "shift", "said"), [
    ("2027-04-01", None, "2027-03-01"), ("<b>", None, "2027-03-01"), ("2027-03-01", "22:00-06:00", "06:00-14:00, 15:00-17:00"),
    (None, "06:00-14:00", "name the day"),
])
def test_a_day_or_shift_that_is_not_there_is_refused_with_those_that_are(day: str | None, shift: str | None, said: str) -> None:
    with pytest.raises(NoSuchPart) as refused:
        full_board(day, shift)
    assert said in refused.value.detail


def test_a_plan_that_is_being_solved_shows_its_progress_and_reloads_without_script() -> None:
    request = small_request()
    blank = blank_plan(request).model_copy(update={"id": "p1", "status": "solving"})
    page = board_page(Standing(blank, Progress(stage="searching", seconds=2.5, total=400.0, bound=100.0, gap=0.75)), request)
    assert '<noscript><meta http-equiv="refresh" content="5"></noscript>' in page.html
    assert '<tr><td>2.5</td><th scope="row">searching</th><td>400.0</td><td>100.0</td><td>75%</td></tr>' in page.html
    assert "There is no plan to show yet." in page.html
    assert "http-equiv" not in full_board().html


def test_a_failed_plan_says_why() -> None:
    request = small_request()
    page = board_page(Standing(blank_plan(request).model_copy(update={"status": "failed"}), problem="out of <coolant>"), request)
    assert "failed: out of &lt;coolant&gt;" in page.html


def test_the_stages_of_the_solve_are_told_in_numbers() -> None:
    request = small_request()
    stages = (Stage(name="constructive", seconds=0.1, total=200.0), Stage(name="search", seconds=4.5, total=150.0, bound=90.0))
    report = SolverReport(seconds=5, seed=1, stages=stages)
    html = board_page(state_of(full_plan(request), solver=report), request).html
    assert '<th scope="row">constructive</th><td>200.0</td><td></td><td></td>' in html
    assert '<td>4.5</td><th scope="row">search</th><td>150.0</td><td>90.0</td><td>40%</td>' in html


@pytest.mark.parametrize("name", HOSTILE)
def test_a_callers_text_never_becomes_markup(name: str) -> None:
    plain, hostile = everything(small_request()), everything(small_request(M1=name, F1=name, Ana=name))
    for which, page in hostile.items():
        elements, expected = Elements(page.html), Elements(plain[which].html)
        assert [tag for tag, _ in elements.found] == [tag for tag, _ in expected.found], which
        assert not re.search("[\u202a-\u202e\x00-\x08\u200b]", page.html), which
        assert which in ("against", "plans") or shown(name) in "".join(elements.texts), which


@pytest.mark.parametrize("which", ["board", "day", "against", "load sheets", "machine sheets", "plans"])
def test_a_page_loads_nothing_and_its_policy_allows_its_own_styles_and_script_alone(which: str) -> None:
    page = everything(small_request())[which]
    policy = page.headers["Content-Security-Policy"]
    inside = re.findall(r"<(style|script)>(.*?)</\1>", page.html, re.S)
    assert inside
    for tag, source in inside:
        digest = base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    for tag, attributes in Elements(page.html).found:
        assert not {"src", "style", "onclick", "onload"} & attributes.keys(), tag
        assert tag not in {"link", "img", "iframe", "object"}


@pytest.mark.parametrize("view", [{}, DAY])
def test_the_board_of_six_hundred_runs_stays_below_600_kb(view: dict[str, str]) -> None:
    request = small_request()
    page = board_page(state_of(long_plan(request, 600)), request, **view)
    assert len(page.html.encode()) <= 600_000
    if not view:
        assert page.html.count('<tr id="R') == 600


@pytest.mark.parametrize("request_", [small_request().model_copy(update={"orders": ()}), bare_shop()])
def test_a_plan_with_nothing_in_it_has_every_page_and_picture(request_: PlanRequest) -> None:
    plan = plan_of(request_, [], [], [])
    standing = state_of(plan)
    assert "The whole plan</h2>" in board_page(standing, request_).html
    assert "Two plans compared" in comparison_page((standing, request_), (standing, request_)).html
    for make in (load_sheets_page, machine_sheets_page):
        assert "Nothing is planned here." in make(standing, request_).html
    for draw in (gantt_svg, load_svg):
        ElementTree.fromstring(draw(plan, request_))


@pytest.mark.parametrize("days", [5, 30, 90])
def test_days_over_the_chart_never_overlap(days: int) -> None:
    request = small_request()
    first, tasks = trip(request, 1, request.now, "O1")
    last, more = trip(request, 2, request.now + (days - 1) * 24 * HOUR, "O2", plate="P2")
    html = board_page(state_of(plan_of(request, [first, last], [*tasks, *more], [])), request).html
    heads = [(float(x), text) for x, text in re.findall(r'<text class="day" x="([\d.]+)" y="16">([^<]*)<', html)]
    assert len(heads) == days
    assert all(one[0] + width(one[1], 11.5) <= two[0] for one, two in pairwise(heads))


def test_every_svg_is_well_formed() -> None:
    for page in everything(small_request(M1="a & b <c>")).values():
        for svg in re.findall(r"<svg.*?</svg>", page.html, re.S):
            ElementTree.fromstring(svg)


def moved(plan: Plan, **finishes: int | None) -> Plan:
    """The plan with other finishes, in seconds after the old ones; None: not placed."""

    def result(row: OrderResult) -> OrderResult:
        by = finishes.get(row.id, 0)
        if by is None or row.finish is None:
            return row.model_copy(update={"placed": False, "finish": None, "late_seconds": None})
        finish = row.finish + by
        return row.model_copy(update={"finish": finish, "late_seconds": max(0, finish - row.due)})

    return plan.model_copy(update={"id": "other", "orders": tuple(result(row) for row in plan.orders)})


def verdicts(base: Plan, other: Plan) -> dict[str, tuple[str, str]]:
    """Order -> its verdict and its change, as the comparison says."""
    request = small_request()
    html = comparison_page((state_of(base), request), (state_of(other), request)).html
    rows = re.findall(r'<tr[^>]*><th scope="row">(O\d)</th><td>([^<]*)</td>(?:<td>[^<]*</td>){3}<td>([^<]*)</td></tr>', html)
    return {order: (verdict, change) for order, verdict, change in rows}


@pytest.mark.parametrize(("finishes", "order", "verdict", "change"), [
    ({"O1": HOUR}, "O1", "late now", "+1 h 00 min"), ({"O1": -HOUR}, "O1", "earlier", "−1 h 00 min"), ({"O1": 59}, "O1", "late now", ""),
    ({"O1": None}, "O1", "not placed any more", ""), ({"O2": -2 * HOUR}, "O2", "in time now", "−2 h 00 min"),
    ({"O2": HOUR}, "O2", "later, and late", "+1 h 00 min"), ({"O2": -HOUR}, "O2", "earlier, yet late", "−1 h 00 min"),
    ({}, "O1", "the same", ""), ({}, "O3", "the same", ""),
])
def test_the_comparison_says_who_gains_and_who_pays(finishes: dict[str, int | None], order: str, verdict: str, change: str) -> None:
    base = full_plan(small_request())
    assert verdicts(base, moved(base, **finishes))[order] == (verdict, change)


def test_the_comparison_knows_orders_of_one_plan_alone() -> None:
    base = full_plan(small_request())
    short = base.model_copy(update={"orders": base.orders[:1]})
    assert verdicts(base, short)["O2"][0] == "gone"
    assert verdicts(short, base)["O2"][0] == "new"


def test_those_who_pay_come_first() -> None:
    base = full_plan(small_request())
    assert next(iter(verdicts(base, moved(base, O2=HOUR)))) == "O2"


def test_points_of_moved_tasks_are_no_change_between_plans_that_count_them_against_others() -> None:
    request, plan = small_request(), full_plan(small_request())
    parts = plan.score.parts.model_copy(update={"moved_task": 14.0})
    replanned = plan.model_copy(update={"score": plan.score.model_copy(update={"total": plan.score.total + 14, "parts": parts})})
    html = comparison_page((state_of(replanned), request), (state_of(plan), request)).html
    figures = {name: cells for name, *cells in re.findall(r'<tr><th scope="row">([^<]*)</th>' + 3 * r"<td>([^<]*)</td>" + "</tr>", html)}
    total = f"{plan.score.total:,.1f}"
    assert figures["score without moved tasks, points"] == [total, total, ""]
    assert figures["points: moved task"] == ["14.0", "0.0", ""]
    assert "score, points" not in figures
    assert "score, points" in comparison_page((state_of(plan), request), (state_of(plan), request)).html


def test_the_list_leads_to_boards_and_comparisons() -> None:
    rows = [
        PlanRow("a1", "ready", "optimal", "1 March", "main, version 3", 120.0, 0.0),
        PlanRow("b 2", "solving", None, "1 March", rush=True, base="a1"),
    ]
    html = plans_page(rows, following="/v1/plans?cursor=x").html
    for part in (
        "a1/board\">a1<", "proved best", "main, version 3",
        "a1/board/against/b%202\"", "href=\"/v1/plans?cursor=x\"", ">being solved, rush<",
    ):
        assert part in html
    assert "There is no plan yet." in plans_page([]).html


def colours(css: str) -> list[dict[str, str]]:
    """The custom colours of the light and the dark scheme."""
    light, dark = re.findall(r":root \{(.*?)\}", css, re.S)[:2]
    found = [dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})", part)) for part in (light, dark)]
    return [{name: value if len(value) == 7 else "#" + "".join(2 * c for c in value[1:]) for name, value in part.items()} for part in found]


# #767676 is known as the lightest grey that text on white may have, and black on white as the greatest contrast (from memory).
@pytest.mark.parametrize(("colour", "ratio"), [("#000000", 21.0), ("#767676", 4.54), ("#777777", 4.48)])
def test_contrasts_are_counted_as_wcag_22_does(outside: Outside, colour: str, ratio: float) -> None:
    outside(f"contrast of {colour} on white", contrast(colour, "#ffffff"), ratio, "WCAG 2.2", "memory", off=0.005)


@pytest.mark.parametrize("scheme", [0, 1])
def test_contrast_meets_wcag_22_in_light_and_dark(scheme: int) -> None:
    """Success criteria 1.4.3 (text 4.5:1) and 1.4.11 (graphics 3:1) of WCAG 2.2."""
    found = colours(full_board().html)[scheme]
    texts = [("ink", "paper"), ("ink", "desk"), ("soft", "paper"), ("late", "paper"), ("late", "away"), ("ink", "away")]
    texts += [("on-cut", "cut"), ("on-cut", "run")]
    texts += [("ink", back) for back in ("load", "bench", "build")]
    assert [pair for pair in texts if contrast(found[pair[0]], found[pair[1]]) < 4.5] == []
    graphics = [(colour, back) for colour in ("ink", "cut", "late", "focus") for back in ("paper", "away")]
    assert [pair for pair in graphics if contrast(found[pair[0]], found[pair[1]]) < 3] == []


@pytest.mark.parametrize("make", [load_sheets_page, machine_sheets_page])
def test_contrast_of_the_sheets_meets_wcag_22(make: Callable[..., Page]) -> None:
    request = small_request()
    for found in colours(make(state_of(full_plan(request)), request).html):
        assert all(contrast(found[text], found[back]) >= 4.5 for text in ("ink", "soft") for back in ("paper", "band"))
        assert contrast(found["line"], found["paper"]) >= 3


def test_every_link_to_a_day_or_shift_leads_to_what_it_says() -> None:
    links = re.findall(r'<a href="\?(?:day=([\d-]+)(?:&amp;shift=([\d:-]+))?)?#chart"[^>]*>([^<]+?) ?<', full_board("2027-03-01").html)
    assert [words for *_, words in links] == ["Whole plan", "Mon 1 Mar", "06:00-14:00", "15:00-17:00"]
    headings = [re.findall(r'<h2 id="chart">([^<]*)<', full_board(day or None, shift or None).html) for day, shift, _ in links]
    assert headings == [["The whole plan"], ["Mon 1 Mar"], ["Mon 1 Mar, 06:00-14:00"], ["Mon 1 Mar, 15:00-17:00"]]
