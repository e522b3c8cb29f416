"""Getting the optimiser ready in a child process, so that the first plan after a start need not wait for the compiler."""

from __future__ import annotations

import asyncio
import logging
from asyncio.subprocess import Process
from collections.abc import Callable, Sequence

from platerota_service.solve_lines import COMPILING, Compiling, Failed, Warm, read_line
from platerota_service.solve_process import kill, log_errors, reap, start_child

_log = logging.getLogger(__name__)


async def warm_up_beside(command: Sequence[str], seconds: float, on_compiling: Callable[[], None]) -> bool:
    """Run a solving child's `command` with ``--warm`` to its end; where this is cancelled the child is killed.

    Parameters
    ----------
    seconds
        The longest it may take.
    on_compiling
        Called when the optimiser is not only loaded but compiled.

    Returns
    -------
    bool
        Whether the optimiser is ready. If not, the log says why, and the first solve will meet the same fault.
    """
    try:
        process = await start_child(*command, "--warm")
    except OSError as error:
        _log.error("the process that loads the solver could not be started: %s", error)
        return False
    errors = asyncio.create_task(log_errors(process))
    try:
        async with asyncio.timeout(seconds):
            return await _listen(process, on_compiling)
    except TimeoutError:
        _log.error("the solver was not ready within %g seconds", seconds)
        return False
    except ValueError as error:  # too long a line, or no line of ours (pydantic.ValidationError)
        _log.error("the process that loads the solver said something unreadable: %s", str(error)[:2_000])
        return False
    finally:
        kill(process)
        await reap(process)
        await errors


async def _listen(process: Process, on_compiling: Callable[[], None]) -> bool:
    assert process.stdout is not None
    async for text in process.stdout:
        line = read_line(text)
        if isinstance(line, Compiling):
            _log.info(COMPILING)
            on_compiling()
        elif isinstance(line, Failed):
            _log.error(line.detail)
            return False
        elif isinstance(line, Warm):
            return True
    _log.error("the process that loads the solver ended without a word")
    return False
