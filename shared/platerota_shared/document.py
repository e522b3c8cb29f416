"""From bytes to a JSON document: everything that makes a request unreadable is found here.

JSON's grammar is RFC 8259; beyond it, keys given twice are marked for :func:`duplicate_keys`, and numbers that are not
finite, text that cannot be stored and deep nesting are refused wherever they are.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeGuard, cast

from platerota_shared.faults import Fault, Unreadable, pointer, shown

MAX_BYTES = 16 * 1024 * 1024
MAX_DEPTH = 16
MAX_ENTRIES = 50_000
"""Entries of one list or object that are looked into; the longest table has fewer."""

Steps = tuple[str | int, ...]
_FLAT = "send flat tables, a list of rows each"


class _Doubled(dict[str, Any]):
    """An object in which some keys were given twice; the last value stands."""

    doubled: tuple[str, ...] = ()


def is_object(value: Any) -> TypeGuard[dict[str, Any]]:
    """Whether a value of a document is an object."""
    return isinstance(value, dict)


def is_list(value: Any) -> TypeGuard[Sequence[Any]]:
    """Whether a value of a document is a list."""
    return isinstance(value, (list, tuple))


def read_document(data: bytes | str | Mapping[str, Any], holds: str = "now, shop and orders") -> Mapping[str, Any]:
    """The JSON object in `data`.

    Parameters
    ----------
    data
        A request as it came (UTF-8, a byte order mark is allowed), as text, or as an object parsed elsewhere.
    holds
        What such an object holds, in words for a caller who sent something else.

    Raises
    ------
    Unreadable
        With every reason why it cannot be read.
    """
    document: Any = _parse(_text(data)) if isinstance(data, (bytes, str)) else dict(data)
    faults = list(_unreadable_values(document))
    if faults:
        raise Unreadable(faults)
    if not is_object(document):
        raise _refused("not-json", f"the request is {shown(document)}, not an object", f"send one object with {holds}")
    return document


def duplicate_keys(document: Mapping[str, Any]) -> Iterator[Fault]:
    """A fault for each key that an object of `document` gives more than once."""
    for steps, container in _containers(document):
        if isinstance(container, _Doubled):
            for key in container.doubled:
                yield Fault(
                    pointer(*steps, key), "duplicate-key", f"{shown(key)} is given twice in the same object",
                    "keep one of the two; it is not clear which one counts",
                )


def _text(data: bytes | str) -> str:
    size = len(data) if isinstance(data, bytes) else len(data.encode("utf-8", "surrogatepass"))
    if size > MAX_BYTES:
        raise _refused("too-large", f"the request has {size:,} bytes; the most is {MAX_BYTES:,} (16 MiB)", "plan fewer orders at once")
    if isinstance(data, str):
        return data.removeprefix("\ufeff")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        byte = data[error.start]
        words = f"the request is not UTF-8: byte {byte:#04x} at position {error.start}"
        raise _refused("not-utf-8", words, "save or send it as UTF-8") from None


def _parse(text: str) -> Any:
    try:
        return json.loads(text, object_pairs_hook=_object)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise _refused("not-json", f"the request is not JSON: {error.msg.lower()} at {where}", f"look at {where}") from None
    except RecursionError:
        raise _refused("too-deep", f"the request is nested deeper than {MAX_DEPTH} levels", _FLAT) from None
    except ValueError:
        # Python refuses to read whole numbers of more than some thousand digits.
        raise _refused("not-finite", "the request holds a number of thousands of digits", "look for a damaged number") from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) == len(pairs):
        return found
    seen: set[str] = set()
    marked = _Doubled(found)
    marked.doubled = tuple(dict.fromkeys(key for key, _ in pairs if key in seen or seen.add(key)))  # type: ignore[func-returns-value]
    return marked


def _containers(document: Any) -> Iterator[tuple[Steps, Any]]:
    """Every object and list with the steps to it, outer ones first, in the order of the text; no deeper than `MAX_DEPTH` levels."""
    stack: list[tuple[Steps, Any]] = [((), document)] if is_object(document) or is_list(document) else []
    while stack:
        steps, container = stack.pop()
        yield steps, container
        if len(steps) < MAX_DEPTH:
            inner: list[tuple[Steps, Any]] = [
                ((*steps, key), value) for key, value in _items(container) if is_object(value) or is_list(value)
            ]
            stack.extend(reversed(inner))


def _items(container: Any) -> Iterable[tuple[str | int, Any]]:
    """Keys and values; none of a list or object so long that whoever reads it refuses it as a whole."""
    if len(container) > MAX_ENTRIES:
        return ()
    return container.items() if is_object(container) else enumerate(cast("Sequence[Any]", container))


def _unreadable_values(document: Any) -> Iterator[Fault]:
    for steps, container in _containers(document):
        if len(steps) >= MAX_DEPTH:
            yield Fault(pointer(*steps), "too-deep", f"nested deeper than {MAX_DEPTH} levels", _FLAT)
            continue
        for key, value in _items(container):
            if isinstance(key, str) and _unprintable(key):
                yield _bad_text(steps)
            if isinstance(value, (int, float)):
                if not _finite(value):
                    words = f"{shown(value)} is no number to plan with"
                    yield Fault(pointer(*steps, key), "not-finite", words, "give a finite number, or null")
            elif isinstance(value, str) and _unprintable(value):
                yield _bad_text((*steps, key))


def _finite(value: float) -> bool:
    """Whether a number can be counted with; Python's whole numbers have no end, so theirs is set here."""
    return value.bit_length() < 1_000 if isinstance(value, int) else math.isfinite(value)


def _unprintable(text: str) -> bool:
    """Whether text holds a NUL or half a character, which no database and no file can keep."""
    return "\0" in text or (not text.isascii() and any("\ud800" <= char <= "\udfff" for char in text))


def _bad_text(steps: Steps) -> Fault:
    return Fault(
        pointer(*steps), "bad-text", "text holds a NUL or half a character (a lone surrogate)", "write it again without that character",
    )


def _refused(code: str, detail: str, mend: str) -> Unreadable:
    return Unreadable([Fault("", code, detail, mend)])
