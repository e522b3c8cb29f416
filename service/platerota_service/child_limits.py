"""What a child process may take of this computer: its memory, and its turn at the processor."""

from __future__ import annotations

import os
from typing import Final

from platerota_service.settings import MIB

NICENESS: Final = 10
"""How far a child stands back (POSIX nice). A solve fills every core for as long as it may; whoever opens a page waits for milliseconds."""


def limit_memory(mib: int) -> None:
    """Limit this process's address space, where the system can."""
    try:
        import resource
    except ImportError:  # Windows has no such limit
        return
    _, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = mib * MIB
    resource.setrlimit(resource.RLIMIT_AS, (wanted if most == resource.RLIM_INFINITY else min(wanted, most), most))


def peak_memory() -> int | None:
    """The most memory that this process ever held, in units of its system; None where that cannot be asked."""
    try:
        import resource
    except ImportError:  # Windows has no such count
        return None
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def stand_back() -> None:
    """Let what answers people go first, where the system knows such turns; with nobody asking a solve is as fast as before."""
    if hasattr(os, "nice"):  # Windows has no such call
        os.nice(NICENESS)
