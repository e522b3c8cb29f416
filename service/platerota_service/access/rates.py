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

UNCOUNTED = ("/v1/health/",)
"""What may be asked as often as anybody likes: whoever restarts or balances services must not be refused."""

MOST_KEYS = 10_000
"""So many keys are remembered as let in."""


@dataclass(frozen=True, slots=True)
class LimitedCalls:
    """Passes calls on to `app` as long as their caller stays within `limit`.

    A key is counted by itself once it was let in, until then by its address: whoever tries keys cannot hide behind a new one each
    time, and does not shut out those who have one, even where all of them come through one proxy. Counts live in this process: with N of
    them behind a proxy a caller may get N times as much.
    """

    app: ASGIApp
    limit: RateLimitItem
    _counts: MovingWindowRateLimiter = field(default_factory=lambda: MovingWindowRateLimiter(MemoryStorage()))
    _let_in: dict[str, None] = field(default_factory=dict[str, None])

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one call."""
        if scope["type"] != "http" or scope["path"].startswith(UNCOUNTED):
            await self.app(scope, receive, send)
            return
        call = Request(scope)
        token = token_text(call.headers)
        if token is None and direct(call):
            await self.app(scope, receive, send)  # nobody is to be protected from this computer itself
            return
        key = sha256(token.encode()).hexdigest() if token is not None else None
        address = call.client.host if call.client is not None else "unknown"
        caller = f"key {key}" if key in self._let_in else f"address {address}"
        call.state.let_in = None  # whoever looks at the key says so; open calls do not, and let in nobody

        async def send_noted(message: Message) -> None:
            if message["type"] == "http.response.start" and key is not None and call.state.let_in is not None:
                self._note(key, let_in=call.state.let_in)
            await send(message)

        if await self._counts.hit(self.limit, caller):
            await self.app(scope, receive, send_noted)
        else:
            await (await self._refuse(self.limit, caller))(scope, receive, send)

    def _note(self, key: str, *, let_in: bool) -> None:
        """Remember whether a key was let in; of too many the one that called longest ago is forgotten."""
        self._let_in.pop(key, None)
        if let_in:
            self._let_in[key] = None
            if len(self._let_in) > MOST_KEYS:
                del self._let_in[next(iter(self._let_in))]

    async def _refuse(self, limit: RateLimitItem, who: str) -> Response:
        """Refuse, and say when one call more will be taken."""
        reset, _ = await self._counts.get_window_stats(limit, who)
        seconds = max(1, math.ceil(reset - time.time()))
        return problem_response(TOO_MANY_CALLS, f"more than {limit} calls came", headers={"Retry-After": str(seconds)})
