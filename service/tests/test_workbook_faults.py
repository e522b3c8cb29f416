"""Files that are no workbook, or too much of one; and for every code of sheets a file that provokes it alone."""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import random
import re
import struct
import zipfile
import zlib
from collections.abc import Callable
from typing import Any

import pytest

from platerota_service.answers import example
from platerota_service.workbook import SHEET_CODES, SheetFault, SheetsRefused, read_sheets
from platerota_service.workbook import archive as archives
from platerota_service.workbook.scanning import MAX_CELLS
from platerota_shared.reading import read_request

from .sheet_files import Formula, Sheets, changed, ods_file, zipped

SHEET_1 = "xl/worksheets/sheet1.xml"


def sheets() -> Sheets:
    return Sheets(example("request"))


def refused(body: bytes) -> tuple[SheetFault, ...]:
    """The faults of a file that is refused."""
    with pytest.raises(SheetsRefused) as error:
        read_sheets(body)
    return error.value.faults


def read_or_refused(body: bytes) -> None:
    """Nothing else may become of a file."""
    with contextlib.suppress(SheetsRefused):
        read_sheets(body)


def renamed(old: str, new: str) -> bytes:
    made = sheets()
    made.rows[new] = made.rows.pop(old)
    return made.xlsx()


def added(name: str, rows: list[list[Any]]) -> bytes:
    made = sheets()
    made.rows[name] = rows
    return made.xlsx()


def headed(sheet: str, old: str, new: str | None) -> bytes:
    made = sheets()
    head = made.rows[sheet][0]
    at = head.index(old)
    if new is None:
        for row in made.rows[sheet]:
            del row[at]
    else:
        head[at] = new
    return made.xlsx()


SINGLE: dict[str, Callable[[], bytes]] = {
    "not-a-workbook": lambda: b"id;part;quantity\n",
    "no-table": lambda: zipped({"budget.csv": b"a,b"}),
    "too-large-inside": lambda: zipped({"xl/workbook.xml": b" " * 20_000_000}),
    "a-plan-not-a-request": lambda: renamed("settings", "Plan"),
    "unknown-sheet": lambda: renamed("floor.pieces", "floor.piece"),
    "doubled-sheet": lambda: added("Orders ", [["id"]]),
    "no-heading": lambda: added("floor.pieces", [["order", "op", "pieces"], ["", "", "", "stray"]]),
    "unknown-column": lambda: headed("orders", "weight", "wait"),
    "doubled-column": lambda: headed("orders", "weight", "name"),
    "missing-column": lambda: headed("orders", "due", None),
    "uncalculated-formula": lambda: sheets().put("orders", "due", Formula("=NOW()")).xlsx(),
    "error-cell": lambda: sheets().put("orders", "due", Formula("=NA()", "#N/A")).xlsx(),
    "became-a-date": lambda: sheets().put("orders", "id", dt.date(2027, 1, 3)).xlsx(),
    "long-number": lambda: sheets().put("orders", "id", 10**15).xlsx(),
    "bad-number": lambda: sheets().put("orders", "quantity", "four").xlsx(),
    "ambiguous-date": lambda: sheets().put("orders", "due", "03/04/2027").xlsx(),
}


def test_every_code_has_a_file_that_provokes_it() -> None:
    assert set(SINGLE) == set(SHEET_CODES)


@pytest.mark.parametrize("code", SINGLE)
def test_one_slip_gives_one_fault(code: str) -> None:
    (fault,) = refused(SINGLE[code]())
    assert fault.code == code
    assert len(fault.detail) > 10
    assert len(fault.mend) > 5
    assert "\n" not in fault.detail + fault.mend


def test_a_code_that_is_in_no_catalogue_cannot_be_used() -> None:
    with pytest.raises(ValueError, match="catalogue"):
        SheetFault(None, None, None, None, "odd", "a", "b")


class TestNoWorkbook:
    @pytest.mark.parametrize("body", [
        b"", b"PK", b"PK\x03\x04", b"hello", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 an old workbook, or a protected one", zipped({}),
        zipped({"a.txt": b"hello"}), zipped({"xl/workbook.xml": b"<workbook"}), zipped({"content.xml": b"no XML"}),
        zipped({"content.xml": b""}), zipped({"content.xml": b"<?xml version='1.0' encoding='UTF-88'?><a/>"}),
        zipped({"xl/workbook.xml": b"<?xml version='1.0' encoding='UTF-88'?><a/>"}),
        zipped({"xl/workbook.xml": b"<?xml version='1.0' encoding='idna'?><a/>"}),
        zipped({"xl/workbook.xml": b"<!DOCTYPE a [<!ENTITY b 'c'>]><workbook>&b;</workbook>"}), zipped({"xl/workbook.bin": b"1"}),
    ])
    def test_what_is_no_workbook_is_refused_in_words(self, body: bytes) -> None:
        (fault,) = refused(body)
        assert fault.code == "not-a-workbook"
        assert fault.sheet is None

    def test_a_protected_file_says_so(self) -> None:
        assert "password" in refused(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" * 100)[0].detail
        body = bytearray(sheets().xlsx())
        directory = body.rindex(b"PK\x01\x02")
        body[directory + 8] |= 1  # the flag of an encrypted part (APPNOTE 4.4.4)
        assert "password" in refused(bytes(body))[0].detail

    def test_damage_anywhere_is_refused_or_read_and_never_breaks_the_reader(self) -> None:
        chance = random.Random(7)
        for whole in (sheets().xlsx(), sheets().ods(), sheets().csv_zip()):
            for _ in range(150):
                body = bytearray(whole)
                for _ in range(chance.choice((1, 3, 30))):
                    body[chance.randrange(len(body))] = chance.randrange(256)
                read_or_refused(bytes(body[: chance.choice((len(body), len(body) * 3 // 4))]))

    def test_damage_inside_the_parts_is_refused_or_read_and_never_breaks_the_reader(self) -> None:
        chance = random.Random(11)

        def spoil(_name: str, part: bytes) -> bytes:
            content = bytearray(part)
            for _ in range(chance.choice((0, 1, 4))):
                if content:
                    content[chance.randrange(len(content))] = chance.choice(b"<>/\"='0A&; \xff\x00")
            return bytes(content)

        for whole in (sheets().xlsx(), sheets().ods()):
            for _ in range(150):
                read_or_refused(changed(whole, spoil))


class TestTooMuch:
    def test_a_part_that_is_hundreds_of_times_larger_inside_is_refused_before_it_is_inflated(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(archives, "_inflated", lambda *_: pytest.fail("it was inflated"))
        (fault,) = refused(zipped({"xl/workbook.xml": b"0" * 20_000_000}))
        assert fault.code == "too-large-inside"

    def test_too_much_altogether_is_refused_before_it_is_inflated(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(archives, "_inflated", lambda *_: pytest.fail("it was inflated"))
        monkeypatch.setattr(archives, "MAX_INSIDE", 1_000)
        assert refused(sheets().xlsx())[0].code == "too-large-inside"

    def test_a_directory_that_lies_about_the_size_does_not_get_more_read_than_it_says(self) -> None:
        content = zlib.compress(b"<a/>" + b" " * 50_000_000, 9)[2:-4]
        body = forged("xl/workbook.xml", content, said=4, check=zlib.crc32(b"<a/>"))
        assert len(body) < 100_000
        assert archives.open_archive(body) == {"xl/workbook.xml": b"<a/>"}

    def test_too_many_parts(self) -> None:
        assert refused(zipped({f"{number}.xml": b"" for number in range(archives.MAX_PARTS + 1)}))[0].code == "too-large-inside"

    def test_two_parts_of_one_name(self) -> None:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as archive:
            archive.writestr("orders.csv", b"id")
            with pytest.warns(UserWarning, match="Duplicate"):
                archive.writestr("orders.csv", b"id")
        assert refused(buffer.getvalue())[0].code == "not-a-workbook"

    @pytest.mark.parametrize("reference", ["XFD1048576", "A1048576", "XFD100"])
    def test_cells_far_apart_are_refused_before_a_rectangle_is_made_of_them(self, reference: str) -> None:
        made = sheets()
        name = f"xl/worksheets/sheet{list(made.rows).index('orders') + 1}.xml"
        stray = f'<row r="{reference.lstrip("ABCDEFX")}"><c r="{reference}"><v>1</v></c></row></sheetData>'.encode()
        body = changed(made.xlsx(), lambda path, part: part.replace(b"</sheetData>", stray) if path == name else part)
        columns = 16_384 if reference.startswith("XFD") else 1
        faults = refused(body)
        if int(reference.lstrip("ABCDEFX")) * max(columns, 8) > MAX_CELLS:
            assert [fault.code for fault in faults] == ["too-large-inside"]
        else:
            assert [(fault.sheet, fault.code) for fault in faults] == [("orders", "no-heading")]

    def test_one_cell_that_stands_for_millions(self) -> None:
        cell = '<table:table-cell table:number-columns-repeated="16384" office:value-type="float" office:value="1"/>'
        rows = f'<table:table-row table:number-rows-repeated="1048576">{cell}</table:table-row>'
        assert refused(ods_file(f'<table:table table:name="orders">{rows}</table:table>'))[0].code == "too-large-inside"

    def test_blank_cells_by_the_million_are_no_harm(self) -> None:
        cell = b'<table:table-cell table:number-columns-repeated="16384"/>'
        blank = b'<table:table-row table:number-rows-repeated="1048000">' + cell + b"</table:table-row></table:table>"
        body = changed(sheets().ods(), lambda _, part: part.replace(b"</table:table>", blank))
        assert read_sheets(body).request == read_request(example("request"))

    def test_one_long_text_in_a_thousand_cells(self, monkeypatch: pytest.MonkeyPatch) -> None:
        made = sheets()
        made.rows["orders"] += [[f"A{number}", "x" * 20_000, "", "bracket", 1, dt.datetime(2027, 3, 3), "", ""] for number in range(5_000)]
        body = made.xlsx()
        assert len(body) < 1_000_000
        assert refused(body)[0].code == "too-large-inside"


class TestWhatIsNotLookedAt:
    def test_macros_links_pictures_and_hostile_names_are_left_alone(self) -> None:
        with zipfile.ZipFile(io.BytesIO(sheets().xlsx())) as archive:
            files = {name: archive.read(name) for name in archive.namelist()}
        files |= {
            "xl/vbaProject.bin": b"\xd0\xcf\x11\xe0", "../../evil.xml": b"<a/>", "/etc/evil.rels": b"<a/>", "C:\\evil.xml": b"<a/>",
            "xl/media/image1.png": b"\x89PNG", "xl/externalLinks/externalLink1.xml": b"<externalLink/>", "a" * 5_000 + ".xml": b"<a/>",
        }
        assert read_sheets(zipped(files)).request == read_request(example("request"))

    def test_the_reader_is_given_nothing_but_the_parts_with_cells(self) -> None:
        files = {"xl/workbook.xml": b"<a/>", "xl/vbaProject.bin": b"1", "xl/media/image1.png": b"2", "Scripts/python/evil.py": b"3"}
        assert set(archives.open_archive(zipped(files))) == {"xl/workbook.xml"}


    @pytest.mark.parametrize("target", ["xl/worksheets/sheet1.xml", "/xl/../xl/worksheets/sheet1.xml", "../worksheets/sheet1.xml"])
    def test_no_sheet_is_read_that_was_not_looked_through(self, target: str) -> None:
        """Two readers may follow an odd address to two different parts; here the hidden one would fill the memory."""
        bomb = b'<sheetData><row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'

        def hide(name: str, part: bytes) -> bytes:
            if name == SHEET_1:
                return part[: part.index(b"<sheetData")] + bomb + part[part.index(b"</sheetData>") + len(b"</sheetData>") :]
            return part.replace(b"worksheets/sheet1.xml", target.encode()) if name.endswith("workbook.xml.rels") else part

        body = changed(sheets().xlsx(), hide)
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            files = {name: archive.read(name) for name in archive.namelist()}
        decoys = {name: b"<worksheet><sheetData/></worksheet>" for name in ("xl/xl/worksheets/sheet1.xml", "worksheets/sheet1.xml")}
        assert {fault.code for fault in refused(zipped(files | decoys))} & {"too-large-inside", "not-a-workbook", "missing-field"}

    def test_names_of_parts_in_another_case(self) -> None:
        with zipfile.ZipFile(io.BytesIO(sheets().xlsx())) as archive:
            files = {name.upper(): archive.read(name) for name in archive.namelist()}
        assert read_sheets(zipped(files)).request == read_request(example("request"))

    def test_the_strict_kind_of_workbook(self) -> None:
        """ECMA-376 part 1 (strict) uses other names for the same things."""
        transitional, strict = b"http://schemas.openxmlformats.org/officeDocument/2006/", b"http://purl.oclc.org/ooxml/officeDocument/"
        main = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main", b"http://purl.oclc.org/ooxml/spreadsheetml/main"
        body = changed(sheets().xlsx(), lambda _, part: part.replace(transitional, strict).replace(*main))
        assert read_sheets(body).request == read_request(example("request"))


def forged(name: str, deflated: bytes, *, said: int, check: int) -> bytes:
    """A zip (APPNOTE 4.3) of one deflated part whose size inside is said to be another."""
    path = name.encode()
    common = struct.pack("<HHHHHIIIHH", 20, 0, 8, 0, 33, check, len(deflated), said, len(path), 0)
    local = b"PK\x03\x04" + common + path + deflated
    central = b"PK\x01\x02" + struct.pack("<H", 20) + common + struct.pack("<HHHII", 0, 0, 0, 0, 0) + path
    return local + central + b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, 1, 1, len(central), len(local), 0)


def in_first_sheet(old: str, new: str) -> bytes:
    """The workbook of the example with something else in the XML of its first sheet, wherever it stands there."""
    def change(name: str, part: bytes) -> bytes:
        if name != SHEET_1:
            return part
        changed_part = re.sub(old.encode(), new.encode(), part)
        assert changed_part != part
        return changed_part

    return changed(sheets().xlsx(), change)


def test_a_cell_that_names_a_text_which_is_not_there_is_damage() -> None:
    for number in ("999999", "1234567890", "-1"):
        (fault,) = refused(in_first_sheet(r't="s"><v>0</v>', f't="s"><v>{number}</v>'))
        assert (fault.code, "damaged" in fault.detail) == ("not-a-workbook", True)


def test_cells_and_rows_that_do_not_say_where_they_stand_stand_one_after_the_other() -> None:
    """ECMA-376 part 1, 18.3.1.4, from memory: the reference of a cell may be left out."""
    assert read_sheets(in_first_sheet(r'<c r="[A-Z]+[0-9]+"', "<c")).request == read_sheets(sheets().xlsx()).request


def test_a_setting_that_cannot_be_read_is_told_with_its_cell() -> None:
    faults = refused(sheets().put("settings", "horizon_days", "a fortnight").xlsx())
    assert [(one.sheet, one.column) for one in faults] == [("settings", "B")]
