"""The `Prefer` header (RFC 7240): what a caller would like, as far as this service knows it."""

from __future__ import annotations

from dataclasses import dataclass

LONGEST_WAIT = 60
"""Seconds a call is held at most."""


@dataclass(frozen=True, slots=True)
class Preferences:
    """Whether to answer before the work is done, and how many whole seconds to hold the call (None: not said)."""

    respond_async: bool = False
    wait: int | None = None

    def applied(self) -> dict[str, str]:
        """The `Preference-Applied` header for these, if any."""
        names = ["respond-async"] if self.respond_async else []
        if self.wait is not None:
            names.append(f"wait={self.wait}")
        return {"Preference-Applied": ", ".join(names)} if names else {}


def read_preferences(values: list[str]) -> Preferences:
    """Preferences from all `Prefer` headers of a call; what is unknown or malformed is ignored, as RFC 7240 section 2 demands.

    A longer `wait` than 60 s counts as 60 s. The first of two equal names counts.
    """
    found: dict[str, str] = {}
    for item in ",".join(values).split(","):
        name, _, value = item.split(";")[0].partition("=")
        found.setdefault(name.strip().lower(), value.strip().strip('"'))
    wait = found.get("wait", "")
    # Few digits only: int() refuses texts of thousands of digits.
    known = wait.isascii() and wait.isdigit() and len(wait) <= 9
    return Preferences("respond-async" in found, min(int(wait), LONGEST_WAIT) if known else None)
