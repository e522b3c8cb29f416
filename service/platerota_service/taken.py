"""What a call asked for is stored at one moment: a fault after it is not answered as if nothing had been."""

from __future__ import annotations

import asyncio
from collections.abc import Generator
from contextlib import contextmanager

from platerota_service.engine import UnknownPlan
from platerota_service.problems import ProblemError, TakenError


@contextmanager
def taken(location: str) -> Generator[None]:
    """Answer from what is stored at the address `location`; what goes wrong in the block is answered with that address.

    Raises
    ------
    TakenError
        For every fault, and where the server cancels the call on its way down. That somebody deleted meanwhile what is stored is told
        as it is.
    """
    try:
        yield
    except (ProblemError, UnknownPlan):
        raise
    except (Exception, asyncio.CancelledError) as error:
        raise TakenError(location) from error
