"""Problems as pages: who opens an address in a browser reads words and not JSON, and where a key is missing is asked for it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platerota_service.access.callers import SESSION_SCHEME
from platerota_service.access.link_calls import takes
from platerota_service.access.sessions import LIFE_SECONDS
from platerota_service.board import Page, problem_page, sign_in_page
from platerota_service.kinds import KEY_MISSING
from platerota_service.problems import PROBLEM_JSON

HOURS: Final = LIFE_SECONDS // 3_600


@dataclass(frozen=True, slots=True)
class BrowserProblems:
    """Passes calls on to `app`; a problem that it answers to a browser becomes a page with the same status and headers."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one call."""
        if scope["type"] != "http" or not by_browser(Headers(scope=scope)):
            await self.app(scope, receive, send)
            return
        started: Message | None = None
        body = bytearray()

        async def send_page(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start" and Headers(scope=message).get("content-type") == PROBLEM_JSON:
                started = message
            elif started is None:
                await send(message)
            else:
                body.extend(message.get("body", b""))
                if not message.get("more_body", False):
                    await _send(started, _page(scope, json.loads(body), Headers(scope=started)), send)

        await self.app(scope, receive, send_page)


def by_browser(headers: Headers) -> bool:
    """Whether somebody in a browser makes a call: who asks for `text/html` by name. Programs that read problems do not."""
    return "text/html" in headers.get("accept", "")


def _page(scope: Scope, problem: dict[str, Any], headers: Headers) -> Page:
    if problem["type"] == KEY_MISSING.type and takes(scope["app"], scope["path"], SESSION_SCHEME):
        query = scope["query_string"].decode("latin-1")
        return sign_in_page(scope["path"] + (f"?{query}" if query else ""), HOURS)
    return problem_page(
        problem["title"], problem["status"], problem["detail"], problem.get("errors") or (), headers.get("retry-after", ""),
    )


async def _send(started: Message, page: Page, send: Send) -> None:
    content = page.html.encode()
    headers = MutableHeaders(scope=started)
    headers.update({**page.headers, "Content-Type": "text/html; charset=utf-8", "Content-Length": str(len(content))})
    headers.add_vary_header("Accept")
    await send(started)
    await send({"type": "http.response.body", "body": content})
