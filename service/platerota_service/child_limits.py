"""What a child process may take of this computer: its memory, and its turn at the processor."""

from __future__ import annotations

import os
from pathlib import Path
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


def memory_held() -> int | None:
    """Bytes of memory that this process holds now; None where the system does not say it in a file."""
    try:
        pages = Path("/proc/self/statm").read_text("ascii").split()[1]
    except OSError:
        return None
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


def stand_back() -> None:
    """Let what answers people go first, where the system knows such turns; with nobody asking a solve is as fast as before."""
    if hasattr(os, "nice"):  # Windows has no such call
        os.nice(NICENESS)
