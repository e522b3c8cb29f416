"""A process that simulates the risk of one plan: ``python -m platerota_service.risk_child``.

It reads its order from standard input and writes the answer, or the faults of the question, to standard output; its exit code says
which. The solver is loaded here alone.
"""

from __future__ import annotations

import json
import logging
import os
import sys
import threading
from dataclasses import asdict
from typing import Any, BinaryIO
from zoneinfo import ZoneInfo

from platerota_service.child_limits import limit_memory, stand_back
from platerota_service.risk_order import NO_SOLVER, OVERDUE, REFUSED
from platerota_shared.faults import RequestRefused
from platerota_shared.plan import Plan
from platerota_shared.reading import read_request
from platerota_shared.risks import read_risks_question

_GRACE_SECONDS = 5.0

_log = logging.getLogger(__name__)


def main() -> int:
    """Simulate what standard input orders, and answer the exit code."""
    stand_back()
    order = json.load(sys.stdin.buffer)
    # The parent kills it before; where that is gone, it ends by itself.
    overdue = threading.Timer(order["seconds"] + _GRACE_SECONDS, os._exit, (OVERDUE,))
    overdue.daemon = True
    overdue.start()
    return run(order, sys.stdout.buffer)


def run(order: dict[str, Any], out: BinaryIO) -> int:
    """Simulate, write to `out`, and answer the exit code."""
    try:
        from platerota_solver.risk import risks
    except ImportError:
        _log.exception("the solver cannot be loaded")
        return NO_SOLVER
    # After loading: what the program itself takes is not the question's doing.
    limit_memory(order["memory_mib"])
    plan = Plan.from_document(json.loads(order["plan"]))
    try:
        found = risks(read_request(order["request"]), plan, read_risks_question(order["question"]))
    except RequestRefused as error:
        out.write(_text([asdict(fault) for fault in error.faults]))
        return REFUSED
    out.write(_text(found.model_dump(mode="json", context={"zone": ZoneInfo(plan.timezone)})))
    return 0


def _text(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


if __name__ == "__main__":
    sys.exit(main())
