"""Rows of cells out of what spreadsheets write: CSV in its many dialects, and XLSX.

`read_rows` never guesses silently: what cannot be told (bytes that are not UTF-8, a quote that is not closed) becomes
a `Fault` with its row, and reading goes on behind it.

Source: RFC 4180 (cells, quotes, line breaks in cells); XLSX is read by `xlsx`.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
import zlib
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

from handwriting.batch.faults import Fault
from handwriting.errors import FileNotReadableError

_DELIMITERS = ",;\t|"
_LARGEST = 1024**3
_LONE = re.compile("[\ud800-\udfff]")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


@dataclass(slots=True)
class Rows:
    """The header and the numbered rows below it that are not blank; `faults` fills while they are taken."""

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
    lines = _Lines(_decoded(raw, faults))
    first = lines.first()
    if first.lower().startswith("sep=") and len(first.rstrip("\r\n")) == 5:
        delimiter = first[4]
        next(lines)
    else:
        delimiter = _delimiter(first)
    records = _records(lines, delimiter, faults)
    _, header = next(records, (1, [""]))
    return Rows(header, _tidy(records, faults, len(header), lines), faults)


def _decoded(raw: bytes, faults: list[Fault]) -> Iterable[str]:
    """Return the lines; bytes that are not of the encoding stay as lone surrogates and are told of cell by cell."""
    if raw[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        try:
            return io.StringIO(raw.decode("utf-16"), newline="")
        except UnicodeDecodeError:
            faults.append(Fault(0, "", "the file is not whole UTF-16", "Save it as CSV UTF-8."))
            return io.StringIO(raw.decode("utf-16", "replace"), newline="")
    if raw[:64].count(0) > 8:
        faults.append(Fault(0, "", "the file is UTF-16 without its mark, or no text at all", "Save it as CSV UTF-8."))
        return io.StringIO(raw.decode("utf-16-be" if raw[:1] == b"\0" else "utf-16-le", "replace"), newline="")
    # Piece by piece: a million lines as text take several times the room of the bytes.
    return io.TextIOWrapper(io.BytesIO(raw), "utf-8-sig", "surrogateescape", newline="")


class _Lines:
    """Lines of a file, split at line ends alone; those behind the last whole record can be had again.

    (`str.splitlines` takes many other characters for line ends.)
    """

    def __init__(self, source: Iterable[str]) -> None:
        self._source = iter(source)
        self._again: deque[str] = deque()
        self._taken: list[str] = []
        #: Whether the last line of the file has an end.
        self.ended = True

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self._again.popleft() if self._again else next(self._source, "")
        if not line:
            raise StopIteration
        if line[-1] not in "\r\n":
            self.ended = False
        self._taken.append(line)
        return line

    def first(self) -> str:
        """Return the next line without taking it."""
        line = next(self, "")
        self._taken.clear()
        self._again.append(line)
        return line

    def settle(self) -> None:
        """Note that the lines taken so far made whole records."""
        self._taken.clear()

    def step_back(self) -> None:
        """Give back the lines taken, except for the first of them."""
        self._again.extendleft(reversed(self._taken[1:]))
        self._taken.clear()


def _delimiter(header: str) -> str:
    bare = header.split('"')[::2]  # outside quotes
    counts = {d: sum(part.count(d) for part in bare) for d in _DELIMITERS}
    best = max(counts, key=lambda d: counts[d])
    return best if counts[best] else ","


def _records(lines: _Lines, delimiter: str, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    """Return records with their numbers; after a record with broken quotes go on with the line behind its first."""
    csv.field_size_limit(1_000_000)
    row, more = 0, True
    while more:
        try:
            for record in csv.reader(lines, delimiter=delimiter, strict=True):
                row += 1
                lines.settle()
                yield row, record
            more = False
        except csv.Error as error:
            row += 1
            quote = "a quote is opened and not closed, or stands in the middle of a cell"
            what = quote if "'" in str(error) or "unexpected end" in str(error) else "a cell is longer than a million"
            faults.append(Fault(row, "", what, 'Close it, or write quotes inside a cell twice ("").'))
            lines.step_back()


def _tidy(
    records: Iterator[tuple[int, list[str]]], faults: list[Fault], width: int, lines: _Lines | None
) -> Iterator[tuple[int, list[str]]]:
    """Leave out blank rows, tell of characters that are none, and of a last row that breaks off."""
    row, record = 0, [""] * width
    for row, record in records:
        joined = "".join(record)
        if not joined or joined.isspace():
            continue
        if not joined.isprintable():
            _characters(row, record, faults)
        yield row, record
    if lines and not lines.ended and 0 < len(record) < width:
        faults.append(Fault(row, "", "the last row breaks off", "Save or copy the whole file again."))


def _characters(row: int, record: list[str], faults: list[Fault]) -> None:
    for place, cell in enumerate(record, start=1):
        if _LONE.search(cell):
            faults.append(Fault(row, f"no. {place}", "the cell is not UTF-8", "Save the file as CSV UTF-8."))
        elif _CONTROL.search(cell):
            faults.append(Fault(row, f"no. {place}", "the cell holds control characters", "Type it again."))


# --- XLSX ---------------------------------------------------------------------------------------------------------


def _xlsx(raw: bytes, where: str) -> Rows:
    # Looked for only here: most manifests are CSV.
    from handwriting.batch import xlsx

    def rows() -> Iterator[xlsx.Row]:
        try:
            with zipfile.ZipFile(io.BytesIO(raw)) as packed:
                if sum(entry.file_size for entry in packed.infolist()) > _LARGEST:
                    raise FileNotReadableError("is too large", where=where, fix="Save the rows as CSV UTF-8.")
                yield from xlsx.read_rows(packed)
        except (zipfile.BadZipFile, zlib.error, KeyError, ValueError, IndexError, SyntaxError, OSError) as error:
            fix = "Open it in a spreadsheet and save it as XLSX again, or as CSV UTF-8."
            raise FileNotReadableError("is not a whole XLSX file", where=where, fix=fix) from error

    faults: list[Fault] = []
    values = rows()
    number, first = next(values, (1, [""]))
    if number > 1:
        values, first = chain([(number, first)], values), []
    header = [_shown(v, "") for v in first]
    while header and not header[-1]:
        header.pop()
    ages = [i for i, name in enumerate(header) if name.strip().casefold() == "age"]
    records = (
        (row, [v if type(v) is str else _shown(v, "age" if i in ages else "") for i, v in enumerate(cells)])
        for row, cells in values
    )
    return Rows(header or [""], _tidy(records, faults, 0, None), faults)


def _shown(value: object, column: str) -> str:
    """Return a cell as a person would have typed it; spreadsheets turn 9:4 into a time of day."""
    if value is None or isinstance(value, bool):
        return "" if value is None else str(value).upper()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if column == "age":
        if isinstance(value, dt.time):
            return f"{value.hour}:{value.minute}"
        if isinstance(value, dt.timedelta):
            minutes = round(value.total_seconds() / 60)
            return f"{minutes // 60}:{minutes % 60}"
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(sep=" ")
    return str(value)
