"""Putting changes upon a request document, in the order given."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from platerota_shared.tables import PlanRequest


class Changed(NamedTuple):
    """A changed request: as JSON values and as read."""

    document: dict[str, Any]
    request: PlanRequest


def apply_changes(document: Mapping[str, Any], changes: Any) -> Changed:
    """The request in `document` with `changes` made.

    Parameters
    ----------
    document
        A request that was accepted, as JSON values; it is not touched, and what no change names stays as the caller wrote it.
    changes
        What came as the list of changes, JSON values.

    Raises
    ------
    platerota_shared.faults.RequestRefused
        With every fault of the changes and of the changed week, pointers into ``/changes/N``.
    """
    raise NotImplementedError
