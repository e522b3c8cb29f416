"""The long-running processes: the HTTP server, which on its way down first answers everybody who waits, and the worker."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import socket
import threading
from collections.abc import Sequence

import uvicorn

from platerota_service.app import create_app
from platerota_service.engine import Engine
from platerota_service.questions.book import Questions
from platerota_service.settings import ServiceSettings
from platerota_service.solve_process import SOLVE_CHILD
from platerota_service.store import Store
from platerota_service.worker import Worker

_IDLE_SECONDS = 75
"""A kept connection is closed after so long without a call. Callers and proxies keep theirs for 5 to 60 seconds (common practice): whoever
closes last never closes one at the moment at which the next call is sent over it."""
_LAST_ANSWERS_SECONDS = 3
_LAST_WORDS_SECONDS = 15
_log = logging.getLogger(__name__)


class Server(uvicorn.Server):
    """A server that ends all waits before its connections: a call that waits for a plan or an answer gets 503 instead of a broken line."""

    def __init__(self, config: uvicorn.Config, engine: Engine, questions: Questions) -> None:
        super().__init__(config)
        self._engine = engine
        self._questions = questions

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Answer who waits, end every solve, then shut down."""
        _end_within(_LAST_WORDS_SECONDS)
        self._questions.end_waits()
        await self._engine.close()
        await super().shutdown(sockets)


def run(settings: ServiceSettings, host: str, port: int, command: Sequence[str] = SOLVE_CHILD) -> None:
    """Serve until a signal ends it; plans are solved by the child process `command`.

    Raises
    ------
    platerota_service.store.StoreError
        Where the database cannot be used.
    SystemExit
        Where the address cannot be listened on, or another service uses the database (the log says which).
    """
    app = create_app(settings, command=command)
    app.state.parts.store.prepare()
    # Calls are logged by the service itself, with their trace and without the query that may sign a link.
    config = uvicorn.Config(
        app, host=host, port=port, server_header=False, timeout_keep_alive=_IDLE_SECONDS,
        timeout_graceful_shutdown=_LAST_ANSWERS_SECONDS, log_config=None, access_log=False,
    )
    with contextlib.suppress(KeyboardInterrupt):
        Server(config, app.state.parts.engine, app.state.parts.questions).run()


def work(settings: ServiceSettings, command: Sequence[str] = SOLVE_CHILD) -> None:
    """Solve the plans of a PostgreSQL database, by the child process `command`, until a signal ends it.

    Raises
    ------
    platerota_service.store.StoreError
        Where the database cannot be used, or another worker has this one's name.
    """
    asyncio.run(_work(settings, command))


async def _work(settings: ServiceSettings, command: Sequence[str]) -> None:
    store = Store(settings.database_url, settings.data_directory)
    await asyncio.to_thread(store.prepare)
    worker = Worker(settings, store, command)
    ended = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, ended.set)
    await worker.start()
    await ended.wait()
    _end_within(_LAST_WORDS_SECONDS)
    await worker.close()
    await asyncio.to_thread(store.close)


def _end_within(seconds: float) -> None:
    """End this process as it is where it has not ended by itself by then: whoever has its name next, or another worker, goes on."""
    last = threading.Timer(seconds, _give_up)
    last.daemon = True
    last.start()


def _give_up() -> None:
    # The queue waits for a database that is away, longer each time, in threads that nothing else ends.
    _log.error("what is under way could not be let go of within %d seconds; the process ends as it is", _LAST_WORDS_SECONDS)
    logging.shutdown()
    os._exit(1)
