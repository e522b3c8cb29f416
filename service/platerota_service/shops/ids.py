"""The ids of stored shops: chosen by whoever stores them, and part of addresses."""

from __future__ import annotations

import re
from typing import Annotated, Final

from pydantic import AfterValidator, WithJsonSchema

from platerota_shared.faults import refusal, shown

_PATTERN: Final = r"^[A-Za-z0-9_-][A-Za-z0-9._-]{0,63}$"


def _check(name: str) -> str:
    if re.fullmatch(_PATTERN[1:-1], name) is None:
        words = f"must be of 1 to 64 letters (a to z), digits, '.', '_' and '-', without '.' at its start: {shown(name)} is not"
        raise refusal("bad-text", words, "write it with these alone, such as hall-1")
    return name


ShopName = Annotated[str, AfterValidator(_check), WithJsonSchema({"type": "string", "pattern": _PATTERN})]
"""The id of a shop as it may be chosen."""
