"""The zip around a workbook or a set of CSV files, opened with care.

What the directory announces is checked before anything is inflated; while inflating, the limits count again, because a
directory may lie. The reader of workbooks never sees the caller's zip: it is given a new one, not compressed, of the parts
that hold cells. So macros, external links, pictures and scripts are not even looked at.
"""

from __future__ import annotations

import zipfile
import zlib
from io import BytesIO
from typing import Final

from platerota_service.workbook.faults import NotReadable

MAX_PARTS: Final = 2_000
"""Files in one archive; a workbook has a few dozen."""

MAX_INSIDE: Final = 128 * 1024 * 1024
"""Bytes of all parts together, inflated; the largest request we can plan has about 60 MiB as a workbook."""

MAX_RATIO: Final = 400
"""How much larger a part of more than `SMALL_PART` may be inside; sheets shrink to a tenth, very regular ones to a hundredth."""

SMALL_PART: Final = 1024 * 1024

_CHUNK = 1024 * 1024
_OLD_FILE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_SAVE = "save it as .xlsx or .ods and send it again"


def open_archive(body: bytes) -> dict[str, bytes]:
    """The parts that can hold cells (XML, relations, CSV), by name in lower case, as readers look for them in any case.

    Raises
    ------
    NotReadable
        Where the body is no archive, a protected one, or one with more inside than any request needs.
    """
    if body.startswith(_OLD_FILE):
        raise NotReadable("not-a-workbook", "the workbook is protected by a password, or an old .xls", f"take off the password, or {_SAVE}")
    try:
        with zipfile.ZipFile(BytesIO(body)) as archive:
            return _parts(archive)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, RuntimeError) as error:
        raise NotReadable("not-a-workbook", f"the file is damaged or no workbook: {type(error).__name__}", _SAVE) from None


def closed_archive(parts: dict[str, bytes]) -> BytesIO:
    """A zip of `parts`, not compressed."""
    buffer = BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    buffer.seek(0)
    return buffer


def _parts(archive: zipfile.ZipFile) -> dict[str, bytes]:
    infos = archive.infolist()
    _check_directory(infos)
    parts: dict[str, bytes] = {}
    left = MAX_INSIDE
    for info in infos:
        name = info.filename.lower()
        if not name.endswith((".xml", ".rels", ".csv", "mimetype")):
            continue
        if name in parts:
            raise NotReadable("not-a-workbook", f"two parts of the file have the name {name[:60]!r}", _SAVE)
        parts[name] = _inflated(archive, info, left)
        left -= len(parts[name])
    return parts


def _check_directory(infos: list[zipfile.ZipInfo]) -> None:
    if len(infos) > MAX_PARTS:
        raise _too_large(f"the file holds {len(infos):,} parts; the most is {MAX_PARTS:,}")
    if sum(info.file_size for info in infos) > MAX_INSIDE:
        raise _too_large(f"the file holds more than {MAX_INSIDE // 1024 // 1024} MiB once it is unpacked")
    for info in infos:
        if info.file_size > SMALL_PART and info.file_size > MAX_RATIO * max(1, info.compress_size):
            raise _too_large(f"a part of the file is {info.file_size // max(1, info.compress_size):,} times larger once it is unpacked")
        if info.flag_bits & 1:
            raise NotReadable("not-a-workbook", "the file is protected by a password", f"take off the password, {_SAVE}")


def _inflated(archive: zipfile.ZipFile, info: zipfile.ZipInfo, left: int) -> bytes:
    content = bytearray()
    with archive.open(info) as part:
        while chunk := part.read(_CHUNK):
            content += chunk
            if len(content) > left:
                raise _too_large(f"the file holds more than {MAX_INSIDE // 1024 // 1024} MiB once it is unpacked")
    return bytes(content)


def _too_large(words: str) -> NotReadable:
    return NotReadable("too-large-inside", words, "send only the sheets of the request, without pictures and old weeks")
