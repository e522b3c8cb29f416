"""What was rendered is kept up to a size, rendered once for all who ask meanwhile, and a fault is not kept."""

from __future__ import annotations

import asyncio
from functools import partial

import pytest

from platerota_service.shelf import Rendered, Shelf

pytestmark = pytest.mark.anyio


class Printer:
    """Renders pages of a hundred bytes, and counts them."""

    def __init__(self) -> None:
        self.printed: list[str] = []
        self.jammed = False

    async def page(self, name: str) -> Rendered:
        self.printed.append(name)
        await asyncio.sleep(0)
        if self.jammed:
            raise ValueError("out of paper")
        return Rendered(name.encode() * 100, "text/html", {})


async def test_what_was_asked_for_longest_ago_goes_first() -> None:
    shelf, printer = Shelf(most_bytes=250), Printer()
    for name in ("a", "b", "a", "c", "a", "c", "b"):
        assert (await shelf.get((name,), partial(printer.page, name))).content == name.encode() * 100
    assert printer.printed == ["a", "b", "c", "b"]


async def test_all_who_ask_meanwhile_get_the_one_rendering() -> None:
    shelf, printer = Shelf(), Printer()
    found = await asyncio.gather(*(shelf.get(("a",), lambda: printer.page("a")) for _ in range(5)))
    assert printer.printed == ["a"]
    assert all(one is found[0] for one in found)


async def test_who_hangs_up_takes_it_from_nobody_else() -> None:
    shelf, printer = Shelf(), Printer()
    first, second = (asyncio.ensure_future(shelf.get(("a",), lambda: printer.page("a"))) for _ in range(2))
    await asyncio.sleep(0)
    first.cancel()
    assert (await second).content == b"a" * 100
    assert printer.printed == ["a"]


async def test_a_fault_is_told_to_each_and_tried_again_the_next_time() -> None:
    shelf, printer = Shelf(), Printer()
    printer.jammed = True
    found = await asyncio.gather(*(shelf.get(("a",), lambda: printer.page("a")) for _ in range(2)), return_exceptions=True)
    assert [str(one) for one in found] == ["out of paper"] * 2
    printer.jammed = False
    assert (await shelf.get(("a",), lambda: printer.page("a"))).content == b"a" * 100
