"""The HTTP server process: listens, and on its way down first answers everybody who waits."""

from __future__ import annotations

import contextlib
import socket

import uvicorn

from platerota_service.app import create_app
from platerota_service.engine import Engine
from platerota_service.settings import ServiceSettings

_LAST_ANSWERS_SECONDS = 3


class Server(uvicorn.Server):
    """A server that closes its engine before its connections: a call that waits for a plan gets 503 instead of a broken line."""

    def __init__(self, config: uvicorn.Config, engine: Engine) -> None:
        super().__init__(config)
        self._engine = engine

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End every solve, then shut down."""
        await self._engine.close()
        await super().shutdown(sockets)


def run(settings: ServiceSettings, host: str, port: int) -> None:
    """Serve until a signal ends it.

    Raises
    ------
    SystemExit
        Where the address cannot be listened on.
    """
    app = create_app(settings)
    config = uvicorn.Config(app, host=host, port=port, server_header=False, timeout_graceful_shutdown=_LAST_ANSWERS_SECONDS)
    with contextlib.suppress(KeyboardInterrupt):
        Server(config, app.state.parts.engine).run()
