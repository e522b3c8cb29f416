"""What the service and its simulating child tell each other: the order, and exit codes beside 0, which comes with an answer."""

from __future__ import annotations

import json
from typing import Any, Final

from platerota_shared.risks import RisksQuestion

NO_SOLVER: Final = 3
"""The solver, which simulates, cannot be loaded."""
REFUSED: Final = 4
"""The question has faults, which are written instead of an answer."""
OVERDUE: Final = 5
"""It took too long, and nobody was there to kill it."""


def order_text(request: str, plan: str, question: RisksQuestion, memory_mib: int, seconds: float) -> bytes:
    """The order to simulate `plan`, an answer to `request` (JSON texts both), within that memory and time."""
    order: dict[str, Any] = {
        "request": request, "plan": plan, "question": question.model_dump(mode="json"), "memory_mib": memory_mib, "seconds": seconds,
    }
    return json.dumps(order).encode()
