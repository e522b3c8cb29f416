"""The names that others may import from the top are those the modules define, and all are explained."""

from __future__ import annotations

import importlib
import pkgutil
from types import ModuleType

import pytest

import platerota_shared

ALIASES = {"CODES", "LIMITS", "Kind", "Quality", "Skill", "Status"}


def modules() -> list[ModuleType]:
    names = (info.name for info in pkgutil.walk_packages(platerota_shared.__path__, "platerota_shared."))
    return [importlib.import_module(name) for name in names]


def test_the_list_is_sorted_and_names_nothing_twice() -> None:
    listed = platerota_shared.__all__
    assert len(set(listed)) == len(listed)
    assert set(listed) == {name for name in vars(platerota_shared)
        if not name.startswith("_") and not isinstance(getattr(platerota_shared, name), ModuleType)}


@pytest.mark.parametrize("name", platerota_shared.__all__)
def test_each_name_is_the_one_a_module_defines(name: str) -> None:
    value = getattr(platerota_shared, name)
    homes = [module for module in modules() if vars(module).get(name) is value]
    assert homes
    if name not in ALIASES:
        assert value.__module__ in {module.__name__ for module in homes}
        assert value.__doc__


def test_what_the_tables_define_can_be_imported_from_the_top() -> None:
    tables = importlib.import_module("platerota_shared.tables")
    rows = {name for name, value in vars(tables).items() if isinstance(value, type) and value.__module__ == tables.__name__}
    assert rows - {"Row", "NamedRow"} <= set(platerota_shared.__all__)
