"""What is sent beside made-up bodies: the examples of the description, which are true, under names that nobody expects.

Loaded by schemathesis. A made-up planning request hardly ever means something; with these there are plans, shops and webhooks
to go on with, and their names travel through every call that answers them.
"""

from __future__ import annotations

from typing import Any

import schemathesis
from hypothesis import strategies as st
from schemathesis import Case, GenerationMode, HookContext

NAMES = ("mill-1", "P1", "bracket-vise", "bracket", "ana", "A-1042", "M96")
"""The names in the examples."""

HOSTILE = (
    "<script>alert(1)</script>", "a & b \" ' ]]> --", "W" * 200, "\u6a5f\u68b0" * 100, "=1+1", "../../etc", "%00%2f", "{{7*7}}", " x ",
    "\u05e2\u05d2\u05dc\u05d4 \u202e\u05d2\u05d3", "\U0001f527\U0001f469\u200d\U0001f3ed", "a\tb\nc\r\nd", "\x07\x1b[31m",
    "e\u0301", "'; DROP TABLE plans; --", "\u2028\u2029\ufeff", "\ud7ff\ue000\uffff", "BEGIN:VEVENT\r\nUID:x",
)
"""Markup, right to left, emoji, long, wide, control and invisible characters, a formula, what templates and databases might take."""

SOLVING = ("create_plan", "create_shop_plan", "create_what_if", "get_risks")
"""Calls that start a solver, which takes it a second or two."""


def _examples(operation: Any) -> list[Any]:
    """The JSON bodies that the description gives for a call."""
    raw = operation.schema.raw_schema
    content = operation.definition.raw.get("requestBody", {}).get("content", {}).get("application/json", {})
    found = []
    for one in content.get("examples", {}).values():
        named = one.get("$ref", "").rpartition("/")[2]
        found.append(raw["components"]["examples"][named]["value"] if named else one["value"])
    return found


def _renamed(value: Any, names: dict[str, str]) -> Any:
    if isinstance(value, dict):
        return {name: _renamed(one, names) for name, one in value.items()}
    if isinstance(value, list):
        return [_renamed(one, names) for one in value]
    return names.get(value, value) if isinstance(value, str) else value


@schemathesis.hook
def filter_case(_context: HookContext, case: Case) -> bool:
    """No body of text that is none: `true` or 12 is sent as text and so is a CSV file, not one that breaks its type.

    Where a workbook is asked for, such a file is answered well: with itself and what is wrong with it.
    """
    return case.media_type != "text/csv" or not isinstance(case.body, (bool, int, float, list, dict))


@schemathesis.hook
def flatmap_case(context: HookContext, case: Case) -> st.SearchStrategy[Case]:
    """Of the valid bodies one in three is an example, one in three an example with other names; half of them wait for their plan.

    Calls that start a solver (a second of work) are sent examples seldom, but where a chain of calls begins with them.
    """
    made = case.meta
    drawn = made is not None and made.phase.name in ("fuzzing", "stateful") and made.generation.mode == GenerationMode.POSITIVE
    examples = _examples(context.operation) if drawn else []
    if made is None or not examples:
        return st.just(case)

    def sent(drawn: tuple[Any, dict[str, str], bool]) -> Case:
        example, names, waits = drawn
        case.body, case.media_type = _renamed(example, names), "application/json"
        if waits:
            case.headers.pop("Prefer", None)
        return case

    one, names = st.sampled_from(examples), st.sampled_from(HOSTILE) | st.text(min_size=1, max_size=40)
    renamed = st.fixed_dictionaries({}, optional=dict.fromkeys(NAMES, names))
    dear = made.phase.name == "fuzzing" and context.operation.definition.raw["operationId"] in SOLVING
    known = [st.tuples(one, how, st.booleans()).map(sent) for how in (st.just({}), renamed)]
    return st.one_of(*[st.just(case)] * (20 if dear else 1), *known)
