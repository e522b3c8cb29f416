"""Where webhooks may not lead: nothing inside the network of whoever runs the service, in whatever way it is written or reached."""

from __future__ import annotations

import asyncio
import socket
import threading
import unittest
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
import pytest

from platerota_service.webhooks import sending
from platerota_service.webhooks.addresses import AddressRefused, check_address, resolve
from platerota_service.webhooks.sending import Message, Sent, new_secret, send

pytestmark = pytest.mark.anyio

LITERALS = [
    "127.0.0.1", "10.1.2.3", "192.168.1.1", "172.16.0.1", "169.254.169.254", "0.0.0.0", "100.64.0.1", "224.0.0.1", "255.255.255.255",
    "192.0.0.8", "198.18.0.1", "240.0.0.1", "203.0.113.7",
    "[::1]", "[::]", "[fe80::1]", "[fe80::1%25eth0]", "[fd00::1]", "[fec0::1]", "[ff02::1]", "[2001:db8::1]",
    # An IPv4 address inside: mapped, compatible, translated (RFC 4291, 6052, 8215), 6to4, Teredo.
    "[::ffff:127.0.0.1]", "[::ffff:a00:1]", "[::127.0.0.1]", "[::ffff:0:127.0.0.1]", "[64:ff9b::7f00:1]", "[64:ff9b:1::7f00:1]",
    "[2002:7f00:1::]", "[2001:0:7f00:1::]",
]
"""Addresses that are not public (the special-purpose registries: RFC 6890 and what it lists)."""
SPELLED = ["2130706433", "0x7f000001", "0177.0.0.1", "127.1", "0", "localhost", "LOCALHOST"]
"""The same computer in other spellings, which only the resolver understands."""


async def sent_to(url: str, *, inside: bool = False, transport: httpx.AsyncBaseTransport | None = None) -> Sent:
    return await send(Message("m1", url, new_secret(), "{}"), inside=inside, transport=transport)


class Receiver:
    """Takes every message that comes to it."""

    def __init__(self) -> None:
        self.taken: list[httpx.Request] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.taken.append(request)
        return httpx.Response(200)


@contextmanager
def listener(answer: bytes, *, pause: float = 0.0) -> Iterator[tuple[int, list[bytes]]]:
    """A port of this computer that sends `answer` to whoever calls, a byte at a time where there is a `pause`; and what came."""
    came: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            while True:
                try:
                    line, _ = server.accept()
                    with line:
                        came.append(line.recv(65_536))
                        for piece in ([bytes([byte]) for byte in answer] if pause else [answer]):
                            line.sendall(piece)
                            threading.Event().wait(pause)
                except OSError:
                    if server.fileno() < 0:
                        return

        threading.Thread(target=serve, daemon=True).start()
        yield server.getsockname()[1], came
        server.shutdown(socket.SHUT_RDWR)


@pytest.mark.parametrize("host", LITERALS)
async def test_an_address_that_is_not_public_is_refused_before_and_at_sending(host: str) -> None:
    with pytest.raises(AddressRefused):
        check_address(f"https://{host}/", inside=False)
    with pytest.raises(AddressRefused):
        await resolve(f"https://{host}/", inside=False)
    sent = await sent_to(f"https://{host}/")
    assert (sent.arrived, sent.hopeless) == (False, True)


@pytest.mark.parametrize("host", SPELLED)
async def test_other_spellings_of_this_computer_are_refused_once_they_are_resolved(host: str) -> None:
    try:
        socket.getaddrinfo(host, 443)
    except OSError:
        raise unittest.SkipTest(f"this machine knows no address of '{host}'") from None
    receiver = Receiver()
    sent = await sent_to(f"https://{host}/", transport=httpx.MockTransport(receiver))
    assert (sent.arrived, sent.hopeless, receiver.taken) == (False, True, [])


@pytest.mark.parametrize("host", ["2001:4860:4860::8888", "2606:4700:4700::1111", "64:ff9b::808:808", "::ffff:8.8.8.8"])
async def test_a_public_ipv6_address_is_told(host: str) -> None:
    assert (await resolve(f"https://[{host}]/", inside=False)).ip == host


@pytest.mark.parametrize("host", [f"{'a' * 64}.example", "a..b", ".example"])
async def test_a_name_that_no_resolver_takes_is_refused_and_breaks_nothing(host: str) -> None:
    sent = await sent_to(f"https://{host}/")
    assert (sent.arrived, sent.status) == (False, None)


@pytest.mark.parametrize(
    "url", [
        "https://user@hooks.example/", "https://1.1.1.1\\@127.0.0.1/", "https://hooks.example/#x", "https://hooks.example:0/", "https://[::1",
        "https://hooks.example:0x50/", "https:///", "ftp://hooks.example/", "file:///etc/hosts", "https://hooks.example/a b",
        "https://hooks.example/\r\nHost: x", "https://h\u00f6oks.example/", "https://hooks.example/" + "a" * 2_000,
    ],
)
def test_what_is_no_address_of_a_webhook(url: str) -> None:
    for inside in (False, True):
        with pytest.raises(AddressRefused):
            check_address(url, inside=inside)


async def test_a_redirect_leads_nowhere() -> None:
    """Over real sockets: the answer points at another port of this computer, and nothing comes there."""
    with listener(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n") as (inner, came_inside):
        redirect = f"HTTP/1.1 307 Temporary Redirect\r\nLocation: http://127.0.0.1:{inner}/\r\nContent-Length: 0\r\n\r\n"
        with listener(redirect.encode()) as (outer, came):
            sent = await sent_to(f"http://127.0.0.1:{outer}/hooks", inside=True)
    assert (sent.arrived, sent.status, len(came), came_inside) == (False, 307, 1, [])


async def test_a_receiver_that_answers_a_byte_at_a_time_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sending, "SECONDS", 0.5)
    with listener(b"HTTP/1.1 200 OK\r\nX-Long: " + b"x" * 1_000, pause=0.1) as (port, _):
        sent = await sent_to(f"http://127.0.0.1:{port}/", inside=True)
    assert (sent.arrived, sent.error) == (False, "it did not answer within 0.5 seconds")


async def test_the_host_header_is_the_address_s_own_even_without_a_path() -> None:
    receiver = Receiver()
    await sent_to("http://127.0.0.1:9?a=b", inside=True, transport=httpx.MockTransport(receiver))
    assert receiver.taken[0].headers["host"] == "127.0.0.1:9"


def test_plain_http_is_for_the_shop_s_own_network() -> None:
    with pytest.raises(AddressRefused):
        check_address("http://hooks.example/", inside=False)
    check_address("http://hooks.example/", inside=True)


async def test_a_name_is_judged_by_every_address_behind_it_and_the_message_goes_to_a_judged_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = ["93.184.215.14"]

    async def getaddrinfo(host: str, port: int, **_more: Any) -> list[Any]:
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port)) for address in found]

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", getaddrinfo)
    receiver = Receiver()
    message = Message("m1", "https://hooks.example:8443/a?b=c", new_secret(), "{}")
    assert (await send(message, inside=False, transport=httpx.MockTransport(receiver))).arrived
    (request,) = receiver.taken
    assert (str(request.url), request.headers["host"]) == ("https://93.184.215.14:8443/a?b=c", "hooks.example:8443")
    assert request.extensions["sni_hostname"] == "hooks.example"
    found.append("10.0.0.7")
    sent = await send(message, inside=False, transport=httpx.MockTransport(receiver))
    assert (sent.hopeless, len(receiver.taken)) == (True, 1)


async def test_a_name_that_means_nothing_now_may_mean_something_later(monkeypatch: pytest.MonkeyPatch) -> None:
    async def getaddrinfo(host: str, port: int, **_more: Any) -> list[Any]:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", getaddrinfo)
    sent = await send(Message("m1", "https://hooks.example/", new_secret(), "{}"), inside=False)
    assert (sent.arrived, sent.hopeless) == (False, False)
