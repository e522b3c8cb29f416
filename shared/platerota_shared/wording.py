"""What is wrong with one value, in a planner's words: the library's own errors said again.

Fields that refuse a value themselves bring their words along (:func:`platerota_shared.faults.refusal`); everything else
that a row's model or a parameter of an address can find is listed in `_SAID`. What is not listed is still said, in plain words.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from pydantic_core import ErrorDetails

from platerota_shared.faults import Fault, pointer, shown

Said = tuple[str, str, str]
"""Code, words that follow the field's name, and what to change."""


def fault_of(error: ErrorDetails, place: str, label: str) -> Fault:
    """The fault that `error` is.

    Parameters
    ----------
    error
        What the row's model found; its `loc` counts from the row.
    place
        The row's JSON pointer.
    label
        The row as the sentence names it: ``order O1``.
    """
    code, words, mend = said(error)
    field = _field(error["loc"])
    return Fault(place + pointer(*error["loc"]), code, f"{label}: {field} {words}" if field else f"{label} {words}", mend)


def said(error: ErrorDetails) -> Said:
    """What `error` says of the value that it found."""
    context: Mapping[str, Any] = error.get("ctx", {})
    if "words" in context:
        return error["type"], context["words"], context["mend"]
    return _SAID.get(error["type"], _other)(error["input"], context)


def _field(steps: tuple[int | str, ...]) -> str:
    """``tools``, ``score.late_hour``, ``entry 2 of breaks``."""
    names = ".".join(str(step) for step in steps if isinstance(step, str))
    entries = [step for step in steps if isinstance(step, int)]
    return f"entry {entries[-1] + 1} of {names}" if entries else names


def _range(word: str, key: str) -> Callable[[Any, Mapping[str, Any]], Said]:
    # Fields of whole numbers have whole bounds, all others bounds with a point.
    def say(value: Any, context: Mapping[str, Any]) -> Said:
        bound = context[key]
        kind = "a whole number" if isinstance(bound, int) else "a number"
        figure = f"{bound:,}" if isinstance(bound, int) else f"{bound:,.12g}"
        return "out-of-range", f"must be {kind} {word} {figure}, not {shown(value)}", f"give {kind} {word} {figure}"

    return say


def _kind(what: str) -> Callable[[Any, Mapping[str, Any]], Said]:
    def say(value: Any, context: Mapping[str, Any]) -> Said:
        mend = f"write it in quotes: \"{value}\"" if what == "text" and isinstance(value, (int, float)) else f"give {what}"
        return "wrong-type", f"must be {what}, not {shown(value)}", mend

    return say


def _choice(value: Any, context: Mapping[str, Any]) -> Said:
    expected = context["expected"]
    return "unknown-choice", f"must be {expected}, not {shown(value)}", f"write {expected}"


def _missing(value: Any, context: Mapping[str, Any]) -> Said:
    return "missing-field", "is missing", "add it; it has no default"


def _blank(value: Any, context: Mapping[str, Any]) -> Said:
    return "bad-text", "must not be blank", "give a name, or leave out what has none"


def _long(value: Any, context: Mapping[str, Any]) -> Said:
    return "bad-text", f"must have at most {context['max_length']:,} characters, not {len(value):,}", "shorten it"


def _many(value: Any, context: Mapping[str, Any]) -> Said:
    return "too-many-rows", f"must have at most {context['max_length']:,} entries, not {len(value):,}", "leave out what is not needed"


def _other(value: Any, context: Mapping[str, Any]) -> Said:
    # A version of the library may find what none before it did; a caller is answered all the same.
    return "wrong-type", f"cannot be {shown(value)}", "give a value as the API description has it"


def _few(value: Any, context: Mapping[str, Any]) -> Said:
    return "missing-field", "must not be an empty list", "give at least one entry"


_SAID: Final[dict[str, Callable[[Any, Mapping[str, Any]], Said]]] = {
    "missing": _missing,
    "greater_than_equal": _range("of at least", "ge"),
    "greater_than": _range("greater than", "gt"),
    "less_than_equal": _range("of at most", "le"),
    "int_type": _kind("a whole number"),
    "float_type": _kind("a number"),
    "bool_type": _kind("true or false"),
    "string_type": _kind("text"),
    "int_parsing": _kind("a whole number"),
    "int_parsing_size": _kind("a whole number"),
    "bool_parsing": _kind("true or false"),
    "tuple_type": _kind("a list"),
    "model_type": _kind("an object"),
    "literal_error": _choice,
    "string_too_short": _blank,
    "string_pattern_mismatch": _blank,
    "string_too_long": _long,
    "too_long": _many,
    "too_short": _few,
}
