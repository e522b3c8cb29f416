"""What every answer tells browsers: take it for nothing else than it says, run nothing in it, show it nowhere else, keep it from others.

Pages and drawings that need styles or a script of their own say so themselves, by hash; that is left as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY: Final = "Content-Security-Policy"
"""Left out of a 304: its headers replace those of the page a browser has (RFC 9111, 3.2), and would forbid its styles and script."""
SAFE_HEADERS: Final[Mapping[str, str]] = {
    "X-Content-Type-Options": "nosniff",
    POLICY: "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "same-origin",  # an address may hold the signature of a link
    "Cache-Control": "private, no-cache",
}
"""The headers of an answer that does not set them itself."""


@dataclass(frozen=True, slots=True)
class SafeAnswers:
    """Passes calls on to `app` and adds :data:`SAFE_HEADERS` to what it answers."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one call."""

        async def send_safe(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SAFE_HEADERS.items():
                    if name != POLICY or message["status"] != 304:
                        headers.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, send_safe)
