"""The manifest: which pages a study has, checked cell by cell before any work starts.

A row is one page and gives one record. Columns known here are in `COLUMNS`; every other column is the researcher's own
and is carried through to the tables. `read_manifest` finds *all* faults and raises `ManifestError` with the list.

Rows are counted as a spreadsheet shows them: the header is row 1, a cell may hold line breaks.
"""

from __future__ import annotations

import contextlib
import gc
import os
import posixpath
import re
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Any

from handwriting.batch.sheets import Fault, Rows, read_rows
from handwriting.errors import HandwritingError, ManifestError
from handwriting.task import Task, find_reached, read_task, read_text
from handwriting.typed import read_code, read_number

#: What each column means; those of the task are read exactly as the options of ``handwriting measure``.
COLUMNS = {
    "file": "Picture or PDF, from the manifest's folder (or --folder), with /; pages of one sheet with ' + ' between",
    "participant": "Code of the writer, never a name",
    "sample": "Name of the sample, no two alike; participant-occasion when the column is missing",
    "occasion": "Which occasion: a number or short word",
    "page": "Which page of a TIFF or PDF, from 1",
    "text": "The text to be copied: a text file, or the words themselves",
    "seconds": "Time taken, s",
    "letters": "Letters written, counted by hand",
    "reached": "Last word reached in the text; word#2 for its second place",
    "age": "Age as years:months",
    "grade": "School grade, 0 or K for the year before grade 1",
    "sex": "girl, boy, woman, man",
    "date": "Day of writing, year-month-day",
    "setting": "home, school, clinic, or a word of your own",
    "task": "near-copy, board-copy, memory, own-words, dictation",
    "instruction": "usual, best, fast",
    "paper": "Paper or ruling",
    "tool": "Pen or pencil",
    "hand": "right, left, both",
    "script": "joined, unjoined, mixed",
    "country": "Country of the school",
    "term": "School term",
    "effort": "The writer's own rating of effort, 0 to 10",
    "supervised": "Role of the person who sat by, never a name",
    "said": "The writer's own words about the writing",
    "minutes": "Words that ended each minute, by their numbers on the page, as 14,29",
    "dpi": "Resolution of the scan, dots to the inch, when the file does not say it",
    "rule_mm": "Distance from one writing line to the next, mm",
    "bar_mm": "What a ruler shows for a copying sheet's 100 mm bar, mm",
}
REQUIRED = ("file", "participant")
_TASK: tuple[str, ...] = (
    "age",
    "grade",
    "sex",
    "date",
    "setting",
    "task",
    "instruction",
    "paper",
    "tool",
    "hand",
    "script",
)
_TASK += ("country", "term", "effort", "seconds", "letters", "supervised", "said", "minutes")
_NUMBERS = {"dpi": (30.0, 4800.0, "dots to the inch"), "rule_mm": (2.0, 60.0, "mm"), "bar_mm": (50.0, 150.0, "mm")}
_SAMPLE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_OWN = re.compile(r"[^\W\d][\w .()/%-]{0,59}")
_DEVICES = {"con", "prn", "aux", "nul", *(f"{n}{i}" for n in ("com", "lpt") for i in range(1, 10))}
_TEXT_FILE = re.compile(r"\S*\.(txt|text|md)|\S*[/\\]\S*")
_DRIVE = re.compile(r"[A-Za-z]:")


@dataclass(frozen=True, slots=True)
class Sample:
    """One row: which page, what was asked, how to measure it, and the researcher's own cells.

    `files` are relative to the manifest's folder: one, or the pages of one copying sheet; `own` follows `Manifest.own`.
    """

    row: int
    name: str
    participant: str
    occasion: str
    files: tuple[str, ...]
    page: int
    task: Task
    dpi: float | None
    rule_mm: float | None
    bar_mm: float | None
    own: tuple[str, ...]

    @property
    def file(self) -> str:
        """The files as one cell."""
        return " + ".join(self.files)


@dataclass(frozen=True, slots=True)
class Manifest:
    """A checked manifest: its samples in order, the folder files are relative to, the researcher's own columns."""

    folder: Path
    own: tuple[str, ...]
    samples: tuple[Sample, ...]


def read_manifest(path: Path, *, folder: Path | None = None, reserved: frozenset[str] = frozenset()) -> Manifest:
    """Read and check a manifest.

    Parameters
    ----------
    path : Path
        CSV (UTF-8 or UTF-16; comma, semicolon, tab or bar between cells) or XLSX (first sheet).
    folder : Path, optional
        Where the files named are; the manifest's own folder when left out.
    reserved : set of str
        Names of columns the tables have already, not free for the researcher's own.

    Raises
    ------
    ManifestError
        With every fault found, each with row and column.
    FileNotReadableError
        The manifest itself cannot be read.
    """
    rows = read_rows(path)
    checker = _Checker(path.parent if folder is None else folder, reserved)
    with _no_collecting():
        samples = checker.check(rows)
    faults = sorted([*rows.faults, *checker.faults], key=lambda f: f.row)
    if faults:
        raise ManifestError(tuple(faults), where=path.name)
    return Manifest(checker.folder, tuple(checker.own), tuple(samples))


#: Fields of the task, and dpi, rule_mm and bar_mm.
_Asked = tuple[dict[str, Any], tuple[float | None, float | None, float | None]]


@contextlib.contextmanager
def _no_collecting() -> Iterator[None]:
    """Hold off the search for circles: among hundreds of thousands of new objects it finds none and takes a third."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


class _Checker:
    """Goes through the rows once, remembering what each cell's text came to, because cells repeat."""

    def __init__(self, folder: Path, reserved: frozenset[str]) -> None:
        self.folder, self.reserved = folder, reserved
        self.faults: list[Fault] = []
        self.own: list[str] = []
        self._known: dict[str, int] = {}
        self._extra: list[int] = []
        self._read: dict[tuple[str, str], Any] = {}
        self._listings: dict[str, dict[str, tuple[str, bool]] | None] = {}
        self._samples: dict[str, int] = {}
        self._pages: dict[tuple[str, int], int] = {}
        self._tasks: tuple[str, ...] = ()
        self._asking: tuple[str, ...] = ()
        self._same: dict[tuple[str, ...], tuple[_Asked, list[Fault]]] = {}

    def check(self, rows: Rows) -> list[Sample]:
        if not self._header(rows.header):
            return []
        samples = []
        number = 0
        for number, cells in rows.cells:
            before = len(self.faults)
            sample = self._row(number, cells, len(rows.header))
            if len(self.faults) == before:
                samples.append(sample)
        if not number and not rows.faults:
            self._fault(0, "", "there are no rows below the header", "Name one page in each row.")
        return samples

    def _fault(self, row: int, column: str, what: str, fix: str) -> None:
        self.faults.append(Fault(row, column, what, fix))

    def _header(self, header: list[str]) -> bool:
        """Sort the columns into known and own; True when rows can be read with it."""
        seen: dict[str, int] = {}
        for place, given in enumerate(header):
            name = re.sub(r"[\s-]+", "_", given.strip().casefold())
            if not name:
                if place < len(header) - 1 or len(header) == 1:
                    self._fault(1, f"no. {place + 1}", "the column has no name", "Give every column a name.")
                self._extra.append(place)
            elif name in seen:
                what = f"the name comes twice (columns {seen[name] + 1} and {place + 1})"
                self._fault(1, given.strip(), what, "Rename or remove one of them.")
            elif name in COLUMNS:
                self._known[name] = place
            else:
                self._extra.append(place)
                self.own.append(given.strip())
            seen.setdefault(name, place)
        self._extra = [p for p in self._extra if header[p].strip()]
        self._tasks = tuple(n for n in _TASK if n in self._known)
        self._asking = tuple(n for n in (*_TASK, *_NUMBERS, "text", "reached") if n in self._known)
        for name in REQUIRED:
            if name not in self._known:
                near = [o for o in self.own if get_close_matches(name, [o.casefold()], 1, 0.8)]
                fix = f"Is it the column {near[0]}?" if near else f"The columns found are: {', '.join(header)[:200]}"
                self._fault(1, name, "the column is missing", fix)
        for own in self.own:
            self._own_column(own)
        return all(name in self._known for name in REQUIRED)

    def _own_column(self, own: str) -> None:
        near = get_close_matches(own.casefold(), [c for c in COLUMNS if c not in self._known], 1, 0.84)
        if own.casefold() in self.reserved:
            self._fault(1, own, "the tables have a column of this name already", "Rename yours.")
        elif not _OWN.fullmatch(own):
            fix = "Start with a letter; use letters, digits, spaces and . _ - ( ) / %, up to 60."
            self._fault(1, own, "the name cannot be used for a column", fix)
        elif near and near[0] not in REQUIRED:
            fix = f"Write {near[0]} if you mean that, or choose a name that is less like it."
            self._fault(1, own, f"this is nearly the name of the column {near[0]}", fix)

    def _row(self, number: int, cells: list[str], width: int) -> Sample:
        if len(cells) > width and any(c.strip() for c in cells[width:]):
            fix = "Put quotes around cells that hold the character between cells, or add the missing column name."
            self._fault(number, "", f"the row has {len(cells)} cells, the header {width}", fix)
        if len(cells) < width:
            cells = cells + [""] * (width - len(cells))
        got = {name: cells[place].strip() for name, place in self._known.items()}
        for name, cell in got.items():
            if name != "text" and ("\n" in cell or "\r" in cell):
                self._fault(number, name, "the cell holds a line break", "Keep it on one line.")
                got[name] = " ".join(cell.split())
        participant = self._cell(number, "participant", got, read_code) or ""
        occasion = self._cell(number, "occasion", got, _occasion) or ""
        files, page = self._files(number, got)
        name = self._name(number, got, participant, occasion)
        fields, numbers = self._asked(number, got)
        task = Task(code=participant, **fields)
        return Sample(
            number, name, participant, occasion, files, page, task, *numbers, tuple(cells[p] for p in self._extra)
        )

    def _cell(self, row: int, column: str, got: dict[str, str], read: Callable[[str], Any]) -> Any:  # noqa: ANN401
        """Return what the cell comes to, None when it is empty or cannot be used (then with a fault)."""
        cell = got.get(column, "")
        if not cell:
            if column in REQUIRED:
                self._fault(row, column, "the cell is empty", "Fill it in.")
            return None
        value = self._come_to((column, cell), lambda: read(cell))
        if isinstance(value, HandwritingError):
            fix = "This looks like a formula of a spreadsheet: put its value here." if cell[0] == "=" else value.fix
            self._fault(row, column, value.what, fix)
            return None
        return value

    def _come_to(self, key: tuple[str, str], read: Callable[[], Any]) -> Any:  # noqa: ANN401
        if key not in self._read:
            try:
                self._read[key] = read()
            except HandwritingError as error:
                self._read[key] = error
        return self._read[key]

    def _asked(self, row: int, got: dict[str, str]) -> _Asked:
        """Return the fields of the task and the numbers of the page; rows that ask the same are read once."""
        key = tuple(got[name] for name in self._asking)
        if key not in self._same:
            before = len(self.faults)
            asked = self._read_asked(0, got)
            self._same[key] = asked, self.faults[before:]
            del self.faults[before:]
        asked, faults = self._same[key]
        self.faults += [Fault(row, *fault[1:]) for fault in faults]
        return asked

    def _read_asked(self, row: int, got: dict[str, str]) -> _Asked:
        fields = {}
        for column in self._tasks:
            attribute = "age_months" if column == "age" else column
            read = partial(_task_field, column, attribute)
            value = self._cell(row, column, got, read)
            if value is not None:
                fields[attribute] = value
        fields["text"] = self._cell(row, "text", got, self._text) or ""
        reached = got.get("reached")
        if reached and (fields["text"] or not got.get("text")):
            found = self._come_to((fields["text"], reached), lambda: find_reached(fields["text"], reached))
            if isinstance(found, HandwritingError):
                self._fault(row, "reached", found.what, found.fix)
            else:
                fields["reached"] = found
        dpi, rule_mm, bar_mm = (self._cell(row, name, got, partial(_number, name)) for name in _NUMBERS)
        return fields, (dpi, rule_mm, bar_mm)

    def _text(self, cell: str) -> str:
        if "\n" not in cell and len(cell) <= 255:
            path = self.folder / cell
            if path.is_file() or _TEXT_FILE.fullmatch(cell):
                return read_text(str(path))
        # A line end keeps a short text from being taken for the name of a file where the program happens to run.
        return read_text(f"{cell}\n").rstrip("\n")

    def _name(self, row: int, got: dict[str, str], participant: str, occasion: str) -> str:
        column = "sample" if "sample" in self._known else "occasion" if occasion else "participant"
        name = got.get("sample", "")
        if column == "sample" and not name:
            self._fault(row, column, "the cell is empty", "Give every sample a name, or take the column out.")
            return ""
        if column != "sample":
            name = f"{participant}-{occasion.replace(' ', '-')}" if occasion else participant
        if not name or (column != "sample" and not participant):
            return name  # the cell it would be made of has a fault of its own
        if not _SAMPLE.fullmatch(name) or name.casefold() in _DEVICES:
            fix = "Use 1 to 64 letters, digits, - or _, starting with a letter or digit."
            self._fault(row, column, f"'{name[:80]}' is not a name for a sample", fix)
            return name
        first = self._samples.setdefault(name.casefold(), row)
        if first != row:
            fix = "Give each row its own" + (
                " name." if column == "sample" else " participant and occasion, or sample."
            )
            self._fault(row, column, f"the sample {name} stands in row {first} already", fix)
        return name

    def _files(self, row: int, got: dict[str, str]) -> tuple[tuple[str, ...], int]:
        page = self._cell(row, "page", got, _page_number) or 1
        cells = got["file"].split(" + ")
        if len(cells) > 1 and got.get("page"):
            self._fault(row, "page", "several files have a page chosen", "Leave the cell empty.")
        return tuple(self._file(row, cell.strip(), page) for cell in cells), page

    def _file(self, row: int, cell: str, page: int) -> str:
        if not cell:
            self._fault(row, "file", "the cell is empty", "Name the picture or PDF.")
            return ""
        found = _not_portable(cell) or self._on_disk(cell)
        if isinstance(found, tuple):
            self._fault(row, "file", *found)
            return ""
        if (found, page) in self._pages:
            first = self._pages[found, page]
            self._fault(row, "file", f"the same page stands in row {first} already", "Take one of them out.")
        self._pages.setdefault((found, page), row)
        return found

    def _on_disk(self, cell: str) -> str | tuple[str, str]:
        """Return the file's name as it is on the disk, or what is wrong with it and how to mend that."""
        parent, name = posixpath.split(posixpath.normpath(unicodedata.normalize("NFC", cell)))
        if parent not in self._listings:
            self._listings[parent] = _listing(self.folder / parent)
        listing = self._listings[parent]
        if listing is None:
            return f"there is no folder {parent}", "Check the spelling and the folder."
        entry = listing.get(name)
        if entry is None:
            other = listing.get(f"/{name.casefold()}")
            fix = f"Did you mean {other[0]}? Capitals matter." if other else "Check the spelling and the folder."
            return "there is no such file", fix
        if not entry[1]:
            return "this is a folder, not a file", "Name one picture or PDF in it."
        return posixpath.join(parent, entry[0])


def _listing(folder: Path) -> dict[str, tuple[str, bool]] | None:
    try:
        with os.scandir(folder) as entries:
            found = {unicodedata.normalize("NFC", e.name): (e.name, not e.is_dir()) for e in entries}
    except (OSError, ValueError):
        return None
    # Beside each name its small letters behind a slash, which no name can hold, for "did you mean".
    return {**{f"/{name.casefold()}": entry for name, entry in found.items()}, **found}


def _not_portable(cell: str) -> tuple[str, str] | None:
    """Tell what keeps a path from meaning the same on another machine."""
    fix = "Write it from the manifest's folder, with /, such as scans/P07.png; or name the folder with --folder."
    if "://" in cell:
        return "this is an address, not a file", "Copy the file to this computer."
    if _DRIVE.match(cell) or cell.startswith("\\\\"):
        return "this is a path of one Windows computer", fix
    if "\\" in cell:
        return "this path is written with \\", fix
    if cell.startswith(("/", "~")):
        return "this is a path of one computer", fix
    if cell[0] in "=+@":
        return "this looks like a formula of a spreadsheet", "Put its value here."
    return None


def _task_field(column: str, attribute: str, cell: str) -> Any:  # noqa: ANN401 - a task's fields are of several kinds
    return getattr(read_task(**{column: cell}), attribute)  # type: ignore[arg-type]


def _number(name: str, cell: str) -> float:
    return read_number(cell, name, *_NUMBERS[name])


def _occasion(cell: str) -> str:
    return read_task(term=cell).term


def _page_number(cell: str) -> int:
    value = read_number(cell, "page", 1, 100_000, "")
    if value != int(value):
        return int(read_number("none", "page", 1, 100_000, ""))
    return int(value)
