"""Signed links that expire: for programs that can only be given an address, such as a calendar that subscribes.

A link is signed with the hash of the key it was made with, so it ends with that key and needs no secret of its own. It allows
GET of one address, its query included, and nothing else.
"""

from __future__ import annotations

import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import parse_qsl, urlencode

from platerota_service.access.tokens import signature

KEY, EXPIRES, SIGNATURE = "key", "expires", "signature"
LONGEST_HOURS: Final = 366 * 24
"""Hours that a link lives at most."""


@dataclass(frozen=True, slots=True)
class Link:
    """A link as a call brought it: the key that it names, when it ends (UTC seconds), and the signature to be checked."""

    path: str
    query: tuple[tuple[str, str], ...]
    key_id: str
    expires: int
    signature: str

    def valid(self, key_hash: str, now: float) -> bool:
        """Whether it was signed with the key of that hash and has not ended by `now` (UTC seconds)."""
        right = _signature(key_hash, self.path, self.query, self.key_id, self.expires)
        return now < self.expires and hmac.compare_digest(right.encode(), self.signature.encode())


def sign(path: str, query: str, key_id: str, key_hash: str, expires: int) -> str:
    """The address `path` and `query` (without its question mark) as a link that ends at `expires` (UTC seconds)."""
    pairs = parse_qsl(query, keep_blank_values=True)
    signed = _signature(key_hash, path, pairs, key_id, expires)
    return f"{path}?{urlencode([*pairs, (KEY, key_id), (EXPIRES, str(expires)), (SIGNATURE, signed)])}"


def read_link(path: str, query: str) -> Link | None:
    """The link that a call's path and query are; None where they are none, or a malformed one."""
    pairs = parse_qsl(query, keep_blank_values=True)
    given = dict(pairs)
    expires = given.get(EXPIRES, "")
    if len(given) != len(pairs) or SIGNATURE not in given or not (expires.isascii() and expires.isdigit() and len(expires) <= 12):
        return None
    rest = tuple((name, value) for name, value in pairs if name not in (KEY, EXPIRES, SIGNATURE))
    return Link(path, rest, given.get(KEY, ""), int(expires), given[SIGNATURE])


def _signature(key_hash: str, path: str, query: Sequence[tuple[str, str]], key_id: str, expires: int) -> str:
    return signature(key_hash, "GET", path, urlencode(sorted(query)), key_id, str(expires))
