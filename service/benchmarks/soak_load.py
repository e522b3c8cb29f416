"""The callers of a soak: each makes one call after the other, at random, and notes what was accepted, how long it took, what was wrong."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any
from uuid import uuid4

import httpx

from benchmarks.generator import make_request

PAUSE_SECONDS = 1.0
"""Between two calls of one caller, on average."""
PATIENCE_SECONDS = 300.0
"""A call that nobody answers for so long is lost."""
ASYNC = {"Prefer": "respond-async"}
READS = {
    "plan": "", "board": "/board", "csv": "?format=csv", "calendar": "/load-windows.ics", "picture": "/gantt.svg", "sheets": "/load-sheets",
}
FEATURES = ("plain", "routed,closures,skills", "mixed,bench,setups,builds", "automatic,floor,overtime,weights")
SHOP = "/v1/shops/works"
OPEN = ("waiting", "solving")


@dataclass
class Notes:
    """What the callers saw.

    Attributes
    ----------
    plans, questions
        Ids that were accepted.
    deleted
        Ids of plans that were deleted in good order.
    ready
        Plans that may be asked about and read; they are not deleted.
    seconds
        How long each answered attempt took, by kind of call.
    outages
        Calls that were not answered, or by 503, while the service was being restarted, by kind of call.
    faults
        What must not be, in words.
    """

    plans: list[str] = field(default_factory=list[str])
    questions: list[str] = field(default_factory=list[str])
    deleted: set[str] = field(default_factory=set[str])
    ready: list[str] = field(default_factory=list[str])
    seconds: dict[str, list[float]] = field(default_factory=dict[str, list[float]])
    outages: dict[str, int] = field(default_factory=dict[str, int])
    faults: list[str] = field(default_factory=list[str])


class Caller:
    """One of the callers; `restarting` says whether the service for callers is being restarted, or was a moment ago."""

    def __init__(self, client: httpx.AsyncClient, notes: Notes, seed: int, restarting: Callable[[], bool]) -> None:
        self._client = client
        self._notes = notes
        self._chance = random.Random(seed)
        self._restarting = restarting
        self._kinds: list[tuple[int, Callable[[], Coroutine[Any, Any, None]]]] = [
            (4, self._plan), (3, self._what_if), (2, self._rush_order), (14, self._read), (2, self._list), (2, self._edit),
            (2, self._plan_shop),
        ]

    async def run(self, until: float) -> None:
        """Make calls until that moment of the monotonic clock."""
        weights, kinds = [weight for weight, _ in self._kinds], [kind for _, kind in self._kinds]
        while time.monotonic() < until:
            await asyncio.sleep(self._chance.uniform(0.5, 1.5) * PAUSE_SECONDS)
            if not self._notes.ready:
                await self._plan()
            else:
                await self._chance.choices(kinds, weights)[0]()

    async def store_shop(self) -> None:
        """Store the shop whose rows are edited and whose weeks are planned; once, before all else."""
        await self.call("store shop", "PUT", SHOP, 201, json=make_request("small", 1)["shop"])

    async def call(self, kind: str, method: str, path: str, *expected: int, **more: Any) -> httpx.Response | None:
        """The answer, asked for again while there is none; None where there is no good one, which is noted."""
        last = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < last:
            restarted = self._restarting()
            began = time.monotonic()
            try:
                answer = await self._client.request(method, path, **more)
            except httpx.TransportError as error:
                self._away(kind, f"{method} {path}: {error!r}", restarted)
                await asyncio.sleep(0.5)
                continue
            if answer.status_code == 503:
                self._away(kind, f"{method} {path}: 503 {answer.text[:300]}", restarted)
                await asyncio.sleep(min(2.0, float(answer.headers.get("retry-after", "1"))))
                continue
            self._notes.seconds.setdefault(kind, []).append(time.monotonic() - began)
            if answer.status_code in expected:
                return answer
            self._fault(f"{method} {path}: {answer.status_code} {answer.text[:300]}")
            return None
        self._fault(f"{method} {path}: nobody answered for {PATIENCE_SECONDS:.0f} s")
        return None

    def _away(self, kind: str, words: str, restarted: bool) -> None:
        """No answer: as it must be during a restart, a fault at any other time."""
        if restarted or self._restarting():
            self._notes.outages[kind] = self._notes.outages.get(kind, 0) + 1
        else:
            self._fault(words)

    def _fault(self, words: str) -> None:
        """Note what must not be, with the time of day: what was killed when is printed with it, too."""
        self._notes.faults.append(f"{time.strftime('%H:%M:%S')} {words}")

    async def _make(self, kind: str, path: str, document: dict[str, Any]) -> dict[str, Any] | None:
        """What was accepted. The key makes sure that a call which is repeated, because its answer was lost, makes nothing twice."""
        headers = ASYNC | {"Idempotency-Key": uuid4().hex}
        answer = await self.call(kind, "POST", path, 202, json=document, headers=headers)
        made: dict[str, Any] | None = answer.json() if answer is not None else None
        if made is not None:
            (self._notes.questions if kind == "ask rush" else self._notes.plans).append(made["id"])
        return made

    async def _ended(self, path: str) -> dict[str, Any] | None:
        """The plan or question once it has ended."""
        while True:
            answer = await self.call("wait", "GET", path, 200, headers={"Prefer": "wait=10"})
            if answer is None or answer.json()["status"] not in OPEN:
                found: dict[str, Any] | None = answer.json() if answer is not None else None
                return found

    def _week(self) -> dict[str, Any]:
        """A request of a small or medium week of one of several sorts."""
        family = self._chance.choice(("tiny", "small", "small", "medium"))
        features = self._chance.choice(FEATURES).split(",")
        return make_request(family, self._chance.randrange(1, 1_000), features, solve_seconds=self._chance.choice((0.5, 1.0, 3.0)))

    async def _plan(self) -> None:
        """A week is planned; some are stopped on the way, some deleted, some kept to be read."""
        made = await self._make("ask plan", "/v1/plans", self._week())
        if made is None:
            return
        path, fate = f"/v1/plans/{made['id']}", self._chance.random()
        if fate < 0.15:
            await asyncio.sleep(self._chance.uniform(0, 3))
            await self.call("stop", "POST", f"{path}/stop", 202, 409)
        if fate > 0.9:
            await asyncio.sleep(self._chance.uniform(0, 5))
            await self._delete(made["id"])
            return
        plan = await self._ended(path)
        if plan is None or plan["status"] != "ready":
            return
        if fate > 0.6:
            await self._delete(made["id"])
        else:
            self._notes.ready.append(made["id"])
            del self._notes.ready[:-30]

    async def _delete(self, plan_id: str) -> None:
        """It is gone, and stays so. 404 is right where the answer to the first try was lost."""
        self._notes.deleted.add(plan_id)
        await self.call("delete", "DELETE", f"/v1/plans/{plan_id}", 204, 404)
        await self.call("read gone", "GET", f"/v1/plans/{plan_id}", 404)

    async def _what_if(self) -> None:
        """What a change would do: another seed, or one more order."""
        base = self._chance.choice(self._notes.ready)
        change: dict[str, Any] = {"kind": "change_settings", "seed": self._chance.randrange(1, 99)}
        if self._chance.random() < 0.5:
            order = await self._order(base)
            if order is None:
                return
            change = {"kind": "add_order", **order}
        made = await self._make("ask what-if", f"/v1/plans/{base}/what-ifs", {"changes": [change], "settings": {"solve_seconds": 1}})
        if made is not None:
            await self._ended(f"/v1/plans/{made['id']}")

    async def _order(self, base: str) -> dict[str, Any] | None:
        """One more order of a part that the base makes."""
        answer = await self.call("read plan", "GET", f"/v1/plans/{base}", 200)
        if answer is None:
            return None
        plan = answer.json()
        part = plan["runs"][0]["pieces"][0]["part"]
        return {"id": f"X{self._chance.randrange(10**6)}", "part": part, "quantity": 2, "due": plan["orders"][0]["due"]}

    async def _rush_order(self) -> None:
        base = self._chance.choice(self._notes.ready)
        order = await self._order(base)
        if order is None:
            return
        made = await self._make("ask rush", f"/v1/plans/{base}/rush-orders", {"order": order, "settings": {"solve_seconds": 1}})
        if made is not None:
            await self._ended(f"/v1/questions/{made['id']}")

    async def _read(self) -> None:
        name = self._chance.choice(sorted(READS))
        await self.call(f"read {name}", "GET", f"/v1/plans/{self._chance.choice(self._notes.ready)}{READS[name]}", 200)

    async def _list(self) -> None:
        path = self._chance.choice(("/v1/plans?limit=50", "/v1/board", "/v1/questions"))
        await self.call(f"list {path.partition('?')[0]}", "GET", path, 200)

    async def _edit(self) -> None:
        """The shop of this soak is stored anew, or one row of it is; 412 is right where another caller was faster."""
        shop = make_request("small", 1)["shop"]
        row = self._chance.choice(shop["plates"]) | {"note": f"seen {self._chance.randrange(10**6)}"}
        whole = self._chance.random() < 0.3
        kind, path, body = ("edit shop", SHOP, shop) if whole else ("edit row", f"{SHOP}/plates/{row['id']}", row)
        seen = await self.call("read shop", "GET", path, 200)
        if seen is not None:
            await self.call(kind, "PUT", path, 200, 412, json=body, headers={"If-Match": seen.headers["etag"]})

    async def _plan_shop(self) -> None:
        """A week of the stored shop is planned and becomes what it works by."""
        document = make_request("small", 1, solve_seconds=1.0)
        del document["shop"]
        made = await self._make("ask shop plan", f"{SHOP}/plans", document)
        if made is None:
            return
        plan = await self._ended(f"/v1/plans/{made['id']}")
        if plan is not None and plan["status"] == "ready":
            await self.call("release", "PUT", f"/v1/plans/{made['id']}/release", 200)
