"""An XLSX schedule's bytes to rows of text.

The values come from calamine, which is quick but trusts the file: a lone cell in the last row and column makes it ask
for the memory of the whole sheet (and ends the process where there is none), a long text that many cells share is
copied for each of them, and an error value or a formula that was never worked out comes back as an empty cell. So the
zip and the sheet's XML are looked through first.
"""

from __future__ import annotations

import io
import posixpath
import re
import struct
import zipfile
import zlib
from datetime import date, datetime, time, timedelta
from typing import IO, Final
from xml.etree import ElementTree

import python_calamine

from frostshift_service.schedule_file.sheet import FileProblem, Sheet, filled, tidy

ZIP_START: Final = b"PK\x03\x04"
COMPOUND_START: Final = bytes.fromhex("d0cf11e0a1b11ae1")
"""First bytes of the container that holds old .xls workbooks and XLSX workbooks with a password."""
MAX_UNPACKED: Final = 100_000_000
MAX_GRID: Final = 5_000_000
"""Most cells of the rectangle around everything in a sheet, blank ones included."""
MAX_LIST: Final = 5_000_000
MAX_ENTRIES: Final = 1_000
"""Most parts of a workbook; one with a sheet or two has a dozen."""
MAX_TEXT: Final = 20_000_000
"""Most letters of all cells together, a shared text counted wherever it stands."""
SHEET_NAME: Final = "joints"

_CORRUPT: Final = "cannot be read as an XLSX workbook: it is damaged or of another kind; save it as .xlsx again"
# what zipfile, zlib, expat and calamine raise on damaged files (found by changing bytes of a good one at random)
_DAMAGE: Final = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    ElementTree.ParseError,
    python_calamine.CalamineError,
    EOFError,
    KeyError,
    NotImplementedError,
    OSError,
    RuntimeError,
    ValueError,
)
_RELATION: Final = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_RELATION_STRICT: Final = "{http://purl.oclc.org/ooxml/officeDocument/relationships}id"
_CELL: Final = re.compile("([A-Z]{1,3})([0-9]{1,7})")
_ROW: Final = re.compile("[0-9]{1,7}")


def read_xlsx(data: bytes, max_rows: int, sheet_name: str = SHEET_NAME) -> Sheet:
    """The rows of the sheet of that name, or of the first sheet.

    Raises:
        FileProblem: a password, a damaged file, too large once unpacked, too many rows, merged cells, error values or
            formulas without a value.
    """
    if data.startswith(COMPOUND_START):
        raise FileProblem("has a password or is an old .xls workbook; save it as .xlsx without a password")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_size(archive)
            name, part = _chosen_sheet(archive, sheet_name)
            shared = _shared_lengths(archive)
            with archive.open(part) as xml:
                _parse(xml, _SheetCheck(name, max_rows, shared))
        workbook = python_calamine.load_workbook(io.BytesIO(data))
        rows = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)
    except FileProblem:
        raise
    except _DAMAGE:
        raise FileProblem(_CORRUPT) from None
    numbered = ((number, [_typed(value) for value in row]) for number, row in enumerate(rows, 1))
    return Sheet(tuple(filled(numbered, max_rows)))


def _check_size(archive: zipfile.ZipFile) -> None:
    """Refuse by the zip's directory, then unpack every part once: a false size fails its check sum."""
    entries = len(archive.infolist())
    if entries > MAX_ENTRIES:
        said = f"has {entries:,} parts inside, more than {MAX_ENTRIES:,}; save it as .xlsx again"
        raise FileProblem(said, f"{MAX_ENTRIES:,} parts")
    unpacked = sum(entry.file_size for entry in archive.infolist())
    if unpacked > MAX_UNPACKED:
        raise FileProblem(
            f"unpacks to {unpacked / 1e6:,.0f} MB, more than {MAX_UNPACKED / 1e6:,.0f} MB",
            f"{MAX_UNPACKED / 1e6:,.0f} MB unpacked",
        )
    names = archive.namelist()
    if "xl/workbook.xml" not in names or len({name.casefold() for name in names}) != len(names):
        raise FileProblem(_CORRUPT)
    if archive.testzip() is not None:
        raise FileProblem(_CORRUPT)


def _chosen_sheet(archive: zipfile.ZipFile, sheet_name: str) -> tuple[str, str]:
    """Name of the sheet to read and the part of the zip that holds it."""
    workbook = _tree(archive, "xl/workbook.xml")
    sheets = [element for element in workbook.iter() if _local(element.tag) == "sheet"]
    if not sheets:
        raise FileProblem("has no sheet")
    chosen = next((one for one in sheets if one.get("name", "").strip().casefold() == sheet_name), sheets[0])
    relation = chosen.get(_RELATION) or chosen.get(_RELATION_STRICT)
    relations = _tree(archive, "xl/_rels/workbook.xml.rels")
    targets = [one.get("Target", "") for one in relations if one.get("Id") == relation]
    if len(targets) != 1:
        raise FileProblem(_CORRUPT)
    return chosen.get("name", ""), posixpath.normpath(posixpath.join("/xl", targets[0])).lstrip("/")


def _tree(archive: zipfile.ZipFile, part: str) -> ElementTree.Element:
    """A part that lists sheets, parsed; these are small in every honest workbook."""
    if archive.getinfo(part).file_size > MAX_LIST:
        raise FileProblem(_CORRUPT)
    return ElementTree.fromstring(archive.read(part))


def _shared_lengths(archive: zipfile.ZipFile) -> list[int]:
    """Length of each text that cells share; empty where there are none."""
    lengths = _SharedLengths()
    # The reader of values goes by this name, in letters of any size, and not by the workbook's relations.
    for part in archive.namelist():
        if part.casefold() == "xl/sharedstrings.xml":
            with archive.open(part) as xml:
                _parse(xml, lengths)
    return lengths.found


class _SharedLengths:
    """Parser target that measures the texts of the list that cells share. Builds no tree."""

    def __init__(self) -> None:
        self.found: list[int] = []

    def start(self, tag: str, _attributes: dict[str, str]) -> None:
        if _local(tag) == "si":
            self.found.append(0)

    def data(self, text: str) -> None:
        if self.found:
            self.found[-1] += len(text)

    def close(self) -> None:
        """Nothing to hand over."""


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


class _SheetCheck:
    """Parser target that refuses what the reader of values would take amiss or for empty. Builds no tree."""

    def __init__(self, name: str, max_rows: int, shared: list[int]) -> None:
        self._name, self._max_rows, self._shared = name, max_rows, shared
        self._letters = self._filled = self._last_filled = 0
        self._row = self._column = self._last_row = self._last_column = 0
        self._cell: dict[str, str] = {}
        self._inside = ""
        self._formula = False
        self._value = ""

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        self._inside = _local(tag)
        if self._inside == "row":
            at = attributes.get("r", "")
            self._row = int(at) if _ROW.fullmatch(at) else self._row + 1
            self._column = 0
        elif self._inside == "c":
            self._cell, self._formula, self._value = attributes, False, ""
            self._place(attributes.get("r", ""))
        elif self._inside == "f":
            self._formula = True
        elif self._inside == "mergeCell":
            raise FileProblem(
                f"sheet '{self._name}' has merged cells ({attributes.get('ref')}), of which only the first holds a "
                "value; unmerge them and fill each row"
            )

    def _place(self, at: str) -> None:
        if position := _CELL.fullmatch(at.upper()):
            self._column, self._row = _column_number(position[1]), int(position[2])
        else:
            self._column += 1
        self._last_row = max(self._last_row, self._row)
        self._last_column = max(self._last_column, self._column)
        if self._last_row * self._last_column > MAX_GRID:
            raise FileProblem(
                f"sheet '{self._name}' reaches to cell {at}; delete the empty rows and columns around the schedule",
                f"{MAX_GRID:,} cells",
            )

    def data(self, text: str) -> None:
        self._count(len(text))
        if self._inside == "v":
            self._value += text

    def _count(self, letters: int) -> None:
        self._letters += letters
        if self._letters > MAX_TEXT:
            raise FileProblem(
                f"sheet '{self._name}' holds more than {MAX_TEXT / 1e6:g} million letters", f"{MAX_TEXT:,} letters"
            )

    def _count_row(self) -> None:
        """The rows with something in them, the header included, as `sheet.filled` counts them."""
        if self._row == self._last_filled:
            return
        self._filled, self._last_filled = self._filled + 1, self._row
        if self._filled > self._max_rows + 1:
            raise FileProblem(f"has more than {self._max_rows:,} rows", f"{self._max_rows:,} rows", self._row)

    def end(self, tag: str) -> None:
        self._inside = ""
        if _local(tag) != "c":
            return
        kind, at = self._cell.get("t"), self._cell.get("r", "")
        if kind == "e":
            raise FileProblem(f"cell {at} of sheet '{self._name}' holds the error {self._value}; put its value right")
        # a formula whose value is an empty text has the kind `str`; without a kind, nobody has worked it out yet
        if self._formula and not self._value and kind != "str":
            raise FileProblem(
                f"cell {at} of sheet '{self._name}' holds a formula without a value; open and save the file in the "
                "spreadsheet program, or type the value"
            )
        if kind == "s" and self._value.isdecimal() and len(self._value) < 10 and int(self._value) < len(self._shared):
            shared = self._shared[int(self._value)]
            self._count(shared)
            if shared:
                self._count_row()
        elif self._value and kind != "str":  # of a formula's text nobody knows here whether it is blank
            self._count_row()

    def close(self) -> None:
        """Nothing to hand over."""


def _parse(xml: IO[bytes], target: _SheetCheck | _SharedLengths) -> None:
    parser = ElementTree.XMLParser(target=target)
    while block := xml.read(1 << 20):
        parser.feed(block)
    parser.close()


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number


def _typed(value: object) -> str:
    """A value as text: whole numbers without a point, dates in ISO form, to the second."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return format(value, ".15g")
    if isinstance(value, datetime):
        # spreadsheets count days as a float, so that 07:30 may come a few microseconds early
        return (value + timedelta(microseconds=500_000)).replace(microsecond=0).isoformat(" ")
    if isinstance(value, date | time):
        return value.isoformat()
    return tidy(str(value))
