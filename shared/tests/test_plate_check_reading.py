"""A plate check's question is read whole or refused with every fault at once."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest

from platerota_shared import RequestRefused, Unreadable
from platerota_shared.plate_checks import PlateCheckRequest, read_plate_check

Document = dict[str, Any]

WHOLE: Document = {
    "plate": {"size_x": "16 in", "size_y": "10 in", "material": "aluminium", "thickness": "1.5 in", "hardware_mass": "6 lb", "mount": "A"},
    "machines": [{"id": "M1", "travel_x": "30 in", "travel_y": "16 in", "max_mass": 300, "mount": "A"}],
    "piece": {"size_x": 90, "size_y": 60, "size_z": 25, "material": "steel"},
    "layout": {"gap_x": 20, "gap_y": 12, "edge": "0 in"},
    "nests": 8,
    "lift": {"reach": "40 cm", "height": 900, "to_reach": "50 cm", "to_height": 1000, "to_twist": 30, "coupling": "fair"},
    "times": {"cut_seconds": 240, "tool_changes": 5, "tool_change_seconds": 6, "load_piece_seconds": 20, "unload_piece_seconds": 10},
}


def changed(section: str | None, **fields: Any) -> Document:
    """The whole question with `fields` of one section set; ``...`` removes a field."""
    document = copy.deepcopy(WHOLE)
    inside = document if section is None else document["machines"][0] if section == "machines" else document[section]
    for name, value in fields.items():
        if value is ...:
            del inside[name]
        else:
            inside[name] = value
    return document


def faults(data: Any) -> list[tuple[str, str]]:
    with pytest.raises(RequestRefused) as refused:
        read_plate_check(data)
    return [(fault.pointer, fault.code) for fault in refused.value.faults]


def test_lengths_and_masses_are_read_with_their_units() -> None:
    read = read_plate_check(json.dumps(WHOLE))
    assert (read.plate.size_x, read.plate.thickness, read.plate.hardware_mass) == (406.4, 38.1, pytest.approx(2.7216, abs=1e-4))
    assert read.lift is not None
    assert (read.lift.reach, read.lift.to_reach, read.lift.per_minute) == (400, 500, 0.2)
    assert (read.nests, read.layout.edge) == (8, 0)


def test_a_plate_alone_is_enough_and_null_sections_are_not_asked() -> None:
    plate = {"size_x": 400, "size_y": 300, "mass": 20}
    alone = read_plate_check({"plate": plate})
    assert alone == read_plate_check({"plate": plate, "piece": None, "lift": None, "times": None, "nests": None, "layout": {}})
    assert alone == PlateCheckRequest.model_validate({"plate": plate})


@pytest.mark.parametrize(
    ("document", "pointer", "code"),
    [
        ({}, "/plate", "missing-field"),
        ({"plate": []}, "/plate", "wrong-type"),
        (changed(None, plat=1), "/plat", "unknown-field"),
        (changed(None, layout=None), "/layout", "wrong-type"),
        (changed(None, nests=0), "/nests", "out-of-range"),
        (changed(None, machines={}), "/machines", "wrong-type"),
        (changed(None, machines=[WHOLE["machines"][0]] * 501), "/machines", "too-many-rows"),
        (changed(None, machines=[WHOLE["machines"][0]] * 2), "/machines/1/id", "duplicate-row"),
        (changed(None, machines=[7]), "/machines/0", "wrong-type"),
        (changed("machines", travel_y=...), "/machines/0/travel_y", "missing-field"),
        (changed("machines", max_mas=1), "/machines/0/max_mas", "unknown-field"),
        (changed("plate", size_x="16"), "/plate/size_x", "bad-unit"),
        (changed("plate", size_x=0), "/plate/size_x", "out-of-range"),
        (changed("plate", material="unobtainium"), "/plate/material", "unknown-choice"),
        (changed("plate", material=..., thickness=...), "/plate/mass", "missing-field"),
        (changed("plate", thickness=...), "/plate/thickness", "missing-field"),
        (changed("plate", thickness=..., mass=4), "/plate/thickness", "missing-field"),
        (changed("piece", material=...), "/piece/material", "missing-field"),
        (changed("piece", material=..., size_z=...), "/piece/mass", "missing-field"),
        (changed(None, piece=...), "/piece", "missing-field"),
        (changed(None, piece=None, nests=None, times=None), "/piece", "missing-field"),
        (changed("piece", size_x=1e-300), "/piece/size_x", "out-of-range"),
        (changed("layout", gap_x=-1), "/layout/gap_x", "out-of-range"),
        (changed("lift", coupling="slimy"), "/lift/coupling", "unknown-choice"),
        (changed("lift", twist="30 deg"), "/lift/twist", "wrong-type"),
        (changed("times", cut_seconds=1.5), "/times/cut_seconds", "wrong-type"),
        (changed("times", mills=0), "/times/mills", "out-of-range"),
    ],
)
def test_one_slip_gives_one_fault_in_its_place(document: Document, pointer: str, code: str) -> None:
    assert faults(document) == [(pointer, code)]


def test_every_fault_is_told_at_once_with_what_to_change() -> None:
    document = changed("plate", size_x="16", sise_y=3)
    document["machines"][0]["travel_x"] = "wide"
    document["lift"]["coupling"] = "slimy"
    with pytest.raises(RequestRefused) as refused:
        read_plate_check(document)
    assert {fault.pointer for fault in refused.value.faults} == {"/plate/size_x", "/plate/sise_y", "/machines/0/travel_x", "/lift/coupling"}
    mends = {fault.pointer: fault.mend for fault in refused.value.faults}
    assert mends["/plate/sise_y"] == "did you mean 'size_y'?"
    assert all(mends.values())


@pytest.mark.parametrize("data", [b"\xff", "plate;size_x", "[]", '{"plate": {"size_x": NaN}}'])
def test_what_is_no_question_at_all_is_unreadable(data: Any) -> None:
    with pytest.raises(Unreadable):
        read_plate_check(data)


def test_a_list_is_told_what_an_object_would_hold() -> None:
    with pytest.raises(Unreadable) as refused:
        read_plate_check("[]")
    assert "plate" in refused.value.faults[0].mend


def test_the_same_field_given_twice_is_a_fault() -> None:
    assert faults(json.dumps(WHOLE)[:-1] + ', "nests": 4}') == [("/nests", "duplicate-key")]
