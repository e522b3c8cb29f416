"""The parameters of an address: a call that names one it does not have is refused, for it would be answered as if nothing was asked.

`?state=ready` where `status` was meant would list every plan, and `?operater=Ines` give her everybody's loads.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice
from typing import Final

from fastapi import Request
from fastapi.dependencies.models import Dependant

from platerota_service.access.links import EXPIRES, KEY, SIGNATURE
from platerota_service.kinds import FAULTS
from platerota_service.problems import ProblemError, ProblemFault
from platerota_shared.faults import pointer, shown
from platerota_shared.suggestions import Suggestions

_MOST_TOLD: Final = 20
"""Unknown parameters of one call that are told: nobody mistypes more, and looking for what was meant is work for each."""

UNKNOWN_PARAMETER: Final = ProblemFault(
    pointer="/query/state", code="unknown-parameter", detail="the call has no parameter 'state'", mend="did you mean 'status'?",
)
"""The example of the API description."""


async def check_parameters(call: Request) -> None:
    """Refuse a call whose address has parameters that its route does not declare, but for those by which a link is signed.

    A dependency of calls that anybody may make; in all others who calls is asked first.

    Raises
    ------
    ProblemError
        422.
    """
    given = call.query_params.keys()
    if not given:
        return
    signed = {KEY, EXPIRES, SIGNATURE} if SIGNATURE in given else set[str]()
    faults = unknown_parameters([name for name in given if name not in signed], _declared(call.scope["route"].dependant))
    if faults:
        raise ProblemError(FAULTS, "the call has faults", errors=faults)


def unknown_parameters(given: Iterable[str], known: Iterable[str], place: str | None = None) -> list[ProblemFault]:
    """A fault for each name `given` that is not `known`; `place` is the pointer of what holds them, where that is not the call itself."""
    names, suggestions = sorted(known), Suggestions()
    otherwise = f"leave it out; the parameters are {', '.join(names)}" if names else "leave it out; this call has no parameters"
    return [
        ProblemFault(
            pointer=place if place is not None else pointer("query", name), code="unknown-parameter",
            detail=f"the call has no parameter {shown(name)}", mend=suggestions.mend(name, names, otherwise),
        )
        for name in islice((name for name in dict.fromkeys(given) if name not in names), _MOST_TOLD)
    ]


def _declared(dependant: Dependant) -> set[str]:
    """The names of the parameters that a route, or what it depends on, takes from the address."""
    return {field.alias for field in dependant.query_params}.union(*map(_declared, dependant.dependencies))
