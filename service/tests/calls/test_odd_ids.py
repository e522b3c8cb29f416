"""Ids that no database can hold or that are far too long, in every place where an id can stand: unknown, on either database."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import quote
from uuid import uuid4

import httpx
import pytest

from platerota_service.executor import prepare_queue
from platerota_service.settings import ServiceSettings
from platerota_service.store import Store

from ..postgresql import DATABASES  # noqa: TID252 - it serves the tests of both folders
from .test_every_route import ASKED, CALLS, NO_ID, filled, places

pytestmark = pytest.mark.anyio

ODD = ["a\x00b", "\ud800", "x" * 5_000, "\u0130" * 64]
"""PostgreSQL keeps no NUL; nothing keeps half a character; two are longer than any id."""


@pytest.fixture(params=DATABASES)
def settings(request: pytest.FixtureRequest, settings: ServiceSettings) -> ServiceSettings:
    """A service over either database."""
    if request.param == "sqlite":
        return settings
    return settings.model_copy(update={"database_url": request.getfixturevalue("cluster").new_database(f"d{uuid4().hex}")})


@pytest.fixture
def store(settings: ServiceSettings) -> Iterator[Store]:
    store = Store(settings.database_url, settings.data_directory)
    prepare_queue(store)
    store.upgrade()
    yield store
    store.close()


async def test_an_odd_id_is_unknown_an_odd_filter_refused_and_nothing_breaks(client: httpx.AsyncClient) -> None:
    walked = 0
    for name, call in CALLS.items():
        method, path = name.split()
        for odd in ODD if "{" in path else ():
            sent = quote(odd.encode("utf-8", "surrogatepass"), safe="")
            ids = NO_ID | dict.fromkeys(places(name), "\0")
            address = filled(path, ids).replace("\0", sent)
            query = "&".join(f"{key}={filled(value, ids)}" for key, value in call.query.items()).replace("\0", sent)
            answer = await client.request(method, f"{address}?{query}", json=call.body, data=call.form, headers=ASKED | dict(call.headers))
            assert answer.status_code in (404, 412, 422) or not places(name), (name, odd[:9], answer.status_code, answer.text[:300])
            walked += 1
    assert walked > 100
    for odd in ODD:
        sent = quote(odd.encode("utf-8", "surrogatepass"), safe="")
        for address in (
            f"/v1/plans?shop={sent}", f"/v1/plans?cursor={sent}", f"/v1/plans?limit={sent}", f"/v1/plans?status={sent}",
            f"/v1/board?shop={sent}", f"/v1/shops?cursor={sent}", f"/v1/workbook-template?table={sent}", f"/v1/problems/{sent}",
        ):
            answer = await client.get(address)
            assert answer.status_code in (400, 404, 422), (address[:60], answer.status_code)
