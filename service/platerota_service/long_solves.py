"""How long the optimiser may take while a call waits, and how it is said that a call asks for more."""

from __future__ import annotations

from typing import Final

from platerota_shared.faults import Fault

LONGEST_SOLVE: Final = 25
"""Seconds of the optimiser that a call waits for; the HTTP clients of spreadsheets give up at 30."""


def too_long(seconds: float, plans: int = 1, most: float = LONGEST_SOLVE) -> Fault | None:
    """What is wrong with a call that waits while the optimiser takes so long; None where it may wait.

    Parameters
    ----------
    seconds
        Those of the optimiser, for all plans together.
    plans
        How many plans are asked for now.
    most
        The solve_seconds of each plan with which the call may wait.
    """
    if seconds <= LONGEST_SOLVE:
        return None
    asked = f"the optimiser is asked to take {seconds:g} seconds"
    if plans == 1:
        words, limit = f"{asked}; a call that waits allows {LONGEST_SOLVE}", f"{most:g} or less"
    else:
        words = f"{asked} for {plans} plans; a call that waits allows {LONGEST_SOLVE} in all"
        limit = f"{most:g} or less, for each plan gets as much"
    return Fault("/settings/solve_seconds", "out-of-range", words, f"set it to {limit}, or send the header 'Prefer: respond-async'")
