"""Keys as text: made once, shown once, and recognised by a hash afterwards."""

from __future__ import annotations

import hmac
import re
import secrets
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from starlette.datastructures import Headers

PREFIX: Final = "plr"
"""What every key begins with, so that a scanner for secrets that were published by mistake can find one."""

_TOKEN: Final = re.compile(rf"{PREFIX}_([0-9a-f]{{16}})_([A-Za-z0-9_-]{{43}})")

_SECRETS: Final = re.compile(rf"({PREFIX}_[0-9a-f]{{16}}_|whsec_|signature=)[A-Za-z0-9_+/=-]+|(://[^\s:/@]+:)[^\s/@]+(?=@)")


def without_secrets(text: str) -> str:
    """`text` without what is secret in a key, a webhook's secret, a link's signature, or an address with a password.

    Nothing of ours writes these where others read; callers put them anywhere, and what they sent is quoted in errors and logs.
    """
    return _SECRETS.sub(r"\1\2…", text)


@dataclass(frozen=True, slots=True)
class Token:
    """A key: its public id (16 hex digits) and its secret (256 random bits)."""

    key_id: str
    secret: str

    @classmethod
    def new(cls) -> Token:
        """A key that nobody has seen."""
        return cls(secrets.token_hex(8), secrets.token_urlsafe(32))

    @classmethod
    def read(cls, text: str) -> Token | None:
        """The key in `text`; None where there is none."""
        found = _TOKEN.fullmatch(text.strip())
        return cls(*found.groups()) if found is not None else None

    def __str__(self) -> str:
        return f"{PREFIX}_{self.key_id}_{self.secret}"

    def __repr__(self) -> str:
        """Without the secret, so that no log or traceback holds it."""
        return f"Token({self.key_id})"

    @property
    def hash(self) -> str:
        """What is stored, 64 hex digits. One round of SHA-256 is enough: 256 random bits cannot be guessed, as a password could."""
        return sha256(self.secret.encode()).hexdigest()

    def fits(self, stored: str) -> bool:
        """Whether `stored` is this key's hash, compared in constant time."""
        return hmac.compare_digest(self.hash, stored)


def token_text(headers: Headers) -> str | None:
    """The key that a call gives: `Authorization: Bearer …`, or `X-API-Key` for programs that can set no other header."""
    scheme, _, given = headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer" and given.strip():
        return given.strip()
    return headers.get("x-api-key", "").strip() or None


def signature(key_hash: str, *lines: str) -> str:
    """What a key's hash (hex digits) signs: HMAC-SHA-256 (RFC 2104) over the lines, in hex digits; the first says what is signed."""
    return hmac.new(bytes.fromhex(key_hash), "\n".join(lines).encode(), sha256).hexdigest()
