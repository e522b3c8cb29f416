"""Getting the optimiser ready in this process: a compiled kernel is loaded, or compiled once for a machine that has none.

Numba keeps it beside the solver's files, or where those cannot be written in the user's cache folder, or in `NUMBA_CACHE_DIR`.
Only a process that solves imports this module: it loads the solver.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final

from platerota_solver import warm

_LONGEST_LOAD: Final = 3.0
"""Seconds within which a kernel that is compiled already is loaded, several times over."""


def warm_up(on_compiling: Callable[[], None]) -> None:
    """Load or compile the kernel.

    Parameters
    ----------
    on_compiling
        Called once, from another thread, where it takes so long that it must be compiling (two to three minutes).
    """
    timer = threading.Timer(_LONGEST_LOAD, on_compiling)
    timer.daemon = True
    timer.start()
    try:
        warm()
    finally:
        timer.cancel()
