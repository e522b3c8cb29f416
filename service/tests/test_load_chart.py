"""The week's load against capacity, and pictures as PNG."""

from __future__ import annotations

import os
import re
import struct
import sys
import xml.etree.ElementTree as ElementTree
from datetime import UTC, datetime
from pathlib import Path

import pytest

from platerota_service.pictures import gantt_svg, load_svg
from platerota_service.pictures.png import NoFonts, NoPicture, png
from platerota_service.png_child import NO_FONTS, SCALE
from platerota_shared.plan import Plan
from platerota_shared.tables import PlanRequest

from .drawn_plans import full_plan, long_plan, plan_of, small_request, trip

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


def titles(plan: Plan, request: PlanRequest) -> list[str]:
    groups = ElementTree.fromstring(load_svg(plan, request)).iter(f"{SVG}g")
    return [title.text or "" for group in groups for title in group.findall(f"{SVG}title")]


def test_load_and_capacity_are_hours_that_a_human_can_check() -> None:
    """M1 is closed for 4 of 24 h, cuts twice 41 min, has 25 min of setup and four exchanges of 1 min.

    Ana has 7.5 h in her shift and 2 h of overtime; she builds for 3 h, has 17 min of hand work in each run, 25 min of setup, 20 min of
    checking and 30 min at the bench.
    """
    request = small_request()
    plan = full_plan(request)
    assert titles(plan, request) == [
        f"M1, Mon 1 Mar: {(2 * 41 + 25 + 4) / 60:.1f} of 20.0 h, somebody is there for 10.0 h",
        f"Ana, Mon 1 Mar: {(180 + 2 * 17 + 25 + 20 + 30) / 60:.1f} of 9.5 h",
    ]


def test_overtime_is_capacity_only_where_it_is_used() -> None:
    request = small_request()
    run, tasks = trip(request, 1, request.now, "O1")
    assert "of 7.5 h" in titles(plan_of(request, [run], tasks, []), request)[1]


def test_the_first_day_counts_from_now() -> None:
    request = small_request().model_copy(update={"now": int(datetime(2027, 3, 1, 12, tzinfo=UTC).timestamp())})
    run, tasks = trip(request, 1, request.now, "O1")
    mill, ana = titles(plan_of(request, [run], tasks, []), request)
    assert "of 14.0 h, somebody is there for 2.0 h" in mill
    assert "of 2.0 h" in ana


@pytest.mark.parametrize("hours", [1, 24 * 20])
def test_bars_stay_inside_their_columns_however_many_days(hours: int) -> None:
    request = small_request()
    root = ElementTree.fromstring(load_svg(long_plan(request, hours), request))
    bars = [bar for bar in root.iter(f"{SVG}rect") if bar.get("class") in ("order", "in-order", "setup")]
    assert bars
    assert all(float(bar.attrib["x"]) + float(bar.attrib["width"]) <= 1094.5 for bar in bars)


def test_a_callers_text_is_escaped_in_the_chart() -> None:
    name = "<script>&\u202e"
    svg = load_svg(full_plan(small_request(M1=name, Ana=name)), small_request(M1=name, Ana=name))
    assert "<script" not in svg
    assert "\u202e" not in svg
    ElementTree.fromstring(svg)


@pytest.mark.anyio
@pytest.mark.usefixtures("fonts")
async def test_a_picture_is_a_png_of_the_drawing_with_its_words() -> None:
    """Signature and size where PNG has them: W3C, Portable Network Graphics, sections 5.2 and 11.2.1."""
    request = small_request()
    svg = load_svg(full_plan(request), request)
    picture = await png(svg)
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    height = float(re.findall(r'height="([\d.]+)"', svg)[0])
    assert struct.unpack(">II", picture[16:24]) == (1280 * SCALE, pytest.approx(height * SCALE, abs=1))
    assert len(picture) > 1.2 * len(await png(re.sub(r"<text.*?</text>", "", svg, flags=re.S)))


@pytest.mark.anyio
@pytest.mark.usefixtures("fonts")
async def test_a_machine_without_fonts_and_a_child_that_fails_are_told_apart() -> None:
    with pytest.raises(NoFonts):
        await png("<svg/>", (sys.executable, "-c", f"raise SystemExit({NO_FONTS})"))
    with pytest.raises(NoPicture) as failed:
        await png("<svg/>", (sys.executable, "-c", "raise SystemExit('out of ink')"))
    assert "out of ink" in failed.value.detail
    with pytest.raises(NoPicture):
        await png("no drawing")


def test_both_pictures_share_one_frame() -> None:
    request = small_request()
    for svg in (gantt_svg(full_plan(request), request), load_svg(full_plan(request), request)):
        assert svg.count('class="frame"') >= 1
        assert "3 orders, 1 on time, 1 late, 1 not placed, 2 runs" in svg


@pytest.mark.anyio
async def test_a_picture_that_takes_too_long_is_given_up_and_its_child_ended(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sys.modules[png.__module__], "LONGEST_SECONDS", 3.0)
    script = f"import os, pathlib, time; pathlib.Path({str(tmp_path / 'pid')!r}).write_text(str(os.getpid())); time.sleep(60)"
    with pytest.raises(NoPicture) as failed:
        await png("<svg/>", (sys.executable, "-I", "-S", "-c", script))
    assert "no picture within" in failed.value.detail
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)
