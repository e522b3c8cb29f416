"""HEAD is answered like GET, without the body (RFC 9110, section 9.3.2): the framework itself knows GET alone."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.types import ASGIApp, Message, Receive, Scope, Send


@dataclass(frozen=True, slots=True)
class HeadCalls:
    """Passes a HEAD call on to `app` as GET and leaves the body out of its answer."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one call."""
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self.app(scope, receive, send)
            return

        async def send_bodiless(message: Message) -> None:
            await send({**message, "body": b""} if message["type"] == "http.response.body" else message)

        await self.app({**scope, "method": "GET", "headed": True}, receive, send_bodiless)
