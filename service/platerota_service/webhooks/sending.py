"""Sending one message: signed after Standard Webhooks 1.0 (https://www.standardwebhooks.com), to the address that was judged."""

from __future__ import annotations

import asyncio
import base64
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Final
from urllib.parse import urlsplit

import httpx
from standardwebhooks import Webhook

from platerota_service.webhooks.addresses import AddressRefused, resolve

SECONDS: Final = 15.0
"""Seconds that a receiver has to answer."""
_GONE: Final = 410
_SHOWN: Final = 300


@dataclass(frozen=True, slots=True)
class Message:
    """A message as it is sent, the same at each attempt: its id, the address, the secret that signs, and its JSON."""

    id: str
    url: str
    secret: str
    payload: str


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of one attempt: the HTTP status where there was an answer, why it did not arrive, and whether trying again is no use."""

    status: int | None
    error: str | None
    hopeless: bool = False

    @property
    def arrived(self) -> bool:
        """Whether the receiver took the message."""
        return self.error is None


def new_secret() -> str:
    """A secret of 256 random bits, as Standard Webhooks writes it."""
    return f"whsec_{base64.b64encode(secrets.token_bytes(32)).decode()}"


def signed_headers(message: Message, at: datetime) -> dict[str, str]:
    """The headers by which a receiver knows whom a message is from; `at` is an aware UTC time (the library replaces its zone)."""
    assert at.tzinfo is UTC, "the library takes whatever zone it is given for UTC"
    signature = Webhook(message.secret).sign(message.id, at, message.payload)
    return {"webhook-id": message.id, "webhook-timestamp": str(int(at.timestamp())), "webhook-signature": signature}


async def send(message: Message, *, inside: bool, transport: httpx.AsyncBaseTransport | None = None) -> Sent:
    """Send a message once; redirects are not followed, and no answer is read.

    Parameters
    ----------
    inside
        Whether it may go to addresses inside the shop's own network, and by plain http.
    """
    try:
        target = await resolve(message.url, inside=inside)
    except AddressRefused as error:
        return Sent(None, str(error), hopeless=True)
    except OSError as error:
        return Sent(None, f"the name of the address cannot be resolved: {error.strerror or error}")
    headers = {
        **signed_headers(message, datetime.now(UTC)), "Host": urlsplit(target.url).netloc, "Content-Type": "application/json",
        "User-Agent": f"platerota/{version('platerota')}",
    }
    # The certificate is checked against the name, though the connection goes to the address that was judged.
    extensions = {"sni_hostname": target.host}
    try:
        # The library's own limit begins anew with each byte that comes.
        async with (
            asyncio.timeout(SECONDS),
            httpx.AsyncClient(transport=transport, timeout=SECONDS, trust_env=False, follow_redirects=False) as client,
        ):
            request = client.build_request("POST", target.pinned, content=message.payload.encode(), headers=headers, extensions=extensions)
            answer = await client.send(request, stream=True)
            await answer.aclose()
    except TimeoutError:
        return Sent(None, f"it did not answer within {SECONDS:g} seconds")
    except httpx.HTTPError as error:
        return Sent(None, f"{type(error).__name__}: {error}"[:_SHOWN])
    return _judged(answer.status_code)


def _judged(status: int) -> Sent:
    if 200 <= status < 300:
        return Sent(status, None)
    if 300 <= status < 400:
        return Sent(status, f"it answered {status}, and redirects are not followed")
    return Sent(status, f"it answered {status}", hopeless=status == _GONE)
