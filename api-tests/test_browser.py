"""A planner in a real browser where keys exist: signs in, follows a solve, asks for a rush order, shares a page, signs out."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import unittest
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page

from page_tools.chromium import CHROMIUM, chromium

from .conftest import Server, started

Request = dict[str, Any]

@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, str]]:
    """A server that has a key, and the key."""
    if not CHROMIUM.exists():
        raise unittest.SkipTest(f"{CHROMIUM} is missing: apt-get install chromium")
    folder = tmp_path_factory.mktemp("keyed")
    with started(folder / "log", PLATEROTA_SOLVE_SLOTS="1") as server:
        command = shutil.which("platerota", path=str(Path(sys.executable).parent))
        assert command is not None
        environment = os.environ | {"PLATEROTA_DATA_DIRECTORY": str(folder / "data")}
        made = subprocess.run([command, "keys", "create", "--name", "planner"], env=environment, capture_output=True, text=True, check=True)
        yield server, made.stdout.strip()


@pytest.fixture
def context() -> Iterator[BrowserContext]:
    with chromium() as browser:
        context = browser.new_context(viewport={"width": 1280, "height": 900})
        yield context
        context.close()


def faultless(tab: Page) -> None:
    """No violation of WCAG 2.2, narrow; the dresses of each page are tried in the tests of the service."""
    tab.set_viewport_size({"width": 320, "height": 900})
    results = Axe().run(tab)
    assert results.violations_count == 0, f"{tab.url}: {results.generate_report()}"
    assert tab.evaluate("document.documentElement.scrollWidth") <= 320, tab.url
    tab.set_viewport_size({"width": 1280, "height": 900})


def test_a_planner_signs_in_and_finds_every_way(
    keyed: tuple[Server, str], context: BrowserContext, tiny: Request, request: pytest.FixtureRequest,
) -> None:
    server, key = keyed
    complaints: list[str] = []
    with httpx.Client(base_url=server.url, headers={"X-API-Key": key}, timeout=120) as program:
        tiny["settings"]["solve_seconds"] = 1
        ready = program.post("/v1/plans", json=tiny).json()["id"]
        tab = context.new_page()
        tab.on("pageerror", lambda error: complaints.append(str(error)))

        tab.goto(f"{server.url}/v1/plans/{ready}/board")
        assert tab.title() == "Sign in"
        faultless(tab)
        tab.get_by_label("Key").fill("plr_wrong")
        tab.get_by_role("button", name="Sign in").click()
        assert "not one that is valid now" in tab.get_by_role("alert").inner_text()
        faultless(tab)
        tab.get_by_label("Key").fill(key)
        tab.get_by_role("button", name="Sign in").click()
        tab.wait_for_url(f"**/v1/plans/{ready}/board")
        (cookie,) = context.cookies()
        assert (cookie.get("httpOnly"), cookie.get("sameSite"), cookie.get("path")) == (True, "Lax", "/")
        assert key not in cookie.get("value", key)
        assert tab.evaluate("document.cookie") == ""

        _asks_for_a_rush_order(tab, ready)
        _asks_for_a_date(tab, server.url, ready)
        _follows_a_solve(tab, server, program, request.getfixturevalue("busy"))

        tab.get_by_role("link", name="All plans").click()
        tab.wait_for_url("**/v1/board")
        assert tab.get_by_role("link", name=f"compare with {ready}").count() >= 1
        faultless(tab)

        shared = program.post("/v1/links", json={"path": f"/v1/plans/{ready}/board"}).json()["href"]
        tab.get_by_role("button", name="Sign out").click()
        tab.wait_for_url("**/v1/sign-in")
        assert context.cookies() == []
        tab.goto(f"{server.url}/v1/plans/{ready}/board")
        assert tab.title() == "Sign in"
        _looks_at_a_shared_page(tab, server.url + shared)
    assert complaints == []


def _asks_for_a_rush_order(tab: Page, plan_id: str) -> None:
    tab.get_by_role("link", name="Ask for a rush order").click()
    tab.get_by_label("Part").select_option("bracket")
    tab.get_by_label("Pieces").fill("4")
    tab.get_by_label("Due").fill("2027-03-01T12:00")
    tab.get_by_label("How much its lateness counts").fill("lots")
    tab.get_by_role("button", name="Ask").click()
    assert "must be a number" in tab.inner_text("#weight-wrong-1")
    assert tab.get_by_label("Pieces").input_value() == "4"
    faultless(tab)
    tab.get_by_label("How much its lateness counts").fill("5")
    tab.get_by_role("button", name="Ask").click()
    tab.wait_for_url("**/v1/questions/*/board")
    tab.wait_for_selector('#state[data-ended="yes"]', timeout=240_000)
    assert "nobody pays" in tab.inner_text("#main")
    faultless(tab)
    tab.get_by_role("link", name="Compare with the plan before").first.click()
    assert "new" in tab.inner_text(".verdicts")
    faultless(tab)


def _asks_for_a_date(tab: Page, url: str, plan_id: str) -> None:
    tab.goto(f"{url}/v1/plans/{plan_id}/board")
    tab.get_by_role("link", name="Ask for a date to promise").click()
    tab.get_by_label("Part").wait_for()
    faultless(tab)
    tab.get_by_label("Part").select_option("bracket")
    tab.get_by_label("Pieces").fill("4")
    tab.get_by_label("How sure the date should be").select_option("95 %")
    tab.get_by_role("button", name="Ask").click()
    tab.wait_for_url("**/v1/questions/*/board")
    tab.wait_for_selector('#state[data-ended="yes"]', timeout=240_000)
    assert "at least 95 % of the simulated weeks" in tab.inner_text("#main")
    faultless(tab)
    tab.get_by_role("link", name="Its board").click()
    assert "PROMISE" in tab.inner_text("#main")


def _follows_a_solve(tab: Page, server: Server, program: httpx.Client, busy: Request) -> None:
    """By events, which take the cookie: the page learns without being loaded anew."""
    asked = program.post("/v1/plans", json=busy, headers={"Prefer": "respond-async"}).headers["location"]
    tab.goto(f"{server.url}{asked}/board")
    with tab.expect_response("**/events") as told:
        tab.wait_for_selector('#state[data-status="solving"]', timeout=60_000)
    assert told.value.status == 200
    program.post(f"{asked}/stop")
    tab.wait_for_selector('#state[data-status="ready"]', timeout=60_000)


def _looks_at_a_shared_page(tab: Page, address: str) -> None:
    """A signed link opens its page and its days, and shows no way that would end at a refusal."""
    tab.goto(address)
    assert tab.title().startswith("Board")
    assert tab.locator(".links, .foot").count() == 0
    faultless(tab)
    tab.locator(".tabs a").nth(1).click()
    tab.wait_for_url("**day=2027-03-01**")
    assert tab.title().startswith("Board")
