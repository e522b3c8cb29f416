"""The published formulas: the standard's worked numbers, and one formula for each ratio of a plan with every element it needs."""

from __future__ import annotations

import re

import pytest

from platerota_shared.kpi_formulas import (
    ISO_RATIOS,
    MACHINE_ELEMENTS,
    MACHINE_FORMULAS,
    OPERATOR_ELEMENTS,
    OPERATOR_FORMULAS,
    SHOP_ELEMENTS,
    SHOP_FORMULAS,
    SPINDLE_USES,
    added,
    iso_ratios,
    machine_elements,
    operator_elements,
)
from proof_tools.outside import Outside


# ISO 22400-2 (element names seen in OPC 40001-1, Annex C.2; formulas from memory, two of them seen), numbers worked out by hand: PBT 480,
# APT 320, AUST 40, ADET 60 minutes. Effectiveness .9375, quality .95 and OEE .5938 of that example need pieces made and good ones counted
# on the floor; a plan has neither.
@pytest.mark.parametrize(
    ("ratio", "value"),
    [
        ("planned_availability", 0.6667), ("planned_setup_ratio", 0.1111), ("planned_technical_efficiency", 0.8421),
        ("planned_utilization_efficiency", 0.7619), ("planned_allocation_efficiency", 0.8750),
    ],
)
def test_the_worked_example_of_the_standards_ratios(outside: Outside, ratio: str, value: float) -> None:
    # 480 = 320 cutting + 40 setup + 60 delay + 60 without work; 100 more are closed.
    seconds = dict.fromkeys(SPINDLE_USES, 0) | {
        "cutting": 320 * 60, "setup": 40 * 60, "exchange": 10 * 60, "nobody": 20 * 60, "no_loaded_plate": 5 * 60, "operator_busy": 25 * 60,
        "no_work": 60 * 60, "closed": 100 * 60,
    }
    elements = machine_elements(seconds)
    minutes = {name: count / 60 for name, count in elements.items()}
    assert minutes == {"PBT": 480, "AUBT": 420, "AUPT": 360, "APT": 320, "AUST": 40, "ADET": 60}
    what = f"{ratio.removeprefix('planned_').replace('_', ' ')} of PBT 480, APT 320, AUST 40, ADET 60 min"
    outside(what, iso_ratios(elements)[ratio], value, "ISO 22400-2", "worked out", off=5e-5)


def test_people_orders_and_pieces() -> None:
    worker = operator_elements({"load": 900, "bench": 300, "free": 1_200})
    assert worker == {"APWT": 1_200, "APAT": 2_400}
    assert iso_ratios(worker) == {"planned_worker_efficiency": 0.5}
    shop = added([worker, worker], worker) | {"AUBT": 3_000, "AOET": 6_000, "AOET_all": 7_200, "PQ": 8}
    assert (shop["APWT"], shop["APAT"]) == (2_400, 4_800)
    ratios = iso_ratios(shop)
    assert (ratios["planned_allocation_ratio"], ratios["planned_throughput_rate"]) == (0.5, 4.0)  # 8 pieces in 2 h


def test_a_ratio_whose_divisor_is_0_has_no_value() -> None:
    assert iso_ratios(dict.fromkeys(SHOP_ELEMENTS, 0)) == dict.fromkeys(ISO_RATIOS)


@pytest.mark.parametrize(
    ("elements", "formulas"),
    [(MACHINE_ELEMENTS, MACHINE_FORMULAS), (OPERATOR_ELEMENTS, OPERATOR_FORMULAS), (SHOP_ELEMENTS, SHOP_FORMULAS)],
)
def test_every_published_formula_is_of_published_elements(elements: dict[str, str], formulas: dict[str, str]) -> None:
    found = set(iso_ratios(dict.fromkeys(elements, 1)))
    assert found == {name for name in formulas if not name.endswith("_cost")}
    for name in found:
        used = set(re.findall(r"\b[A-Z]{2}\w*", formulas[name].split(" (ISO")[0]))
        assert used == {*ISO_RATIOS[name].above, *ISO_RATIOS[name].below}
        assert used <= set(elements)
