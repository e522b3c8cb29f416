"""Sessions of browsers: whoever opens a page in one cannot send a key with the address, so the key is taken once, in a form.

The cookie that follows holds no key. It is signed with the key's hash, as links are, so a session ends with its key and needs no
secret and no table of its own. It opens with GET what signed links can open, and carries the forms of our own pages: no call that
programs make takes it, so no page of somebody else can make such a call in a browser's name.
"""

from __future__ import annotations

import hmac
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from fastapi import Request
from starlette.datastructures import Headers

from platerota_service.access.tokens import signature
from platerota_service.kinds import FOREIGN_FORM
from platerota_service.problems import ProblemError

COOKIE: Final = "platerota_session"
LIFE_SECONDS: Final = 12 * 3_600
"""A shift and what it hands over. A screen on the wall is better served by a signed link, which may live for months."""


@dataclass(frozen=True, slots=True)
class Session:
    """A session as its cookie tells it: the key that was given, when it ends (UTC seconds), and the signature to be checked."""

    key_id: str
    expires: int
    signature: str

    @classmethod
    def new(cls, key_id: str, key_hash: str, now: float) -> Session:
        """A session that begins at `now` (UTC seconds)."""
        expires = int(now) + LIFE_SECONDS
        return cls(key_id, expires, signature(key_hash, "session", key_id, str(expires)))

    @classmethod
    def read(cls, text: str) -> Session | None:
        """The session in a cookie; None where it is none."""
        key_id, _, rest = text.partition(".")
        expires, _, signed = rest.partition(".")
        if not (expires.isascii() and expires.isdigit() and len(expires) <= 12 and key_id and signed):
            return None
        return cls(key_id, int(expires), signed)

    def __str__(self) -> str:
        return f"{self.key_id}.{self.expires}.{self.signature}"

    def valid(self, key_hash: str, now: float) -> bool:
        """Whether it was signed with the key of that hash and has not ended by `now` (UTC seconds)."""
        right = signature(key_hash, "session", self.key_id, str(self.expires))
        return now < self.expires and hmac.compare_digest(right.encode(), self.signature.encode())

    def form_token(self, key_hash: str) -> str:
        """What a form of this session holds, so that one which was made elsewhere is refused."""
        return signature(key_hash, "form", self.signature)

    def carries(self, key_hash: str, token: str) -> bool:
        """Whether a form with that token is one of this session."""
        return hmac.compare_digest(self.form_token(key_hash).encode(), token.encode())


def check_own_form(call: Request) -> None:
    """Refuse a form that a page of another origin sent.

    Every browser says where a form comes from: by `Sec-Fetch-Site` (W3C Fetch Metadata) where it trusts the line, else by `Origin`
    (WHATWG Fetch). What says nothing is no browser, and programs have calls of their own.

    Raises
    ------
    ProblemError
        403.
    """
    if not _own(call.headers):
        raise ProblemError(FOREIGN_FORM, "this form was not sent by a page of this service")


def _own(headers: Headers) -> bool:
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None:
        return site == "same-origin"
    return origin is not None and urlsplit(origin).netloc.lower() == headers.get("host", "").lower()
