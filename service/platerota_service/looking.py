"""Answering who looks at a plan: what they have seen already is not sent again, what was rendered already is not rendered again."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Annotated, Final
from urllib.parse import parse_qsl, urljoin, urlsplit

from fastapi import Depends, Request, Response

from platerota_service.access.callers import Caller, LinkReader
from platerota_service.access.links import Link, sign
from platerota_service.board import ANYBODY, NoSuchPart, Page, Standing, Viewer
from platerota_service.calls import PartsOf
from platerota_service.engine import Engine, PlanState
from platerota_service.etags import FRESHNESS, already_seen, file_tag
from platerota_service.kinds import NO_SUCH_PART, NOT_READY
from platerota_service.plan_making import plan_of
from platerota_service.problems import ProblemError
from platerota_service.shelf import Rendered, Shelf
from platerota_shared.tables import PlanRequest

PLANNERS_PAGES: Final = ("/board/rush-order", "/board/promise", "/board/levers")
"""How the addresses of pages end that planners alone open."""

Drawable = tuple[Standing, PlanRequest]


@dataclass(frozen=True, slots=True)
class Look:
    """A call that looks at plans, and what answering it needs."""

    call: Request
    caller: Caller
    engine: Engine
    shelf: Shelf

    @property
    def viewer(self) -> Viewer:
        """Who looks, as pages know them."""
        return viewer_of(self.caller)

    async def plan(self, plan_id: str, *, found: bool = False) -> PlanState:
        """The plan of that id.

        Parameters
        ----------
        found
            Whether there must be something to draw.

        Raises
        ------
        UnknownPlan
        ProblemError
            409 where there is nothing to draw yet.
        """
        state = await plan_of(self.engine, self.caller, plan_id)
        if found and state.score is None and state.status != "ready":
            raise ProblemError(NOT_READY, f"the plan '{plan_id}' is {state.status} and has nothing to show")
        return state

    async def drawable(self, state: PlanState) -> Drawable:
        """The plan as pages are made of it, and its request."""
        request = await self.engine.request(state.id, self.caller.tenant)
        plan = await asyncio.to_thread(lambda: state.plan)
        return Standing(plan, state.progress, state.problem, state.base_id), request

    async def page(self, make: Callable[[Sequence[Drawable]], Page], *states: PlanState) -> Response:
        """The page that `make` renders, in a thread, of the plans."""

        async def render() -> Rendered:
            drawables = [await self.drawable(state) for state in states]
            try:
                page = await asyncio.to_thread(make, drawables)
            except NoSuchPart as error:
                raise ProblemError(NO_SUCH_PART, error.detail) from None
            return Rendered(page.html.encode(), "text/html; charset=utf-8", page.headers)

        return await self.answer(render, *states)

    async def answer(self, render: Callable[[], Awaitable[Rendered]], *states: PlanState) -> Response:
        """What `render` makes of the plans; 304 where the caller has seen it, nothing rendered where another caller got the same."""
        tag = file_tag(*states, more=way_in(self.caller))
        headers = {"ETag": tag, **FRESHNESS}
        if already_seen(self.call, tag):
            return Response(status_code=304, headers=headers)
        rendered = await self.shelf.get((self.call.url.path, self.call.url.query, tag), render)
        return Response(rendered.content, headers={**rendered.headers, **headers}, media_type=rendered.media)


async def _look(call: Request, caller: LinkReader, parts: PartsOf) -> Look:
    return Look(call, caller, parts.engine, parts.shelf)


LookOf = Annotated[Look, Depends(_look)]


def way_in(caller: Caller) -> str:
    """What of the caller a page depends on: how they came, and whether they may plan."""
    way = "link" if caller.link is not None else "session" if caller.session is not None else "key"
    return f"-{way}{'-plans' if 'plan' in caller.scopes else ''}"


def viewer_of(caller: Caller) -> Viewer:
    """What a caller may open from a page.

    A signed link opens its page and what shows less of the same: the address with more in its query, such as one day of the plan.
    """
    if caller.link is not None and caller.key is not None:
        link, key_hash = caller.link, caller.key.hash
        return Viewer(opens=lambda href: _narrower(link, key_hash, href))
    if "plan" in caller.scopes:
        return ANYBODY if caller.session is None else Viewer(signed_in=True)
    return Viewer(opens=lambda href: None if href.endswith(PLANNERS_PAGES) else href, signed_in=caller.session is not None)


def _narrower(link: Link, key_hash: str, href: str) -> str | None:
    wanted = urlsplit(urljoin(link.path, href))
    if wanted.path != link.path or not set(link.query) <= set(parse_qsl(wanted.query, keep_blank_values=True)):
        return None
    return sign(wanted.path, wanted.query, link.key_id, key_hash, link.expires)
