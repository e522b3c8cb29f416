"""The question about risk: what is asked by default, and every fault at once."""

import json

import pytest

from platerota_shared.faults import RequestRefused
from platerota_shared.risks import RisksQuestion, read_risks_question


def faults(document):
    with pytest.raises(RequestRefused) as refused:
        read_risks_question(json.dumps(document))
    return [(fault.pointer, fault.code) for fault in refused.value.faults]


def test_an_empty_object_asks_with_every_default():
    question = read_risks_question(b"{}")
    assert question == RisksQuestion()
    assert (question.samples, question.certainty, question.hand.distribution) == (2_000, 0.9, "lognormal")


def test_a_part_of_a_section_keeps_the_defaults_of_the_rest():
    assert read_risks_question({"stops": {"mean_seconds": 60}}).stops.per_cutting_hour == RisksQuestion().stops.per_cutting_hour


def test_all_faults_come_at_once_with_their_pointers():
    assert sorted(faults({
        "hand": {"variation": -0.1, "distribution": "normal", "spread": 1}, "cut": {"distribution": "gamma"},
        "stops": {"per_cutting_hour": "often", "mean_seconds": 1e9, "needs_person": "yes"}, "stay_minutes": 121, "work_ahead": 1,
        "samples": 99.5, "seed": -1, "certainty": 1, "sample": 5,
    })) == [
        ("/certainty", "out-of-range"), ("/cut/variation", "missing-field"), ("/hand/distribution", "unknown-choice"),
        ("/hand/spread", "unknown-field"), ("/hand/variation", "out-of-range"), ("/sample", "unknown-field"),
        ("/samples", "wrong-type"), ("/seed", "out-of-range"), ("/stay_minutes", "out-of-range"), ("/stops/mean_seconds", "out-of-range"),
        ("/stops/needs_person", "wrong-type"), ("/stops/per_cutting_hour", "wrong-type"), ("/work_ahead", "wrong-type"),
    ]


@pytest.mark.parametrize(("field", "least", "most"), [("samples", 100, 10_000), ("certainty", 0.5, 0.99), ("stay_minutes", 0, 120)])
def test_the_ends_of_a_range_are_allowed_and_nothing_beyond(field, least, most):
    for value in (least, most):
        assert getattr(read_risks_question({field: value}), field) == value
    assert faults({field: least - 1}) == [(f"/{field}", "out-of-range")]
    assert faults({field: most + 1}) == [(f"/{field}", "out-of-range")]


def test_a_key_given_twice_is_refused():
    with pytest.raises(RequestRefused) as refused:
        read_risks_question('{"seed": 1, "seed": 2}')
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/seed", "duplicate-key")]


def test_a_certainty_needs_some_weeks_beyond_it():
    assert read_risks_question({"samples": 500, "certainty": 0.99}).samples == 500
    assert faults({"samples": 499, "certainty": 0.99}) == [("/samples", "out-of-range")]
    assert faults({"samples": 499, "certainty": 0.99, "hand": 3}) == [("/hand", "wrong-type"), ("/samples", "out-of-range")]
