"""RFC 7240: https://www.rfc-editor.org/rfc/rfc7240 sections 2 (syntax, unknown ones ignored), 4.1 (respond-async), 4.3 (wait)."""

import pytest

from platerota_service.preferences import Preferences, read_preferences
from proof_tools.outside import Outside


@pytest.mark.parametrize(
    ("headers", "expected"),
    [
        ([], Preferences()),
        ([""], Preferences()),
        (["respond-async"], Preferences(respond_async=True)),
        (["Respond-Async; foo=bar"], Preferences(respond_async=True)),
        (["respond-async, wait=10"], Preferences(respond_async=True, wait=10)),
        (["respond-async", "wait = 10"], Preferences(respond_async=True, wait=10)),
        (['wait="7"'], Preferences(wait=7)),
        (["wait=10, wait=20"], Preferences(wait=10)),
        (["wait=0"], Preferences(wait=0)),
        (["wait=100000"], Preferences(wait=60)),
    ],
)
def test_known_preferences_are_read(headers: list[str], expected: Preferences) -> None:
    assert read_preferences(headers) == expected


@pytest.mark.parametrize(
    ("header", "waits", "says"),
    [
        ("respond-async, wait=10", 10, "respond-async, wait=10"), ("Lenient", None, ""),
        ("wait=20, respond-async", 20, "respond-async, wait=20"),
    ],
)
def test_preferences_of_the_standards_examples(outside: Outside, header: str, waits: int | None, says: str) -> None:
    found = read_preferences([header])
    outside(f"`Prefer: {header}`: seconds to wait", found.wait, waits, "RFC 7240", "memory")
    outside(f"`Prefer: {header}`: what is applied", found.applied().get("Preference-Applied", ""), says, "RFC 7240", "memory")


@pytest.mark.parametrize("text", ["wait", "wait=", "wait=-1", "wait=1.5", "wait=soon", "wait=²", "wait=" + "9" * 5_000, "lenient", ",,;="])
def test_malformed_and_unknown_preferences_are_ignored(text: str) -> None:
    assert read_preferences([text]) == Preferences()


def test_what_was_applied_is_said_only_where_something_was() -> None:
    assert Preferences().applied() == {}
    assert Preferences(respond_async=True, wait=5).applied() == {"Preference-Applied": "respond-async, wait=5"}
