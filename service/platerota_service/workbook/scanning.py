"""A look through the XML of a workbook's cells before it is read: how much there is, and what the reader would not say.

The reader (calamine) makes a rectangle of each sheet, so two cells far apart cost as much as a full sheet; and it reads a
formula without a stored result, and one that ended in an error, as a blank cell. Both are found here.
"""

from __future__ import annotations

import posixpath
import re
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Final, Literal
from xml.etree import ElementTree
from xml.parsers import expat

from platerota_service.workbook.faults import NotReadable

MAX_CELLS: Final = 1_000_000
"""Cells of the rectangles around everything in each sheet, together; the longest table has 20,000 rows of 8 columns."""

MAX_TEXT: Final = 64 * 1024 * 1024
"""Characters in all cells together."""

MAX_LIST: Final = 4 * 1024 * 1024
"""Bytes of the part that lists the sheets."""

Oddity = Literal["uncalculated", "error"]
Oddities = dict[str, dict[tuple[int, int], Oddity]]
"""By sheet and (row, column) from 0: the cells that the reader would take for blank, or for 0."""

_REFERENCE = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")


class _NoDoctype(ElementTree.TreeBuilder):
    def doctype(self, _name: str, _pubid: str | None, _system: str | None) -> None:
        raise _damaged("a document type")


def _damaged(what: str) -> NotReadable:
    return NotReadable("not-a-workbook", f"the file is damaged: {what}", "open it in the spreadsheet program, save it again and send that")


def _tree(content: bytes) -> ElementTree.Element:
    if len(content) > MAX_LIST:
        raise _damaged("its list of sheets is far too long")
    try:
        return ElementTree.fromstring(content, parser=ElementTree.XMLParser(target=_NoDoctype()))
    except (ElementTree.ParseError, LookupError, ValueError) as error:  # the latter two: an encoding that nobody knows
        raise _damaged(str(error)) from None


@dataclass(slots=True)
class _Count:
    """How much was found so far, and where the last cells are."""

    text: int = 0
    cells_before: int = 0
    last_row: int = -1
    last_column: int = -1
    odd: dict[tuple[int, int], Oddity] = field(default_factory=dict[tuple[int, int], Oddity])

    @property
    def cells(self) -> int:
        """Cells of the rectangles of all sheets so far."""
        return self.cells_before + (self.last_row + 1) * (self.last_column + 1)

    def next_sheet(self) -> _Count:
        """The count with which the next sheet begins."""
        return _Count(text=self.text, cells_before=self.cells)

    def take(self, row: int, column: int, length: int, times: int = 1) -> None:
        """Count a cell with a value, the last of `times` equal ones."""
        self.text += length * times
        self.last_row, self.last_column = max(self.last_row, row), max(self.last_column, column)
        if self.cells > MAX_CELLS or self.text > MAX_TEXT:
            raise NotReadable(
                "too-large-inside", "a sheet holds more cells, or cells further apart, than any request needs",
                "delete what lies far below or beside the tables, and send it again",
            )


def sheet_parts(parts: dict[str, bytes]) -> list[tuple[str, str]]:
    """The worksheets of an .xlsx workbook in its order: the title and the name of the part with its cells.

    Raises
    ------
    NotReadable
        Where the XML is damaged, or names a part that is not there.
    """
    relations = _tree(parts.get("xl/_rels/workbook.xml.rels", b"<r/>"))
    targets = {
        one.get("Id"): posixpath.normpath(posixpath.join("/xl", one.get("Target", ""))).lstrip("/").lower()
        for one in relations if one.get("Type", "").endswith("/worksheet")
    }
    found: list[tuple[str, str]] = []
    for sheet in _tree(parts["xl/workbook.xml"]).iter():
        name = next((value for key, value in sheet.items() if key.endswith("relationships}id")), None)
        if sheet.tag.endswith("}sheet") and name in targets:
            if targets[name] not in parts:
                raise _damaged(f"the sheet {sheet.get('name', '')[:60]!r} has no cells")
            found.append((sheet.get("name", ""), targets[name]))
    return found


def scan_xlsx(parts: dict[str, bytes], wanted: list[tuple[str, str]]) -> Oddities:
    """The odd cells of the sheets `wanted` (title and part).

    Raises
    ------
    NotReadable
        Where the XML is damaged, or there is more of it than any request needs.
    """
    doubtful = any(
        one.tag.endswith("}calcPr") and one.get("fullCalcOnLoad") in ("1", "true") for one in _tree(parts["xl/workbook.xml"])
    )
    texts = _shared_texts(parts.get("xl/sharedstrings.xml"))
    count = _Count()
    odd: Oddities = {}
    for title, part in wanted:
        count = count.next_sheet()
        _XlsxCells(count, texts, doubtful).read(parts[part])
        odd[title] = count.odd
    return odd


def _shared_texts(content: bytes | None) -> list[int]:
    """The length of each shared text."""
    lengths: list[int] = []

    def start(tag: str, _attributes: dict[str, str]) -> None:
        if tag.endswith("}si"):
            lengths.append(0)

    def text(text: str) -> None:
        if lengths:
            lengths[-1] += len(text)

    if content is not None:
        _parsed(content, start, None, text)
    return lengths


def _parsed(content: bytes, start: object, end: object, text: object) -> None:
    parser = expat.ParserCreate(namespace_separator="}")
    parser.buffer_text = True

    def refuse(*_: object) -> None:
        raise _damaged("a document type")

    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = start  # type: ignore[assignment]
    parser.EndElementHandler = end  # type: ignore[assignment]
    parser.CharacterDataHandler = text  # type: ignore[assignment]
    try:
        parser.Parse(content, True)
    except (expat.ExpatError, LookupError, ValueError) as error:  # the latter two: an encoding that nobody knows
        raise _damaged(str(error)) from None


class _XlsxCells:
    """Goes through the cells of one worksheet (ECMA-376 part 1, 18.3.1)."""

    def __init__(self, count: _Count, texts: list[int], doubtful: bool) -> None:
        self._count = count
        self._texts = texts
        self._doubtful = doubtful
        self._row = self._column = -1
        self._kind = ""
        self._formula = self._inside = False
        self._value: list[str] | None = None

    def read(self, content: bytes) -> None:
        """Count every cell of the sheet's XML."""
        _parsed(content, self._start, self._end, self._text)

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition("}")[2]
        if name == "c":
            self._cell(attributes)
        elif name == "row":
            number = attributes.get("r", "")
            self._row = int(number) - 1 if number.isdecimal() and len(number) < 8 else self._row + 1
            self._column = -1
        elif name == "f":
            self._formula = True
        elif name in ("v", "t"):
            self._inside = True
            self._value = self._value or []

    def _cell(self, attributes: dict[str, str]) -> None:
        match = _REFERENCE.fullmatch(attributes.get("r", ""))
        if match is not None:
            self._row, self._column = int(match[2]) - 1, _column_index(match[1])
        else:
            self._column += 1
        self._kind = attributes.get("t", "n")
        self._formula, self._value = False, None

    def _text(self, text: str) -> None:
        if self._inside:
            self._value = [*(self._value or ()), text]

    def _end(self, tag: str) -> None:
        name = tag.rpartition("}")[2]
        if name in ("v", "t"):
            self._inside = False
        elif name == "c":
            self._close()

    def _close(self) -> None:
        value = "".join(self._value or ())
        if not value and not self._formula:
            return
        place = (self._row, self._column)
        self._count.take(*place, self._length(value))
        if self._kind == "e":
            self._count.odd[place] = "error"
        elif self._formula and (self._untold(value) or (self._doubtful and self._kind == "n" and value == "0")):
            # Libraries that write formulas without a result store 0 and ask for a calculation when the file is opened.
            self._count.odd[place] = "uncalculated"

    def _untold(self, value: str) -> bool:
        return self._value is None if self._kind == "str" else not value

    def _length(self, value: str) -> int:
        if self._kind != "s":
            return len(value)
        if not value.isdecimal() or len(value) > 9 or int(value) >= len(self._texts):
            raise _damaged("a cell names a text that is not there")
        return self._texts[int(value)]


def _column_index(name: str) -> int:
    index = 0
    for letter in name:
        index = index * 26 + ord(letter) - 64
    return index - 1


def scan_ods(parts: dict[str, bytes]) -> Oddities:
    """The odd cells of every sheet of an OpenDocument spreadsheet.

    Raises
    ------
    NotReadable
        Where the XML is damaged, or there is more of it than any request needs.
    """
    cells = _OdsCells()
    _parsed(parts["content.xml"], cells.start, cells.end, cells.text)
    return cells.odd


class _OdsCells:
    """Goes through the cells of content.xml (OpenDocument 1.3 part 3, 9.1), where one element may stand for many equal cells."""

    def __init__(self) -> None:
        self.odd: Oddities = defaultdict(dict)
        self._count = _Count()
        self._sheet = ""
        self._row = self._rows = self._column = self._columns = 0
        self._attributes: dict[str, str] | None = None
        self._value: list[str] = []

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Take the start of an element."""
        name = tag.rpartition("}")[2]
        if name == "table" and "table:1.0" in tag:
            self._count = self._count.next_sheet()
            self._sheet, self._row = _named(attributes, "name"), 0
        elif name == "table-row":
            self._column, self._rows = 0, _times(attributes, "number-rows-repeated")
        elif name in ("table-cell", "covered-table-cell"):
            self._attributes, self._value = attributes, []
            self._columns = _times(attributes, "number-columns-repeated")

    def text(self, text: str) -> None:
        """Take text; only that of cells counts."""
        if self._attributes is not None:
            self._value.append(text)

    def end(self, tag: str) -> None:
        """Take the end of an element."""
        name = tag.rpartition("}")[2]
        if name == "table-row":
            self._row += self._rows
        elif name in ("table-cell", "covered-table-cell"):
            self._close()

    def _close(self) -> None:
        attributes, value = self._attributes or {}, "".join(self._value)
        kind, formula = _named(attributes, "value-type"), bool(_named(attributes, "formula"))
        if kind or value or formula:
            self._count.take(self._row + self._rows - 1, self._column + self._columns - 1, len(value), self._rows * self._columns)
            oddity: Oddity | None = None
            if value.startswith(("#", "Err:")) and (formula or kind == "error"):
                oddity = "error"
            elif formula and not kind:
                oddity = "uncalculated"
            if oddity is not None:
                self.odd[self._sheet][self._row, self._column] = oddity
        self._column += self._columns
        self._attributes = None


def _named(attributes: dict[str, str], name: str) -> str:
    """An attribute by its name without the namespace, that of OpenDocument before any other."""
    return next((value for key, value in sorted(attributes.items(), reverse=True) if key.rpartition("}")[2] == name), "")


def _times(attributes: dict[str, str], name: str) -> int:
    given = _named(attributes, name)
    return int(given) if given.isdecimal() and 0 < len(given) < 9 else 1
