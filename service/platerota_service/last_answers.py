"""What a call is answered that its route does not answer: the server is ending, or the service met a fault of its own.

Answered here, inside of what gives answers their headers, so that a script of an allowed origin may read it and a browser sees a page.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platerota_service.problems import closing_response, internal_response


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
        except Exception as error:
            if started or scope["type"] != "http":
                raise
            await internal_response(error)(scope, receive, send)
