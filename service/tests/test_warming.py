"""The real kernel is loaded, and people hear of it only where that takes long."""

import threading

import pytest

from platerota_service import warming


def test_a_kernel_that_is_compiled_already_is_loaded_without_a_word() -> None:
    warming.warm_up(lambda: None)  # may compile, on a machine that has never solved
    said: list[str] = []
    warming.warm_up(lambda: said.append("compiling"))
    assert said == []


def test_one_that_is_not_is_said_to_be_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    said = threading.Event()
    monkeypatch.setattr(warming, "_LONGEST_LOAD", 0.0)
    monkeypatch.setattr(warming, "warm", said.wait)
    warming.warm_up(said.set)
    assert said.is_set()
