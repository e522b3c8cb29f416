"""Reads files that are sent to it, as the service does, under a limit of memory; tests of hostile files ask it.

Each case is a line `kind length` and so many bytes; each answer a line of JSON: what became of it, and the CPU seconds it took.
"""

from __future__ import annotations

import json
import sys
import time

from platerota_service.bodies import submission_from
from platerota_service.child_limits import limit_memory
from platerota_service.workbook import SheetsRefused, problems_workbook, read_sheets
from platerota_shared.faults import RequestRefused

MEMORY_MIB = 1_024


def outcome(kind: str, body: bytes) -> str:
    """How the service takes a body; where it marks the faults in the caller's own cells, that is done too."""
    try:
        if kind == "json":
            submission_from(body)
        else:
            read_sheets(body, decimal_comma=kind == "comma")
    except SheetsRefused as refused:
        if refused.readable:
            problems_workbook(refused.faults, refused.grids)
        return f"refused {len(refused.faults)}"
    except RequestRefused as refused:
        return f"refused {len(refused.faults)}"
    return "read"


def main() -> None:
    """Answer cases until there are no more."""
    limit_memory(MEMORY_MIB)
    source, out = sys.stdin.buffer, sys.stdout
    while line := source.readline():
        kind, length = line.split()
        body, began = source.read(int(length)), time.process_time()
        said = outcome(kind.decode(), body)
        out.write(json.dumps({"said": said, "seconds": time.process_time() - began}) + "\n")
        out.flush()


if __name__ == "__main__":
    main()
