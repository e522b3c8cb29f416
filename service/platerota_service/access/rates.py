"""How often a caller may call: counted by key, or by address where none is given; 429 with Retry-After past it."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field
from hashlib import sha256

from limits import RateLimitItem
from limits.aio.storage import MemoryStorage
from limits.aio.strategies import MovingWindowRateLimiter
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from platerota_service.access.callers import direct
from platerota_service.access.tokens import token_text
from platerota_service.kinds import TOO_MANY_CALLS
from platerota_service.problems import problem_response

REFUSALS = "30/minute"
"""Refused keys from one address; past it that address is not listened to."""

UNCOUNTED = ("/v1/health/",)
"""What may be asked as often as anybody likes: whoever restarts or balances services must not be refused."""

SIGNS_IN = ("POST", "/v1/sign-in")
"""The call that takes a key in its body."""


@dataclass(frozen=True, slots=True)
class LimitedCalls:
    """Passes calls on to `app` as long as their caller stays within `limit`.

    Refused keys are counted by address too, against `refusals`: whoever tries keys cannot hide behind a new one each time.
    Counts live in this process: with N of them behind a proxy a caller may get N times as much.
    """

    app: ASGIApp
    limit: RateLimitItem
    refusals: RateLimitItem
    _counts: MovingWindowRateLimiter = field(default_factory=lambda: MovingWindowRateLimiter(MemoryStorage()))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one call."""
        if scope["type"] != "http" or scope["path"].startswith(UNCOUNTED):
            await self.app(scope, receive, send)
            return
        call = Request(scope)
        if token_text(call.headers) is None and direct(call):
            await self.app(scope, receive, send)  # nobody is to be protected from this computer itself
            return
        address = call.client.host if call.client is not None else "unknown"
        token = token_text(call.headers)
        tries = token is not None or (call.method, call.url.path) == SIGNS_IN
        caller = f"key {sha256(token.encode()).hexdigest()}" if token is not None else f"address {address}"
        if tries and not await self._counts.test(self.refusals, address):
            await (await self._refuse(self.refusals, address))(scope, receive, send)
            return

        async def send_counted(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] == 401 and tries:
                await self._counts.hit(self.refusals, address)
            await send(message)

        if await self._counts.hit(self.limit, caller):
            await self.app(scope, receive, send_counted)
        else:
            await (await self._refuse(self.limit, caller))(scope, receive, send)

    async def _refuse(self, limit: RateLimitItem, who: str) -> Response:
        """Refuse, and say when one call more will be taken."""
        reset, _ = await self._counts.get_window_stats(limit, who)
        seconds = max(1, math.ceil(reset - time.time()))
        return problem_response(TOO_MANY_CALLS, f"more than {limit} calls came", headers={"Retry-After": str(seconds)})
