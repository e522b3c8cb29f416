"""The latest start in somebody's working time, unbroken or with pauses, by hand."""

import pytest

from platerota_solver.describe.open_times import OpenTime

DAY = OpenTime([(100, 200), (300, 450)])


@pytest.mark.parametrize(("seconds", "end", "start"), [
    (50, 450, 400), (150, 450, 300), (50, 340, 150), (100, 200, 100),
    (151, 450, None),  # longer than any stretch
    (50, 120, None),  # before there is any time for it
])
def test_an_unbroken_task_starts_as_late_as_one_stretch_allows(seconds: int, end: int, start: int | None) -> None:
    assert DAY.latest_unbroken(seconds, end) == start


@pytest.mark.parametrize(("seconds", "end", "start"), [
    (150, 450, 300), (151, 450, 199), (250, 450, 100), (100, 350, 150),
    (251, 450, None),  # more than all of it
    (30, 120, None),
])
def test_a_task_that_pauses_may_begin_before_the_pause(seconds: int, end: int, start: int | None) -> None:
    assert DAY.latest_pausing(seconds, end) == start


def test_somebody_who_never_works_has_no_time_for_anything() -> None:
    nobody = OpenTime([])
    assert (nobody.latest_unbroken(10, 100), nobody.latest_pausing(10, 100), nobody.worked(100)) == (None, None, 0)
