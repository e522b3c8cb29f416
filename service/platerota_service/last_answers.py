"""A call that is cancelled before it is answered: the server is ending, and says so, with when to come again."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platerota_service.problems import closing_response


@dataclass(frozen=True, slots=True)
class LastAnswers:
    """Passes calls on to `app`. What the server cancels on its way down it would answer itself: with 500, as if the fault were ours."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one call."""
        started = False

        async def send_noted(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self.app(scope, receive, send_noted)
        except asyncio.CancelledError:
            if started or scope["type"] != "http":
                raise
            await closing_response()(scope, receive, send)
