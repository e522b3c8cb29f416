"""What every command says alike: words on standard error, refusals with exit code 2, settings from the environment."""

from __future__ import annotations

from typing import Any, NoReturn

import typer
from pydantic import ValidationError

from platerota_service.settings import ServiceSettings

WELL, FINDINGS, FAULTS = 0, 1, 2
"""Exit codes: well; the plan has findings or orders unplaced, or there is none; faults in the input."""


def say(words: str) -> None:
    """Words for whoever runs the command; standard output is for results alone."""
    typer.echo(words, err=True)


def refuse(words: str) -> NoReturn:
    """Say why the input will not do, and end with exit code 2."""
    say(words)
    raise typer.Exit(FAULTS)


def settings_or_exit(**given: Any) -> ServiceSettings:
    """The settings `given` and in the environment; words for each fault of them and exit code 2 where they cannot be read."""
    try:
        return ServiceSettings(**given)
    except ValidationError as error:
        for one in error.errors():
            place = f"environment PLATEROTA_{'_'.join(map(str, one['loc'])).upper()}: " if one["loc"] else ""
            say(f"{place}{one['msg']}")
        raise typer.Exit(FAULTS) from None
