"""What two ready plans differ in, as JSON: worked out once for each two, off the event loop."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from typing import Final

from platerota_service.engine import Engine, PlanState, UnknownPlan
from platerota_shared.differences import Differences, differences

_KEPT_CHARS: Final = 32 * 1024 * 1024


class Comparisons:
    """Comparisons of plans of `engine`. Plans that are ready do not change any more, so what was worked out stays true."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._turn = asyncio.Lock()
        self._texts: OrderedDict[tuple[str, str], str] = OrderedDict()
        self._chars = 0

    async def with_base(self, state: PlanState, tenant: str) -> str | None:
        """What a plan does differently from its base, JSON; None where it has none, or is not ready."""
        if state.base_id is None or state.status != "ready":
            return None
        if (known := self._known((state.base_id, state.id))) is not None:
            return known
        try:
            return await self.text(await self._engine.status(state.base_id, tenant), state, tenant)
        except UnknownPlan:
            return None  # one of the two was deleted at this moment

    async def text(self, base: PlanState, plan: PlanState, tenant: str) -> str:
        """What `plan` does differently from `base`, both ready plans of `tenant`, JSON.

        Raises
        ------
        UnknownPlan
            Where one was deleted meanwhile.
        """
        key = (base.id, plan.id)
        async with self._turn:  # however many callers ask, one core is busy with it
            if (known := self._known(key)) is not None:
                return known
            found = await self._between(base, plan, tenant)
            text = await asyncio.to_thread(found.text)
            self._keep(key, text)
            return text

    async def between(self, base: PlanState, plan: PlanState, tenant: str) -> Differences:
        """The same as values; not kept.

        Raises
        ------
        UnknownPlan
            Where one was deleted meanwhile.
        """
        async with self._turn:
            return await self._between(base, plan, tenant)

    async def _between(self, base: PlanState, plan: PlanState, tenant: str) -> Differences:
        asked = await self._engine.request(base.id, tenant), await self._engine.request(plan.id, tenant)
        return await asyncio.to_thread(lambda: differences(asked[0], base.plan, asked[1], plan.plan))

    def _known(self, key: tuple[str, str]) -> str | None:
        """What was worked out already; whoever asks for it knows both plans."""
        if key in self._texts:
            self._texts.move_to_end(key)
        return self._texts.get(key)

    def _keep(self, key: tuple[str, str], text: str) -> None:
        self._texts[key] = text
        self._chars += len(text)
        while self._chars > _KEPT_CHARS and len(self._texts) > 1:
            self._chars -= len(self._texts.popitem(last=False)[1])
