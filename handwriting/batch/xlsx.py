"""Rows of the first sheet of an XLSX file, a piece at a time.

Only cell values are read (of formulas the value last worked out), by an event parser straight from the packed file.
openpyxl makes an object for every cell: a manifest of 100,000 rows takes it 12 s. python-calamine is quicker than both,
but gives an empty cell for an error (#REF!), which would pass for a value left out. What counts as a date is left to
openpyxl, and the tests hold every kind of cell to what openpyxl reads.

Source: ECMA-376 part 1, 18.3.1.4 (cells), 18.18.11 (their types), 18.4.8 (shared strings), 18.8.30 (number formats),
22.9.2.19 (characters written as _xHHHH_); known from memory and by what spreadsheets write.
"""

from __future__ import annotations

import contextlib
import posixpath
import re
import zipfile
from collections.abc import Callable, Iterator
from typing import IO, Any
from xml.etree import ElementTree
from xml.parsers import expat

from openpyxl.styles.numbers import BUILTIN_FORMATS, is_date_format, is_timedelta_format
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH, from_excel

_PIECE = 1 << 18
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_STRICT_RELATION = "{http://purl.oclc.org/ooxml/officeDocument/relationships}id"

Row = tuple[int, list[Any]]


def read_rows(packed: zipfile.ZipFile) -> Iterator[Row]:
    """Yield the rows that the sheet holds, each with its number from 1 and the values of its cells.

    Values are text, numbers, truth values, dates, times, or None for an empty cell; a row ends with its last cell.

    Raises
    ------
    ValueError, KeyError, SyntaxError, zipfile.BadZipFile, OSError
        The file is not a whole XLSX file.
    """
    book = _tree(packed, "xl/workbook.xml")
    sheet = _first_sheet(packed, book)
    properties = book.find("{*}workbookPr")
    old = properties is not None and properties.get("date1904") in {"1", "true"}
    convert = _converters(packed, MAC_EPOCH if old else WINDOWS_EPOCH)
    shared: list[str] = []
    if "xl/sharedStrings.xml" in packed.namelist():
        with packed.open("xl/sharedStrings.xml") as source:
            shared = [text for texts in _pieces(source, _Strings()) for text in texts]
    with packed.open(sheet) as source:
        for rows in _pieces(source, _Cells(shared, convert)):
            yield from rows


def _tree(packed: zipfile.ZipFile, name: str) -> ElementTree.Element:
    content = packed.read(name)
    if b"<!DOCTYPE" in content:
        _no_declaration()
    return ElementTree.fromstring(content)


def _no_declaration(*_: object) -> None:
    raise ValueError("a document type declaration has no place in a workbook")


def _first_sheet(packed: zipfile.ZipFile, book: ElementTree.Element) -> str:
    """Return the name of the first sheet's part."""
    first = book.find("{*}sheets/{*}sheet")
    if first is None:
        raise ValueError("the workbook has no sheet")
    wanted = first.get(_RELATION) or first.get(_STRICT_RELATION)
    for relation in _tree(packed, "xl/_rels/workbook.xml.rels"):
        if relation.get("Id") == wanted:
            return posixpath.normpath(posixpath.join("/xl", relation.get("Target", ""))).lstrip("/")
    raise KeyError(wanted)


def _converters(packed: zipfile.ZipFile, epoch: Any) -> dict[str, Callable[[float], Any]]:  # noqa: ANN401
    """Return what makes a date or time of a number, by the cell's style."""
    if "xl/styles.xml" not in packed.namelist():
        return {}
    styles = _tree(packed, "xl/styles.xml")
    formats = {f.get("numFmtId"): f.get("formatCode") for f in styles.iterfind("{*}numFmts/{*}numFmt")}
    found: dict[str, Callable[[float], Any]] = {}
    for place, style in enumerate(styles.iterfind("{*}cellXfs/{*}xf")):
        number = style.get("numFmtId", "0")
        form = formats.get(number) or BUILTIN_FORMATS.get(int(number))
        if is_date_format(form):
            spans = is_timedelta_format(form)
            found[str(place)] = lambda value, spans=spans: from_excel(value, epoch, timedelta=spans)  # type: ignore[misc]
    return found


def _pieces(source: IO[bytes], taker: _Taker) -> Iterator[list[Any]]:
    """Parse piece by piece and yield what each has brought."""
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartDoctypeDeclHandler = _no_declaration
    parser.StartElementHandler, parser.EndElementHandler = taker.start, taker.end
    parser.CharacterDataHandler = taker.text.append
    try:
        while piece := source.read(_PIECE):
            parser.Parse(piece, False)
            yield taker.found
            taker.found.clear()
        parser.Parse(b"", True)
        yield taker.found
    except expat.ExpatError as error:
        raise SyntaxError(str(error)) from error


class _Kinds(dict[str, str]):
    """Names of elements without their namespace, of which there are two (transitional and strict)."""

    def __missing__(self, name: str) -> str:
        kind = name.rpartition(" ")[2]
        if len(self) < 200:
            self[name] = kind
        return kind


_KINDS = _Kinds()


class _Taker:
    """Told of elements; `found` gathers what they came to."""

    def __init__(self) -> None:
        self.text: list[str] = []
        self.found: list[Any] = []

    def start(self, name: str, attributes: dict[str, str]) -> None:
        raise NotImplementedError

    def end(self, name: str) -> None:
        raise NotImplementedError


def _plain(text: str) -> str:
    return _ESCAPED.sub(lambda match: chr(int(match[1], 16)), text) if "_x" in text else text


class _Strings(_Taker):
    """Shared strings: runs of differently written letters put together, reading aids left out."""

    def __init__(self) -> None:
        super().__init__()
        self._aid = False
        self._kept: list[str] = []

    def start(self, name: str, attributes: dict[str, str]) -> None:
        kind = _KINDS[name]
        if kind == "rPh":
            self._aid = True
        self.text.clear()

    def end(self, name: str) -> None:
        kind = _KINDS[name]
        if kind == "t" and not self._aid:
            self._kept += self.text
        elif kind == "rPh":
            self._aid = False
        elif kind == "si":
            self.found.append(_plain("".join(self._kept)))
            self._kept.clear()
        self.text.clear()


class _Cells(_Taker):
    """Rows of cells."""

    def __init__(self, shared: list[str], convert: dict[str, Callable[[float], Any]]) -> None:
        super().__init__()
        self._shared, self._convert = shared, convert
        self._row, self._cells = 0, list[Any]()
        self._columns: dict[str, int] = {}
        self._kind, self._style, self._place, self._aid = "n", "", 0, False
        self._value: list[str] = []

    def start(self, name: str, attributes: dict[str, str]) -> None:
        kind = _KINDS[name]
        if kind == "c":
            self._kind, self._style = attributes.get("t", "n"), attributes.get("s", "")
            where = attributes.get("r")
            self._place = self._column(where) if where else len(self._cells)
            self._value.clear()
        elif kind == "row":
            self._row = int(attributes.get("r", self._row + 1))
            self._cells = []
        elif kind == "rPh":
            self._aid = True
        self.text.clear()

    def end(self, name: str) -> None:
        kind = _KINDS[name]
        if kind == "v" or (kind == "t" and not self._aid):
            self._value += self.text
        elif kind == "c":
            cells = self._cells
            cells += [None] * (self._place - len(cells))
            cells.append(self._read("".join(self._value)) if self._value else None)
        elif kind == "row":
            self.found.append((self._row, self._cells))
        elif kind == "rPh":
            self._aid = False
        self.text.clear()

    def _column(self, where: str) -> int:
        """Return the column of a place such as AB12, from 0."""
        letters = where.rstrip("0123456789")
        if letters not in self._columns:
            number = 0
            for letter in letters:
                number = number * 26 + ord(letter) - ord("A") + 1
            if not 1 <= number <= 16_384:
                raise ValueError(f"there is no column {letters[:8]}")
            self._columns[letters] = number - 1
        return self._columns[letters]

    def _read(self, text: str) -> Any:  # noqa: ANN401 - cells are of several kinds
        kind = self._kind
        if kind == "s":
            return self._shared[int(text)]
        if kind == "n":
            number = float(text)
            with contextlib.suppress(
                OverflowError, ValueError
            ):  # no day of any calendar: the number itself is looked at
                return self._convert[self._style](number) if self._style in self._convert else number
            return number
        return text == "1" if kind == "b" else _plain(text)
