"""A promised date, and what the order to promise takes from the chances of the others."""

from __future__ import annotations

import pytest

from platerota_shared.promises import LessSure, less_sure
from platerota_shared.risks import OrderRisk, Risks, RisksQuestion


def weeks(**on_time: float | None) -> Risks:
    """Simulated weeks in which each order is on time with that chance; None: it is not placed."""
    orders = tuple(
        OrderRisk(id=name, due=0, planned_finish=None if chance is None else 0, on_time=chance, finish=None, promise=None)
        for name, chance in on_time.items()
    )
    return Risks(question=RisksQuestion(), all_on_time=0.0, orders=orders, tasks=(), resources=(), machines=())


@pytest.mark.parametrize(("before", "after", "told"), [
    (0.991, 0.288, True), (0.991, 0.9405, True), (0.99, 0.94, False), (0.1, 0.05, False), (0.1, 0.04, True), (0.5, 0.9, False),
])
def test_more_than_five_points_of_a_hundred_are_told(before: float, after: float, told: bool) -> None:
    assert less_sure(weeks(O1=before), weeks(O1=after)) == ((LessSure(id="O1", before=before, after=after),) if told else ())


def test_the_one_that_loses_most_comes_first_and_only_orders_of_both_weeks_are_compared() -> None:
    before = weeks(O1=0.9, O2=0.9, O3=0.9, LOST=0.9, FOUND=None, GONE=1.0)
    after = weeks(O1=0.8, O2=0.2, O3=0.9, LOST=None, FOUND=0.0, PROMISE=0.0)
    assert [one.id for one in less_sure(before, after)] == ["O2", "O1"]
