"""What somebody else changes between the look and the deed is not overwritten: the caller is told, and may look again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx
import pytest

from platerota_service.settings import ServiceSettings
from platerota_service.shops.book import ShopBook
from platerota_service.webhooks.book import WebhookBook

from .conftest import problem

pytestmark = pytest.mark.anyio

Document = dict[str, Any]
ANY = {"If-Match": "*"}


STORED, RENEWED = ShopBook.replace, WebhookBook.renew_secret
"""As they are before a test puts somebody else's change in front of them."""


@pytest.fixture
def settings(settings: ServiceSettings) -> ServiceSettings:
    return settings.model_copy(update={"webhooks_inside": True})


def before_it(monkeypatch: pytest.MonkeyPatch, book: type, deed: str, other: Callable[[Any, Any], object]) -> None:
    """Somebody else changes the row after a call has looked at it, and before it does its `deed`."""
    own = getattr(book, deed)

    def late(self: Any, row: Any, *given: Any) -> Any:
        other(self, row)
        return own(self, row, *given)

    monkeypatch.setattr(book, deed, late)


def stored_by_another(book: ShopBook, row: Any) -> None:
    theirs = book.find(row.id)
    assert theirs is not None
    assert STORED(book, theirs, {"note": "theirs"}) is not None


def renewed_by_another(book: WebhookBook, row: Any) -> None:
    theirs = book.find(row.id)
    assert theirs is not None
    assert RENEWED(book, theirs) is not None


@pytest.fixture
async def shop(client: httpx.AsyncClient, request_document: Document) -> Document:
    answer = await client.put("/v1/shops/main", json=request_document["shop"])
    assert answer.status_code == 201, answer.text
    found: Document = request_document["shop"]
    return found


@pytest.fixture
async def hook(client: httpx.AsyncClient) -> str:
    answer = await client.post("/v1/webhooks", json={"url": "http://127.0.0.1:9/hooks"})
    assert answer.status_code == 201, answer.text
    return f"/v1/webhooks/{answer.json()['id']}"


async def test_a_shop_that_another_stores_at_the_same_moment_is_not_overwritten(
    client: httpx.AsyncClient, shop: Document, monkeypatch: pytest.MonkeyPatch,
) -> None:
    before_it(monkeypatch, ShopBook, "replace", stored_by_another)
    new = {**shop, "operators": [*shop["operators"], {"id": "Somebody"}]}
    problem(await client.put("/v1/shops/main", json=new, headers=ANY), "changed-meanwhile")
    assert (await client.get("/v1/shops/main")).json() == {"note": "theirs"}


async def test_a_shop_that_another_changes_at_the_same_moment_is_not_deleted(
    client: httpx.AsyncClient, shop: Document, monkeypatch: pytest.MonkeyPatch,
) -> None:
    before_it(monkeypatch, ShopBook, "delete", stored_by_another)
    problem(await client.delete("/v1/shops/main", headers=ANY), "changed-meanwhile")
    assert (await client.get("/v1/shops/main")).json() == {"note": "theirs"}


async def test_a_shop_that_another_stores_first_under_the_same_new_id_is_not_overwritten(
    client: httpx.AsyncClient, request_document: Document, monkeypatch: pytest.MonkeyPatch,
) -> None:
    own = ShopBook.add
    before_it(monkeypatch, ShopBook, "add", lambda book, name: own(book, name, {"note": "theirs"}))
    problem(await client.put("/v1/shops/new", json=request_document["shop"]), "changed-meanwhile")
    assert (await client.get("/v1/shops/new")).json() == {"note": "theirs"}


@pytest.mark.parametrize("call", [
    lambda client, hook: client.put(hook, json={"url": "http://127.0.0.1:9/other"}, headers=ANY),
    lambda client, hook: client.delete(hook, headers=ANY),
    lambda client, hook: client.post(f"{hook}/secret"),
])
async def test_a_webhook_that_another_changes_at_the_same_moment_stays_as_they_left_it(
    client: httpx.AsyncClient, hook: str, monkeypatch: pytest.MonkeyPatch, call: Callable[[httpx.AsyncClient, str], Any],
) -> None:
    for deed in ("replace", "delete", "renew_secret"):
        before_it(monkeypatch, WebhookBook, deed, renewed_by_another)
    before = (await client.get(hook)).json()
    problem(await call(client, hook), "changed-meanwhile")
    assert (await client.get(hook)).json()["url"] == before["url"]
