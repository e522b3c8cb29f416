"""A drawn sheet as PNG, drawn by a child process (:mod:`platerota_service.png_child`)."""

from __future__ import annotations

import asyncio
import sys
from asyncio.subprocess import PIPE
from collections.abc import Sequence

from platerota_service.png_child import NO_FONTS

PNG_CHILD = (sys.executable, "-m", "platerota_service.png_child")
"""The command of the real child."""

LONGEST_SECONDS = 60
"""A child that takes longer is killed."""


class NoFonts(Exception):
    """None of the fonts that the drawings name is on this machine; a picture would come out without a word."""


class NoPicture(Exception):
    """The child ended without a picture, or took too long; `detail` says how."""

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.detail = detail


async def png(svg: str, command: Sequence[str] = PNG_CHILD) -> bytes:
    """The picture of a drawing of ours. Where this is cancelled the child is killed.

    Raises
    ------
    NoFonts, NoPicture
    """
    process = await asyncio.create_subprocess_exec(*command, stdin=PIPE, stdout=PIPE, stderr=PIPE)
    try:
        async with asyncio.timeout(LONGEST_SECONDS):
            picture, errors = await process.communicate(svg.encode())
    except TimeoutError:
        raise NoPicture(f"no picture within {LONGEST_SECONDS} seconds") from None
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode == NO_FONTS:
        raise NoFonts
    if process.returncode:
        raise NoPicture(f"exit code {process.returncode}: {errors.decode(errors='replace')[-500:]}")
    return picture
