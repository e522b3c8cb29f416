"""The limit of a child process's memory."""

from __future__ import annotations

from platerota_service.settings import MIB


def limit_memory(mib: int) -> None:
    """Limit this process's address space, where the system can."""
    try:
        import resource
    except ImportError:  # Windows has no such limit
        return
    _, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = mib * MIB
    resource.setrlimit(resource.RLIMIT_AS, (wanted if most == resource.RLIM_INFINITY else min(wanted, most), most))
