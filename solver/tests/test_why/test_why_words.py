"""Hours and instants as sentences give them: the shop's own clock, short day names."""

import pytest

from platerota_shared.tables import PlanRequest
from platerota_solver.why.words import at_least, hours, moment, people

NOW = 1_806_152_400  # 2027-03-27T13:00:00Z, a Saturday; Lisbon puts its clocks forward on Sunday 01:00


def request(*operators):
    shop = {"timezone": "Europe/Lisbon", "operators": [{"id": name, "skills": skills} for name, skills in operators]}
    return PlanRequest.model_validate({"now": NOW, "shop": shop})


@pytest.mark.parametrize(("seconds", "words"), [
    (0, "0 s"), (40, "40 s"), (60, "1 min"), (3_570, "1 h"), (3_600, "1 h"), (51_600, "14 h 20 min"), (360_000, "100 h"),
])
def test_hours(seconds, words):
    assert hours(seconds) == words


@pytest.mark.parametrize(("seconds", "words"), [(40, "40 s"), (60, "1 min"), (119, "1 min"), (3_599, "59 min"), (3_630, "1 h")])
def test_what_it_takes_at_least_is_rounded_down(seconds, words):
    assert at_least(seconds) == words


@pytest.mark.parametrize(("after", "words"), [
    (0, "Sat 13:00"), (86_400, "Sun 14:00"), (7 * 86_400, "Sat 2027-04-03 14:00"), (-3_600, "Sat 2027-03-27 12:00"),
])
def test_instants_follow_the_clock_of_the_shop(after, words):
    assert moment(request(), NOW + after) == words


def test_the_only_one_for_a_skill_is_called_so():
    wanted = request(("Ana", []), ("Ben", ["load"]))
    assert people(wanted, "setup") == "Ana, the only one who can set up"
    assert people(wanted, "load") == "Ana and Ben, who can load"
