"""Rows of cells out of what spreadsheets write: CSV in its many dialects, and XLSX.

`read_rows` never guesses silently: what cannot be told (bytes that are not UTF-8, a quote that is not closed) becomes
a `Fault` with its row, and reading goes on behind it.

Sources: RFC 4180 (cells, quotes, line breaks in cells); ECMA-376 for XLSX, read by openpyxl.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from handwriting.errors import FileNotReadableError

_DELIMITERS = ",;\t|"
_LARGEST = 1024**3


class Fault(NamedTuple):
    """One fault of a manifest: row as a spreadsheet counts (0: the whole file), column, what is wrong, its remedy."""

    row: int
    column: str
    what: str
    fix: str

    def __str__(self) -> str:
        """One sentence."""
        place = f"row {self.row}" if self.row else "the file"
        column = f", column {self.column}" if self.column else ""
        return f"{place}{column}: {self.what}. {self.fix}"


@dataclass(slots=True)
class Rows:
    """The header and the numbered rows below it that are not blank; `faults` is complete once all were taken."""

    header: list[str]
    cells: Iterator[tuple[int, list[str]]]
    faults: list[Fault] = field(default_factory=list)


def read_rows(path: Path) -> Rows:
    """Read a table's cells as text.

    Raises
    ------
    FileNotReadableError
        The file is missing, empty, a folder, or no table.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise FileNotReadableError(f"cannot be read ({reason})", where=path.name, fix="Check the name.") from error
    if not raw.strip():
        raise FileNotReadableError("is empty", where=path.name, fix="Name one page in each row below a header.")
    if raw[:4] == b"\xd0\xcf\x11\xe0":
        fix = "Save it as XLSX without a password, or as CSV UTF-8."
        raise FileNotReadableError("is an old XLS file or has a password", where=path.name, fix=fix)
    if raw[:4] == b"PK\x03\x04":
        return _xlsx(raw, path.name)
    return _csv(raw)


# --- CSV ----------------------------------------------------------------------------------------------------------


def _csv(raw: bytes) -> Rows:
    faults: list[Fault] = []
    lines = _lines(_decode(raw, faults))
    if lines and lines[0].lower().startswith("sep=") and len(lines[0].rstrip("\r\n")) == 5:
        delimiter, lines = lines[0][4], lines[1:]
    else:
        delimiter = _delimiter(lines[0] if lines else "")
    records = _records(lines, delimiter, faults)
    _, header = next(records, (1, [""]))
    return Rows(header, _tidy(records, faults, len(header), cut=bool(lines) and lines[-1][-1:] not in "\r\n"), faults)


def _decode(raw: bytes, faults: list[Fault]) -> str:
    """Return the text; bytes that are not of the encoding stay as lone surrogates and are told of cell by cell."""
    if raw[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        try:
            return raw.decode("utf-16")
        except UnicodeDecodeError:
            faults.append(Fault(0, "", "the file is not whole UTF-16", "Save it as CSV UTF-8."))
            return raw.decode("utf-16", "replace")
    if raw[:64].count(0) > 8:
        faults.append(Fault(0, "", "the file is UTF-16 without its mark, or no text at all", "Save it as CSV UTF-8."))
        return raw.decode("utf-16-be" if raw[:1] == b"\0" else "utf-16-le", "replace")
    return raw.decode("utf-8-sig", "surrogateescape")


def _lines(text: str) -> list[str]:
    """Split at line ends alone (not at the many other characters `str.splitlines` takes for one)."""
    return list(io.StringIO(text, newline=""))


def _delimiter(header: str) -> str:
    bare = header.split('"')[::2]  # outside quotes
    counts = {d: sum(part.count(d) for part in bare) for d in _DELIMITERS}
    best = max(counts, key=lambda d: counts[d])
    return best if counts[best] else ","


def _records(lines: list[str], delimiter: str, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    """Return records with their numbers; after a record with broken quotes go on with the line behind its first."""
    csv.field_size_limit(1_000_000)
    row, start = 0, 0
    while start < len(lines):
        reader = csv.reader((lines[i] for i in range(start, len(lines))), delimiter=delimiter, strict=True)
        used = 0
        try:
            for record in reader:
                row += 1
                yield row, record
                used = reader.line_num
            start = len(lines)
        except csv.Error as error:
            row += 1
            quote = "a quote is opened and not closed, or stands in the middle of a cell"
            what = quote if "'" in str(error) or "unexpected end" in str(error) else "a cell is longer than a million"
            faults.append(Fault(row, "", what, 'Close it, or write quotes inside a cell twice ("").'))
            start += used + 1


def _tidy(
    records: Iterator[tuple[int, list[str]]], faults: list[Fault], width: int, *, cut: bool
) -> Iterator[tuple[int, list[str]]]:
    """Leave out blank rows, tell of characters that are none, and of a last row that breaks off."""
    last: tuple[int, list[str]] | None = None
    for row, record in records:
        last = (row, record)
        if not any(cell.strip() for cell in record):
            continue
        if not "".join(record).isprintable():
            _characters(row, record, faults)
        yield row, record
    if cut and last and 0 < len(last[1]) < width:
        faults.append(Fault(last[0], "", "the last row breaks off", "Save or copy the whole file again."))


def _characters(row: int, record: list[str], faults: list[Fault]) -> None:
    for place, cell in enumerate(record, start=1):
        if any("\ud800" <= c <= "\udfff" for c in cell):
            faults.append(Fault(row, f"no. {place}", "the cell is not UTF-8", "Save the file as CSV UTF-8."))
        elif any((c < " " and c not in "\t\r\n") or c == "\x7f" for c in cell):
            faults.append(Fault(row, f"no. {place}", "the cell holds control characters", "Type it again."))


# --- XLSX ---------------------------------------------------------------------------------------------------------


def _xlsx(raw: bytes, where: str) -> Rows:
    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            if sum(entry.file_size for entry in packed.infolist()) > _LARGEST:
                raise FileNotReadableError("is too large", where=where, fix="Save the rows as CSV UTF-8.")
        book = load_workbook(io.BytesIO(raw), read_only=True, data_only=True)
        sheet = book.worksheets[0]
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError, IndexError, SyntaxError, OSError) as error:
        fix = "Open it in a spreadsheet and save it as XLSX again, or as CSV UTF-8."
        raise FileNotReadableError("is not a whole XLSX file", where=where, fix=fix) from error
    faults: list[Fault] = []
    sheet.reset_dimensions()
    values = enumerate(sheet.iter_rows(values_only=True), start=1)
    first = next(values, (1, ()))[1]
    header = [_shown(v, "") for v in first]
    while header and not header[-1]:
        header.pop()
    records = (
        (row, [_shown(v, header[i] if i < len(header) else "") for i, v in enumerate(cells)]) for row, cells in values
    )
    return Rows(header or [""], _tidy(records, faults, 0, cut=False), faults)


def _shown(value: object, column: str) -> str:
    """Return a cell as a person would have typed it; spreadsheets turn 9:4 into a time of day."""
    if value is None or isinstance(value, bool):
        return "" if value is None else str(value).upper()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if column.strip().casefold() == "age":
        if isinstance(value, dt.time):
            return f"{value.hour}:{value.minute}"
        if isinstance(value, dt.timedelta):
            minutes = round(value.total_seconds() / 60)
            return f"{minutes // 60}:{minutes % 60}"
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(sep=" ")
    return str(value)
