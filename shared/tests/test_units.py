"""Lengths and masses with and without units."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from platerota_shared.fields import Length, Mass
from proof_tools.outside import Outside

LENGTH = TypeAdapter[float](Length)
MASS = TypeAdapter[float](Mass)


@pytest.mark.parametrize(
    ("written", "millimetres"),
    [(400, 400.0), (400.5, 400.5), ("16 in", 406.4), ("16in", 406.4), (" 40 cm ", 400.0),
     ("0.4 m", 400.0), ("1 ft", 304.8), ("4e2 mm", 400.0)],
)
def test_lengths_are_millimetres(written: Any, millimetres: float) -> None:
    # 1 in = 25.4 mm and 1 ft = 0.3048 m exactly (international yard and pound agreement of 1959).
    assert LENGTH.validate_python(written) == millimetres


@pytest.mark.parametrize(("written", "base"), [("1 in", 25.4), ("1 ft", 304.8), ("1 lb", 0.45359237), ("1 oz", 0.45359237 / 16)])
def test_inches_feet_pounds_and_ounces_are_the_agreed_ones(outside: Outside, written: str, base: float) -> None:
    kind, unit = (LENGTH, "mm") if written.endswith(("in", "ft")) else (MASS, "kg")
    outside(f"{written} in {unit}", kind.validate_python(written), base, "yard and pound 1959", "memory", off=1e-9)


@pytest.mark.parametrize(("written", "kilograms"), [(20, 20.0), ("24 lb", 10.88621688), ("500 g", 0.5),
    ("16 oz", 0.45359237), ("20kg", 20.0)])
def test_masses_are_kilograms(written: Any, kilograms: float) -> None:
    # 1 lb = 0.45359237 kg exactly (the same agreement); 16 oz = 1 lb.
    assert MASS.validate_python(written) == pytest.approx(kilograms, abs=1e-9)


@pytest.mark.parametrize("written", ["5 furlongs", "24 lb", "16 IN", "16 in mm"])
def test_a_unit_that_is_no_length_is_refused_with_the_units_that_are(written: str) -> None:
    with pytest.raises(ValidationError) as refused:
        LENGTH.validate_python(written)
    error = refused.value.errors()[0]
    assert error["type"] == "bad-unit"
    assert "mm, cm, m, in, ft" in error["ctx"]["mend"]


@pytest.mark.parametrize("written", ["400", "", "wide", "16,5 in", "16\"", "nan in", "1_0 mm"])
def test_text_without_a_number_and_a_unit_is_refused(written: str) -> None:
    with pytest.raises(ValidationError) as refused:
        LENGTH.validate_python(written)
    assert refused.value.errors()[0]["type"] == "bad-unit"


@pytest.mark.parametrize("written", [True, None, [], {}])
def test_what_is_neither_number_nor_text_is_refused(written: Any) -> None:
    with pytest.raises(ValidationError) as refused:
        MASS.validate_python(written)
    assert refused.value.errors()[0]["type"] == "wrong-type"


@pytest.mark.parametrize(
    ("written", "kind"),
    [(0, "greater_than"), (-1, "greater_than"), ("-16 in", "greater_than"), ("0 mm", "greater_than"), (100_001, "less_than_equal"),
     ("100.001 m", "less_than_equal"), ("1e300 in", "less_than_equal")],
)
def test_lengths_are_more_than_nothing_and_less_than_a_hall(written: Any, kind: str) -> None:
    with pytest.raises(ValidationError) as refused:
        LENGTH.validate_python(written)
    assert [error["type"] for error in refused.value.errors()] == [kind]


@pytest.mark.parametrize("number", ["1e400", "-1e400", "9" * 5_000])
@pytest.mark.parametrize(("adapter", "unit", "what"), [(LENGTH, "mm", "length"), (LENGTH, "in", "length"), (MASS, "lb", "mass")])
def test_what_is_too_large_to_count_with_is_refused_where_it_is_read(
    adapter: TypeAdapter[float], unit: str, what: str, number: str,
) -> None:
    with pytest.raises(ValidationError) as refused:
        adapter.validate_python(f"{number} {unit}")
    (error,) = refused.value.errors()
    assert error["type"] == "out-of-range"
    assert error["ctx"]["words"].startswith(f"is no {what} to plan with: '{number[:50]}")


def test_what_is_too_large_only_once_it_is_converted_is_refused_as_well() -> None:
    with pytest.raises(ValidationError) as refused:
        LENGTH.validate_python("1e308 ft")
    assert [error["type"] for error in refused.value.errors()] == ["out-of-range"]
