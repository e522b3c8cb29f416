"""Reading a shop by itself, without orders and floor: the same readers and checks as for a whole request."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from platerota_shared.document import read_document
from platerota_shared.faults import Fault, RequestRefused, Unreadable
from platerota_shared.reading import read_request
from platerota_shared.tables import Shop

_SOME_DAY: Final = "2000-01-01T00:00:00"
"""A request needs a `now`. Without orders and floor nothing is measured against it."""


def read_shop(data: bytes | str | Mapping[str, Any]) -> Shop:
    """The shop in `data`, checked as far as tables without orders can be.

    Parameters
    ----------
    data
        The contract's `shop` as JSON in bytes (UTF-8) or text, or an object parsed elsewhere.

    Raises
    ------
    Unreadable
        Where `data` is no JSON object of finite numbers, of at most 16 MiB.
    RequestRefused
        With every fault of the shop; pointers begin at the shop: ``/plates/3/mount``.
    """
    document = read_document(data)
    try:
        return read_request({"now": _SOME_DAY, "shop": document}).shop
    except RequestRefused as error:
        faults = [Fault(fault.pointer.removeprefix("/shop"), fault.code, fault.detail, fault.mend) for fault in error.faults]
        raise (Unreadable(faults) if isinstance(error, Unreadable) else RequestRefused(faults)) from None
