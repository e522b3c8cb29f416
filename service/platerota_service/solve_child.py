"""The process that solves: gets the optimiser ready, reads one request, says what it reaches, ends with its plan.

It is ready before its request comes, so a service that keeps one waiting (ready_solvers.py) answers without the seconds of its start.
Started as ``python -m platerota_service.solve_child``; with ``--warm`` it only gets the optimiser ready for those that follow.
Every plan is audited here, before it is said, so that neither a wrong plan nor the work of checking ever reaches the process
that answers callers.
It ends with its best plan when it is told STOP, and at once when its standard input closes: then its parent is gone.
"""

from __future__ import annotations

import json
import logging
import os
import sys
import threading
import time
from collections.abc import Callable
from queue import SimpleQueue
from typing import Any, BinaryIO

from platerota_service.child_limits import limit_memory, stand_back
from platerota_service.solve_lines import STOP, AnyLine, Compiling, Done, Failed, Improved, Reached, Rejected, Warm
from platerota_service.warming import warm_up
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, Stage
from platerota_shared.reading import read_request
from platerota_shared.starts import Start
from platerota_shared.tables import PlanRequest
from platerota_solver import Listener, solve

_log = logging.getLogger(__name__)
_AUDIT_SHARE = 10
"""A better plan is audited and said only when this many times the last audit's duration has passed since; the last always is."""


class Speaker(Listener):
    """Says each stage and each better plan that passes the audit.

    Parameters
    ----------
    say
        Takes a line; may be called from several threads of the solver.
    stopped
        Set when the solve should end with its best plan.
    base
        The plan being replanned, of which the score counts the tasks moved.
    """

    def __init__(
        self, request: PlanRequest, say: Callable[[AnyLine], None], stopped: threading.Event, base: Plan | None = None,
    ) -> None:
        self._request = request
        self._base = base
        self._say = say
        self._stopped = stopped
        self._lock = threading.Lock()
        self._next_audit = 0.0

    def stage(self, stage: Stage) -> None:
        """Say what a stage reached."""
        self._say(Reached.of(stage))

    def improved(self, plan: Plan) -> None:
        """Say a better plan, unless that would take the solver's time too often."""
        with self._lock:
            began = time.monotonic()
            if began < self._next_audit:
                return
            self.put(plan)
            ended = time.monotonic()
            self._next_audit = ended + _AUDIT_SHARE * (ended - began)

    def should_stop(self) -> bool:
        """Whether the solve was told to stop."""
        return self._stopped.is_set()

    def put(self, plan: Plan) -> None:
        """Say `plan` where it passes the audit, else say what the audit found."""
        findings = audit(self._request, plan, self._base)
        if findings:
            self._say(Rejected(plan=plan.document(), findings=tuple(f"{one.rule}: {one.detail}" for one in findings)))
        else:
            self._say(Improved(plan=plan.document()))


def run(order: dict[str, Any], say: Callable[[AnyLine], None], stopped: threading.Event) -> None:
    """Solve the request in `order` from the start in it; whatever happens ends in a line that says so."""
    try:
        request = read_request(order["request"])
        try:
            start = Start.from_document(order["start"]) if order["start"] is not None else None
        except (TypeError, KeyError, ValueError):
            _log.exception("the start cannot be read")
            say(Failed(detail="the plan to start from was stored by another version, which this one cannot read; ask again"))
            return
        speaker = Speaker(request, say, stopped, start.replanned if start is not None else None)
        speaker.put(solve(request, speaker, start))
        say(Done())
    except MemoryError:
        say(Failed(detail=f"the solve needs more than {order['memory_mib']} MiB of memory; plan fewer orders or fewer days at once"))
    except Exception as error:
        _log.exception("the solve failed")
        say(Failed(detail=f"the solver met a fault of its own ({type(error).__name__})"))


def get_ready(say: Callable[[AnyLine], None]) -> bool:
    """Warm up, and say that it is done; whether it went well. Its memory is the program's and not limited: no request needs more."""
    try:
        warm_up(lambda: say(Compiling()))
    except Exception as error:
        _log.exception("the solver cannot be made ready")
        say(Failed(detail=f"the solver cannot be made ready on this machine ({type(error).__name__})"))
        return False
    say(Warm())
    return True


def main() -> None:
    """Warm up, solve the order that comes on standard input, and speak on standard output; with ``--warm``, only warm up."""
    # Native libraries print where they like: what they print on standard output goes to standard error instead.
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    stand_back()
    say, stopped = _speech(out), threading.Event()
    warming = "--warm" in sys.argv[1:]
    orders: SimpleQueue[bytes] = SimpleQueue()
    threading.Thread(target=_obey, args=(sys.stdin.buffer, orders, stopped, warming), daemon=True).start()
    if get_ready(say) and not warming:
        order = json.loads(orders.get())
        limit_memory(order["memory_mib"])
        run(order, say, stopped)
    # The thread that reads standard input would hold up an orderly end.
    os._exit(0)


def _speech(out: BinaryIO) -> Callable[[AnyLine], None]:
    lock = threading.Lock()

    def say(line: AnyLine) -> None:
        text = line.model_dump_json().encode()
        with lock:
            out.write(text + b"\n")
            out.flush()

    return say


def _obey(source: BinaryIO, orders: SimpleQueue[bytes], stopped: threading.Event, warming: bool) -> None:
    """Hand on the order, wait for STOP; end the process when there is nobody left to say it, well where no order came."""
    begun = warming
    for text in source:
        if text == STOP:
            stopped.set()
        elif text.endswith(b"\n"):
            begun = True
            orders.put(text)
    os._exit(3 if begun else 0)


if __name__ == "__main__":
    main()
