"""Every code of the catalogue is raised by something, alone and in the right place; nothing else is raised."""

from __future__ import annotations

import pytest

from platerota_shared import CODES, Fault, RequestRefused, Unreadable, read_request
from platerota_shared.faults import MAX_FAULTS

from .single_change_faults import CHANGE_FAULTS, HAPPENED_FAULTS
from .single_faults import SINGLE_FAULTS
from .tiny_shop import faults, tiny_shop, whole_floor

UNREADABLE = {"too-large", "not-utf-8", "not-json", "not-finite", "too-deep"}
CONSTANT = "more-faults"  # stands at the end of a list of thousands


def test_the_tiny_shop_and_the_whole_floor_have_no_fault() -> None:
    assert faults(tiny_shop()) == ()
    assert faults(whole_floor()) == ()


def test_every_code_has_a_request_that_provokes_it() -> None:
    assert set(SINGLE_FAULTS) | set(CHANGE_FAULTS) | set(HAPPENED_FAULTS) == set(CODES)


@pytest.mark.parametrize("code", sorted(set(SINGLE_FAULTS) - {CONSTANT}))
def test_one_slip_gives_one_fault_in_its_place(code: str) -> None:
    data, pointer = SINGLE_FAULTS[code]
    assert [(fault.pointer, fault.code) for fault in faults(data)] == [(pointer, code)]


@pytest.mark.parametrize("code", sorted(SINGLE_FAULTS))
def test_every_fault_says_what_and_how_to_mend_it_in_one_line(code: str) -> None:
    with pytest.raises(RequestRefused) as refused:
        read_request(SINGLE_FAULTS[code][0])
    fault = next(fault for fault in refused.value.faults if fault.code == code)
    assert len(fault.detail) > 10
    assert len(fault.mend) > 5
    assert "\n" not in fault.detail + fault.mend
    assert not fault.detail.endswith(".")
    assert "Input should" not in fault.detail


@pytest.mark.parametrize("code", sorted(SINGLE_FAULTS))
def test_only_what_cannot_be_read_at_all_is_unreadable(code: str) -> None:
    with pytest.raises(RequestRefused) as refused:
        read_request(SINGLE_FAULTS[code][0])
    assert isinstance(refused.value, Unreadable) == (code in UNREADABLE)


def test_a_code_outside_the_catalogue_cannot_be_raised() -> None:
    with pytest.raises(ValueError, match="not in the catalogue"):
        Fault("", "never-heard-of", "", "")


def test_past_ten_thousand_faults_the_last_one_counts_the_rest() -> None:
    with pytest.raises(RequestRefused) as refused:
        read_request(SINGLE_FAULTS["more-faults"][0])
    listed = refused.value.faults
    assert len(listed) == MAX_FAULTS + 1
    assert listed[-1].code == "more-faults"
    assert str(3_400 * 4 - MAX_FAULTS) in listed[-1].detail
