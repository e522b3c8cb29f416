"""The pages in a real browser: readable for everybody, in every dress, with the keyboard alone, on paper."""

from __future__ import annotations

import copy
import json
import re
import unittest
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Route, ViewportSize
from playwright.sync_api import Page as Tab

from page_tools.chromium import CHROMIUM, chromium
from platerota_service.board import (
    QUESTION_PAGES,
    Asked,
    AskedQuestion,
    Page,
    PlanRow,
    Standing,
    Viewer,
    board_page,
    comparison_page,
    levers_page,
    load_sheets_page,
    machine_sheets_page,
    plans_page,
    problem_page,
    promise_page,
    question_page,
    rush_page,
    sign_in_page,
)
from platerota_service.plan_answers import blank_plan
from platerota_service.solve_lines import Progress
from platerota_shared.plan import Stage

from .asked_questions import asked_question
from .drawn_plans import HOUR, full_plan, plan_of, small_request, trip

HOST = "http://board.test"
BOARD = f"{HOST}/v1/plans/demo/board"
DRESSES: dict[str, dict[str, Any]] = {
    "light": {"color_scheme": "light"}, "dark": {"color_scheme": "dark"},
    "forced colours": {"color_scheme": "light", "forced_colors": "active"}, "print": {"forced_colors": "none", "media": "print"},
}
WIDTHS = {"light": (1280, 320), "dark": (320,), "forced colours": (1280,), "print": (1054,)}  # 1054 px: A4 landscape less margins


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium. The checks of CI install it; a machine without it is told so, and tries no page."""
    if not CHROMIUM.exists():
        raise unittest.SkipTest(f"{CHROMIUM} is missing: apt-get install chromium")
    with chromium() as browser:
        yield browser


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context()
    yield context
    context.close()


def pages() -> dict[str, Page]:
    request = small_request()
    plan = full_plan(request).model_copy(update={"status": "ready"})
    stages = (Stage(name="constructive", seconds=0.1, total=200.0), Stage(name="search", seconds=4.5, total=150.0, bound=90.0))
    plan = plan.model_copy(update={"solver": plan.solver.model_copy(update={"stages": stages})})
    runs = [trip(request, number, request.now + number * 48 * HOUR, "O1") for number in (0, 1)]
    tasks = [task for _, tasks in runs for task in tasks]
    week = Standing(plan_of(request, [run for run, _ in runs], tasks, list(plan.orders)).model_copy(update={"status": "ready"}))
    state = Standing(plan)
    row = PlanRow("a1", "ready", "feasible", "Mon 1 Mar 05:58", "main", 120.0, 0.25, base="base")
    signed_in = Viewer(signed_in=True)
    wrong = {"quantity": ("must be a whole number, not 'many'; give a number",), "": ("Something else is wrong.",)}
    faults = [{"detail": "order A-1042: part 'brackett' has no operations", "mend": "did you mean 'bracket'?"}]
    return {
        "sign in": sign_in_page("/v1/board", 12, wrong="This key is not one that is valid now."),
        "problem": problem_page("no such plan", 404, "there is no plan with the id 'x'. It was deleted.", faults, "10"),
        "rush": rush_page(state, request, Asked("0" * 64, {"quantity": "many"}, wrong, "This plan begins Monday."), signed_in),
        "promise": promise_page(state, request, Asked("0" * 64, {"quantity": "many", "certainty": "0.95"}, wrong), signed_in),
        "levers": levers_page(state, request, Asked("0" * 64, {"kinds": "plates"}, {"kinds": wrong["quantity"]}), signed_in),
        **{f"{kind} answer": question_page(answered(kind), signed_in) for kind in QUESTION_PAGES},
        "board": board_page(week, request, viewer=signed_in), "day": board_page(state, request, "2027-03-01"),
        "against": comparison_page((state, request), (week, request)),
        "load sheets": load_sheets_page(week, request), "machine sheets": machine_sheets_page(state, request), "plans": plans_page([row]),
    }


def answered(kind: str) -> AskedQuestion:
    """The example of the API description with all that its page can show: orders that pay or lose their place, overtime, setups, money."""
    asked = asked_question(kind)
    answer: dict[str, Any] = copy.deepcopy(dict(asked.answer or {}))
    payer = {"id": "A-1042", "name": None, "weight": 1.0, "late_seconds": 3_900, "later_seconds": 3_900, "pain": 1.08}
    lost = payer | {"id": "A-1043", "late_seconds": None, "later_seconds": None, "pain": None}
    more = {"base": 0.0, "plan": 5_400.0, "change": 5_400.0}
    paid = {"pays": [lost, payer], "overtime_seconds": more, "setups": more, "cost": more}
    if kind == "rush-order":
        one = answer["choices"][0]
        answer["choices"].append(one | {"harmless": False, "pays": paid["pays"], "effect": one["effect"] | paid})
    elif kind == "promise":
        answer |= {"effect": answer["effect"] | paid, "takes": answer["takes"] | {"cost": 61.5, "piece_cost": 15.375}}
    elif kind == "what-if-sweep":
        answer["what_ifs"][0]["effect"] |= paid
    else:
        gain = {"id": "A-1044", "finish": None, "finish_seconds": None, "late_seconds": None}
        answer["levers"][1] |= {"cost": 12.5, "overtime_cost": 80.0, "worse": [gain] * 6, "helps": False}
    return replace(asked, status="ready", answer=answer)  # one that is not comes again while it is looked at


def opened(
    context: BrowserContext, page: Page, width: int = 1280, others: dict[str, tuple[str, str]] | None = None,
) -> tuple[Tab, list[str]]:
    """The page at its own address with its own headers, and every complaint of the browser and every other address it asks for."""
    tab, complaints = context.new_page(), list[str]()
    tab.set_viewport_size(ViewportSize(width=width, height=800))

    def answer(route: Route) -> None:
        url = route.request.url
        if url.split("?")[0] == BOARD:
            route.fulfill(body=page.html, headers=dict(page.headers), content_type="text/html; charset=utf-8")
        elif others and url in others:
            media, body = others[url]
            route.fulfill(body=body, content_type=media)
        else:
            complaints.append(url)
            route.fulfill(status=404)

    tab.route("**/*", answer)
    tab.on("console", lambda message: complaints.append(message.text))
    tab.on("pageerror", lambda error: complaints.append(str(error)))
    tab.goto(BOARD)
    return tab, complaints


@pytest.mark.parametrize("which", [
    "board", "day", "against", "load sheets", "machine sheets", "plans", "sign in", "problem", "rush", "promise",
    *(f"{kind} answer" for kind in QUESTION_PAGES),
])
def test_axe_finds_no_fault(context: BrowserContext, which: str) -> None:
    """The rules of axe-core for WCAG 2.2 and good practice."""
    tab, complaints = opened(context, pages()[which])
    for dress, media in DRESSES.items():
        tab.emulate_media(**media)
        for width in WIDTHS[dress]:
            tab.set_viewport_size(ViewportSize(width=width, height=800))
            results = Axe().run(tab)
            assert results.violations_count == 0, f"{dress}, {width} px: {results.generate_report()}"
            assert tab.evaluate("document.documentElement.scrollWidth") <= width, f"{dress}, {width} px: the page itself scrolls sideways"
    assert complaints == []


@pytest.mark.parametrize("make", [board_page, load_sheets_page, machine_sheets_page])
def test_the_longest_names_leave_a_narrow_page_as_narrow(context: BrowserContext, make: Callable[..., Page]) -> None:
    name = "W" * 200
    request = small_request(M1=name, F1=name, Ana=name)
    state = Standing(full_plan(request).model_copy(update={"status": "ready"}))
    tab, _ = opened(context, make(state, request), 320)
    assert tab.evaluate("document.documentElement.scrollWidth") == 320


def test_the_keyboard_reaches_every_task(context: BrowserContext) -> None:
    tab, complaints = opened(context, pages()["day"])
    tab.focus("#chart-box")
    titles = tab.eval_on_selector_all("#chart-box .body [class] > title", "found => found.map(one => one.textContent)")
    read: list[str] = []
    for _ in titles:
        tab.keyboard.press("ArrowRight")
        read.append(tab.inner_text("#card"))
        assert tab.evaluate("document.activeElement.getAttribute('aria-label')") == read[-1]
    assert read == titles
    tab.keyboard.press("Home")
    tab.keyboard.press("ArrowDown")
    assert tab.inner_text("#card").startswith("R2.cut")  # the bar of the first lane that lies nearest to the last due mark
    tab.keyboard.press("Escape")
    assert tab.evaluate("document.activeElement.id") == "chart-box"
    assert complaints == []


def test_enter_goes_to_the_run_in_the_table(context: BrowserContext) -> None:
    tab, _ = opened(context, pages()["day"])
    tab.focus("#chart-box")
    while "R2.cut" not in (tab.text_content("#card") or ""):
        tab.keyboard.press("ArrowRight")
    tab.keyboard.press("Enter")
    assert tab.url == f"{BOARD}#R2"
    assert tab.evaluate("document.querySelector('tr:target').id") == "R2"


def test_pointing_at_a_bar_reads_it_and_marks_its_whole_run(context: BrowserContext) -> None:
    tab, _ = opened(context, pages()["day"])
    tab.hover(".body path.cut:has-text('R1.cut') >> nth=0")
    assert tab.inner_text("#card").startswith("R1.cut cut, P1, M1")
    marked = tab.eval_on_selector_all(".same > title", "found => found.map(one => one.textContent)")
    assert {title.split()[0] for title in marked} >= {"R1.load", "R1.cut", "R1.unload", "R1.setup"}
    assert not any(title.startswith("R2") for title in marked)


def solving() -> Page:
    request = small_request()
    plan = full_plan(request).model_copy(update={"status": "solving"})
    return board_page(Standing(plan, Progress(stage="constructive", seconds=0.2, total=400.0, bound=50.0, gap=0.875)), request)


def events(*sent: tuple[str, dict[str, Any]]) -> dict[str, tuple[str, str]]:
    """A stream of events as the service tells them (WHATWG, HTML, server-sent events)."""
    text = "retry: 60000\n\n" + "".join(f"event: {name}\ndata: {json.dumps(data)}\n\n" for name, data in sent)
    return {f"{HOST}/v1/plans/demo/events": ("text/event-stream", text)}


def test_progress_is_plotted_and_told_in_numbers(context: BrowserContext) -> None:
    told = events(
        ("progress", {"score": 300.0, "bound": 100.0, "gap": 0.667, "seconds": 2.0}),
        ("progress", {"score": None, "bound": None, "gap": None, "seconds": None}),
        ("improved", {"score": 200.0, "bound": 120.0, "gap": 0.4, "seconds": 5.0, "stage": "searching"}),
    )
    tab, complaints = opened(context, solving(), others=told)
    tab.wait_for_selector("#state a")
    assert tab.eval_on_selector_all("#stages tbody tr", "rows => rows.map(row => row.cells[2].textContent)") == ["400.0", "300.0", "200.0"]
    label = tab.get_attribute("#plot svg", "aria-label")
    assert label == "Score and bound over 5 seconds: 200 points now, gap 40%"
    # 400 points are the top of the plot (15 px), 0 its foot (150 px): 200 points lie half way.
    assert re.search(r"V82\.5H590$", tab.get_attribute("#plot .score-line", "d") or "")
    assert complaints == []


@pytest.mark.parametrize("ending", ["ready", "failed", "stopped", "deleted"])
def test_the_page_reloads_once_the_plan_has_ended(context: BrowserContext, ending: str) -> None:
    page = solving()
    tab, _ = opened(context, page, others=events())
    tab.unroute("**/*")
    loads: list[str] = []

    def answer(route: Route) -> None:
        if route.request.url.endswith("/events"):
            route.fulfill(body=f"event: {ending}\ndata: {{}}\n\n", content_type="text/event-stream")
        else:
            loads.append(route.request.url)
            ended = len(loads) > 1
            html = page.html.replace('data-status="solving"', 'data-status="ready"') if ended else page.html
            route.fulfill(body=html, headers=dict(page.headers), content_type="text/html; charset=utf-8")

    tab.route("**/*", answer)
    tab.goto(BOARD)
    tab.wait_for_selector('[data-status="ready"]')
    assert loads == [BOARD, BOARD]


def test_where_no_events_are_told_the_page_asks_again(context: BrowserContext) -> None:
    tab = context.new_page()
    tab.clock.install()
    loads: list[str] = []

    def answer(route: Route) -> None:
        if route.request.url.endswith("/events"):
            route.fulfill(status=404)
        else:
            loads.append(route.request.url)
            route.fulfill(body=solving().html, content_type="text/html; charset=utf-8")

    tab.route("**/*", answer)
    with tab.expect_response("**/events"):
        tab.goto(BOARD)
    tab.wait_for_timeout(50)
    with tab.expect_navigation():
        tab.clock.fast_forward(5_000)
    assert loads == [BOARD, BOARD]


def test_a_plan_that_waits_has_no_fault_either(context: BrowserContext) -> None:
    request = small_request()
    blank = blank_plan(request).model_copy(update={"id": "demo", "status": "waiting"})
    tab, _ = opened(context, board_page(Standing(blank), request), others=events())
    assert Axe().run(tab).violations_count == 0


@pytest.mark.parametrize(("paper", "points"), [("A4", (842, 595)), ("Letter", (792, 612))])
@pytest.mark.parametrize("which", ["load sheets", "machine sheets"])
def test_every_sheet_is_printed_on_pages_of_its_own(context: BrowserContext, which: str, paper: str, points: tuple[int, int]) -> None:
    page = pages()[which]
    tab, _ = opened(context, page)
    pdf = tab.pdf(format=paper, prefer_css_page_size=True)
    sheets = page.html.count('<section class="sheet"')
    assert len(re.findall(rb"/Type /Page\b", pdf)) >= sheets >= 1
    boxes = {tuple(round(float(x)) for x in box.split()[2:]) for box in re.findall(rb"/MediaBox \[([\d. ]+)\]", pdf)}
    assert all(abs(a - b) <= 1 for box in boxes for a, b in zip(box, points, strict=True))
    assert boxes
    tab.emulate_media(media="print")
    breaks = tab.eval_on_selector_all(".sheet", "found => found.map(one => getComputedStyle(one).breakAfter)")
    assert breaks == ["page"] * (sheets - 1) + ["auto"]
    assert tab.eval_on_selector_all("tbody tr", "rows => rows.every(row => getComputedStyle(row).breakInside === 'avoid')")
    assert not tab.is_visible(".contents")


def test_heads_stand_beside_their_lanes_at_every_width(context: BrowserContext) -> None:
    tab, _ = opened(context, pages()["day"])
    for width in (320, 1280, 1900):
        tab.set_viewport_size(ViewportSize(width=width, height=800))
        tops = "found => found.map(one => one.getBoundingClientRect().top)"
        heads, lanes = (tab.eval_on_selector_all(f"{part} .lane", tops) for part in (".heads", ".body"))
        assert len(heads) == len(lanes) == 4
        assert heads == pytest.approx(lanes, abs=0.5)


def test_the_board_is_printed_landscape_with_its_chart_whole(context: BrowserContext) -> None:
    tab, _ = opened(context, pages()["board"])
    pdf = tab.pdf(prefer_css_page_size=True, format="A4")
    assert re.search(rb"/MediaBox \[0 0 84[12][\d.]* 59[45]", pdf)
    tab.set_viewport_size(ViewportSize(width=1054, height=700))
    tab.emulate_media(media="print")
    assert tab.evaluate("document.querySelector('.sheet-grid').getBoundingClientRect().right") <= 1054
    assert not tab.is_visible(".tabs")
