"""Files that nobody sends on purpose: workbooks, CSV files, archives and JSON, true ones spoilt in a few places."""

from __future__ import annotations

import io
import json
import re
import warnings
import zipfile
from functools import cache
from typing import Any

from hypothesis import strategies as st

from platerota_service.answers import example

from .sheet_files import Sheets, zipped

NUMBERS = (
    "9" * 400, "1" + "0" * 5_000, "1e999", "-1e308", "NaN", "inf", "-0", "0x10", "1,5", "1.5.5", "\u0661\u0662", "1e-400", "46320.5",
    "2958466",
)
WORDS = (
    "=1+1", "@SUM(A1)", "'", "''=x", '"', '"a', "\t", "\x00", "\ufeff", "\u202e", "W" * 32_767, "\u6a5f" * 40_000, "#REF!", "Err:502",
    "TRUE",
    "2027-02-30T25:61:61", "03/04/2027", "24:00", "-1:00", "16 in", "1e9 km", "; , \t", "a\r\nb", "a\nb", "\u2028", "[[[[", "{}", "null",
)
REFERENCES = ("A1", "XFD1048576", "ZZZ9999999", "A0", "a1", "1A", "", "A-1", "$A$1", "A1:B2", "A" * 1_000)
KINDS = ("s", "str", "inlineStr", "b", "d", "e", "n", "x", "")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-32", "latin-1", "cp1252", "utf-7", "cp037")
MARKUP = (
    "<!DOCTYPE a [<!ENTITY b 'c'>]>", "<!DOCTYPE a SYSTEM 'file:///etc/hostname'>", "<![CDATA[x]]>", "<!-- -->", "<?x y?>", "&#0;",
    "&b;", "<c>",
    "</row>", "<row/>" * 2_000, "<c><v>", "<a>" * 5_000, "<c r='A1' t='s'><v>-1</v></c>", "<mergeCell ref='A1:XFD1048576'/>",
    "<dimension ref='A1:XFD1048576'/>", "<f>A1</f>", "<c t='inlineStr'><is><t>x</t></is></c>",
)

texts = st.sampled_from((*NUMBERS, *WORDS)) | st.text(max_size=60)


@cache
def true_files() -> dict[str, bytes]:
    """The example week as each kind of file."""
    sheets = Sheets(example("request"))
    return {"xlsx": sheets.xlsx(), "ods": sheets.ods(), "csv": sheets.csv_zip()}


def parts_of(archive: bytes) -> dict[str, bytes]:
    """The files in an archive."""
    with zipfile.ZipFile(io.BytesIO(archive)) as opened:
        return {name: opened.read(name) for name in opened.namelist()}


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")


_SPOTS: dict[str, st.SearchStrategy[str]] = {
    r"(?<=<v>)[^<]*(?=</v>)": texts.map(_escaped),
    r"(?<=<text:p>)[^<]*(?=</text:p>)": texts.map(_escaped),
    r"(?<=<t>)[^<]*(?=</t>)": texts.map(_escaped),
    r'(?<= r=")[^"]*(?=")': st.sampled_from(REFERENCES),
    r'(?<= t=")[^"]*(?=")': st.sampled_from(KINDS),
    r'(?<= s=")[^"]*(?=")': st.sampled_from(("0", "-1", "99999", "x")),
    r'(?<=office:value=")[^"]*(?=")': texts.map(_escaped),
    r'(?<=office:value-type=")[^"]*(?=")': st.sampled_from(("float", "date", "time", "percentage", "boolean", "string", "x", "")),
    r'(?<=name=")[^"]*(?=")': texts.map(_escaped),
    r'(?<=Target=")[^"]*(?=")': st.sampled_from(("../../x", "/xl/workbook.xml", "http://[::1", "", "worksheets/sheet1.xml", "xl" * 500)),
    r"(?=<table:table-cell)": st.sampled_from((
        '<table:table-cell table:number-columns-repeated="99999999" office:value-type="string"><text:p>x</text:p></table:table-cell>',
        '<table:table-cell table:number-columns-repeated="-1"/>', '<table:table-cell table:formula="of:=1"/>',
        '<table:covered-table-cell table:number-columns-repeated="16384"/>',
    )),
    r"(?<=<table:table-row)(?=>)": st.sampled_from((' table:number-rows-repeated="99999999"', ' table:number-rows-repeated="0"')),
    r"(?<=>)(?=<)": st.sampled_from(MARKUP),
    r'(?<=encoding=")[^"]*(?=")': st.sampled_from((*ENCODINGS, "nonsense", "")),
}
"""Places in the XML of workbooks, and what is put there."""


@st.composite
def spoilt_xml(draw: st.DrawFn, content: bytes) -> bytes:
    """XML with one to four places put wrong."""
    text = content.decode(errors="replace")
    for _ in range(draw(st.integers(1, 4))):
        known = [spot for spot in _SPOTS if re.search(spot, text)]
        if not known:
            break
        spot = draw(st.sampled_from(known))
        found = list(re.finditer(spot, text))
        place = found[draw(st.integers(0, len(found) - 1))]
        text = text[: place.start()] + draw(_SPOTS[spot]) + text[place.end() :]
    return text.encode(draw(st.sampled_from(ENCODINGS[:4])) if draw(st.integers(0, 9)) == 0 else "utf-8", "replace")


@st.composite
def spoilt_workbook(draw: st.DrawFn) -> bytes:
    """An .xlsx or .ods file with a part or two put wrong, left out, or doubled under another name."""
    parts = dict(parts_of(true_files()[draw(st.sampled_from(("xlsx", "ods")))]))
    for _ in range(draw(st.integers(1, 2))):
        name = draw(st.sampled_from(sorted(name for name in parts if name.endswith((".xml", ".rels")))))
        how = draw(st.integers(0, 9))
        if how == 0 and len(parts) > 2:
            del parts[name]
        elif how == 1:
            parts[name.upper()] = parts[name]
        else:
            parts[name] = draw(spoilt_xml(parts[name]))
    return draw(spoilt_archive(zipped(parts)))


@st.composite
def spoilt_csv(draw: st.DrawFn) -> bytes:
    """CSV files with cells, quotes, encodings, names and line ends put wrong."""
    sheets = Sheets(example("request"))
    for _ in range(draw(st.integers(1, 4))):
        name = draw(st.sampled_from(sorted(sheets.rows)))
        rows = sheets.rows[name]
        row = rows[draw(st.integers(0, len(rows) - 1))]
        row[draw(st.integers(0, len(row) - 1))] = draw(texts)
        if draw(st.integers(0, 7)) == 0:
            row.extend(draw(st.lists(texts, max_size=5)) * draw(st.sampled_from((1, 400))))
        if draw(st.integers(0, 40)) == 0:
            rows.extend([row] * draw(st.sampled_from((1, 20_001))))
    parts = {}
    for name, content in parts_of(sheets.csv_zip(draw(st.sampled_from(",;\t|")))).items():
        text = content.decode(errors="surrogatepass")
        if draw(st.integers(0, 9)) == 0:
            text = text.replace("\r\n", draw(st.sampled_from(("\r", "\n", "\r\r\n", "\x0b", "\u2028"))))
        if draw(st.integers(0, 9)) == 0:
            at = draw(st.integers(0, len(text)))
            text = text[:at] + draw(st.sampled_from(('"', '""', "\x00", '"\r\n', "," * 5_000, "\x1a"))) + text[at:]
        parts[name] = text.encode(draw(st.sampled_from(ENCODINGS)) if draw(st.integers(0, 9)) == 0 else "utf-8", "replace")
    return draw(spoilt_archive(zipped(parts)))


@st.composite
def spoilt_archive(draw: st.DrawFn, archive: bytes) -> bytes:
    """An archive as it was, cut short, or with a few bytes changed, in its directory most of all."""
    how = draw(st.integers(0, 5))
    if how == 0:
        return archive[: draw(st.integers(0, len(archive)))]
    if how == 1:
        changed = bytearray(archive)
        for _ in range(draw(st.integers(1, 6))):
            first = draw(st.sampled_from((0, max(0, archive.rfind(b"PK\x01\x02")), max(0, len(archive) - 30))))
            changed[draw(st.integers(first, len(archive) - 1))] = draw(st.integers(0, 255))
        return bytes(changed)
    return archive


@st.composite
def odd_archive(draw: st.DrawFn) -> bytes:
    """An archive of what no workbook holds: bombs, archives in archives, odd names, many parts, other ways of packing."""
    names = st.sampled_from((
        "orders.csv", "../../orders.csv", "C:\\orders.csv", "ORDERS.CSV", "xl/workbook.xml", "content.xml", "mimetype", "/", "",
        "a" * 60_000,
        "\u202e.csv", "__MACOSX/orders.csv", "orders.csv/", "x\x00.csv",
    ))
    contents = st.sampled_from((
        b"", b"\0" * 1_100_000, b"a,b\r\n" * 50_000, zipped({"a.txt": b"x"}), b"<a>" * 50_000, b'"' * 100_001, b"\xff\xfe",
        b"id\r\n" + b"9" * 100_000,
    )) | st.binary(max_size=300)
    buffer = io.BytesIO()
    packing = draw(st.sampled_from((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA)))
    with warnings.catch_warnings(action="ignore"), zipfile.ZipFile(buffer, "w", packing) as made:  # it warns of doubled names
        for number, (name, content) in enumerate(draw(st.lists(st.tuples(names, contents), max_size=6))):
            made.writestr(zipfile.ZipInfo(name or str(number)), content, compress_type=packing)
        for number in range(draw(st.sampled_from((0, 0, 0, 0, 0, 0, 0, 2_001)))):
            made.writestr(f"{number}.csv", b"")
    return draw(spoilt_archive(buffer.getvalue()))


_DEEP = ("[" * 100_000, '{"a":' * 100_000, "[" * 900 + "]" * 900, '{"a":[' * 5_000)
_VALUES = st.sampled_from((
    *NUMBERS, *_DEEP, "null", "true", "[]", "{}", "-", "1.", "1e", '"\\ud800"', '"\\u0000"', '"' + "x" * 500_000 + '"',
    "[" + "0," * 200_000 + "0]",
    "{" + '"a":1,' * 5_000 + '"a":1}', "[" + "{}," * 25_000 + "{}]", '"2027-03-01T06:00:00+99:99"', '"9999-12-31T23:59:59"', "1e400",
    "123456789012345678",
)) | st.text(max_size=40).map(json.dumps) | st.integers().map(str) | st.floats().map(json.dumps)


@st.composite
def spoilt_json(draw: st.DrawFn) -> bytes:
    """The example request with values put wrong anywhere in it, and its text as well."""
    document = json.loads(json.dumps(example("request")))
    marks: dict[str, str] = {}
    for number in range(draw(st.integers(1, 4))):
        _put(draw, document, f"@{number}@")
        marks[f'"@{number}@"'] = draw(_VALUES)
    text = json.dumps(document)
    for mark, value in marks.items():
        text = text.replace(mark, value)
    body = text.encode("utf-8", "surrogatepass")
    how = draw(st.integers(0, 9))
    if how == 0:
        return body[: draw(st.integers(0, len(body)))]
    if how == 1:
        at = draw(st.integers(0, len(body)))
        return body[:at] + draw(st.binary(min_size=1, max_size=8)) + body[at:]
    return text.encode(draw(st.sampled_from(ENCODINGS)), "replace") if how == 2 else body


def _put(draw: st.DrawFn, document: Any, mark: str) -> None:
    """Put `mark` in the place of any value, or under a new name."""
    here = document
    while True:
        place = draw(st.sampled_from(sorted(here) if isinstance(here, dict) else range(len(here))))
        below = here[place]
        if not isinstance(below, dict | list) or not below or draw(st.integers(0, 5)) == 0:
            break
        here = below
    if isinstance(here, dict) and draw(st.integers(0, 9)) == 0:
        here[draw(st.text(max_size=20))] = mark
    else:
        here[place] = mark
