"""The process that solves: gets the optimiser ready, reads a request, says what it reaches, the plan last; then it takes another.

It is ready before its request comes, so a service that keeps one waiting (ready_solvers.py) answers without the seconds of its start.
It ends after a request for which it grew much, or that did not end well: what follows gets a process without a past.
Started as ``python -m platerota_service.solve_child``; with ``--warm`` it only gets the optimiser ready for those that follow.
Every plan is audited here, before it is said, so that neither a wrong plan nor the work of checking ever reaches the process
that answers callers.
It ends with its best plan when it is told STOP, and at once when its standard input closes: then its parent is gone.
"""

from __future__ import annotations

import gc
import json
import logging
import os
import sys
import threading
import time
from collections.abc import Callable
from queue import SimpleQueue
from typing import Any, BinaryIO

from platerota_service.child_limits import limit_memory, memory_held, stand_back
from platerota_service.solve_lines import STOP, AnyLine, Compiling, Done, Failed, Improved, Reached, Rejected, Warm
from platerota_service.warming import warm_up
from platerota_shared.audit import audit
from platerota_shared.plan import Plan, Stage
from platerota_shared.reading import read_request
from platerota_shared.starts import Start
from platerota_shared.tables import PlanRequest
from platerota_solver import Listener, solve

_log = logging.getLogger(__name__)
_MOST_GROWTH = 1.5
"""A child that still holds so many times the memory it held when it got ready ends; where that is not known, each one does."""
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


def run(order: dict[str, Any], say: Callable[[AnyLine], None], stopped: threading.Event) -> bool:
    """Solve the request in `order` from the start in it; whether that ended well. Where it did not, the last line says why."""
    try:
        request = read_request(order["request"])
        try:
            start = Start.from_document(order["start"]) if order["start"] is not None else None
        except (TypeError, KeyError, ValueError):
            _log.exception("the start cannot be read")
            say(Failed(detail="the plan to start from was stored by another version, which this one cannot read; ask again"))
            return False
        speaker = Speaker(request, say, stopped, start.replanned if start is not None else None)
        speaker.put(solve(request, speaker, start))
    except MemoryError:
        say(Failed(detail=f"the solve needs more than {order['memory_mib']} MiB of memory; plan fewer orders or fewer days at once"))
    except Exception as error:
        _log.exception("the solve failed")
        say(Failed(detail=f"the solver met a fault of its own ({type(error).__name__})"))
    else:
        return True
    return False


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
    """Warm up, solve what is ordered on standard input, and speak on standard output; with ``--warm``, only warm up."""
    # Native libraries print where they like: what they print on standard output goes to standard error instead.
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    stand_back()
    say = _speech(out)
    warming = "--warm" in sys.argv[1:]
    orders = Orders(sys.stdin.buffer, busy=warming)
    threading.Thread(target=orders.take, daemon=True).start()
    if get_ready(say) and not warming:
        light = memory_held()
        while _solve_next(orders, say, light):
            say(Warm())
    # The thread that reads standard input would hold up an orderly end.
    os._exit(0)


def _solve_next(orders: Orders, say: Callable[[AnyLine], None], light: int | None) -> bool:
    """Wait for an order and solve it; whether another may follow. `light`: the memory held before the first one."""
    text, stopped = orders.next()
    order = json.loads(text)
    limit_memory(order["memory_mib"])
    if not run(order, say, stopped):
        return False
    gc.collect()
    held = memory_held()
    again = light is not None and held is not None and held <= _MOST_GROWTH * light
    orders.busy = False
    say(Done(again=again))
    return again


def _speech(out: BinaryIO) -> Callable[[AnyLine], None]:
    lock = threading.Lock()

    def say(line: AnyLine) -> None:
        text = line.model_dump_json().encode()
        with lock:
            out.write(text + b"\n")
            out.flush()

    return say


class Orders:
    """What standard input says: orders, and STOP for the last of them. Where it closes there is nobody left, and the process ends.

    Parameters
    ----------
    busy
        Whether there is work whose end nobody would hear of: the exit code says so.
    """

    def __init__(self, source: BinaryIO, *, busy: bool) -> None:
        self.busy = busy
        self._source = source
        self._queue: SimpleQueue[tuple[bytes, threading.Event]] = SimpleQueue()

    def next(self) -> tuple[bytes, threading.Event]:
        """The next order, and what is set when it should end with its best plan."""
        return self._queue.get()

    def take(self) -> None:
        """Read until the end. A STOP that comes too late for its order is none for the next one."""
        stopped = threading.Event()
        for text in self._source:
            if text == STOP:
                stopped.set()
            elif text.endswith(b"\n"):
                self.busy, stopped = True, threading.Event()
                self._queue.put((text, stopped))
        os._exit(3 if self.busy else 0)


if __name__ == "__main__":
    main()
