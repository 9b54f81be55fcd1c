"""The manifest: which pages a study has, checked cell by cell before any work starts.

A row is one page and gives one record. Columns known here are in `COLUMNS`; every other column is the researcher's own
and is carried through to the tables. `read_manifest` finds *all* faults and raises `ManifestError` with the list.

Rows are counted as a spreadsheet shows them: the header is row 1, a cell may hold line breaks. Some thousand are
checked at a time, column by column, and what a cell came to is remembered, because cells repeat and there may be a
million rows.
"""

from __future__ import annotations

import contextlib
import gc
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import partial
from itertools import islice, repeat
from operator import itemgetter
from pathlib import Path
from typing import Any, NamedTuple

from handwriting.batch.faults import Fault, Faults
from handwriting.batch.files import Files, Wrong
from handwriting.batch.sheets import Rows, read_rows
from handwriting.errors import HandwritingError
from handwriting.task import Task, Word, find_reached, read_task, read_text
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
_ROWS_AT_ONCE = 4096
_REMEMBERED = 20_000


class Sample(NamedTuple):
    """One row: which page, what was asked, how to measure it, and the researcher's own cells.

    `files` are relative to the manifest's folder: one, or the pages of one copying sheet; `asked` is the task without
    the participant, one object for rows that ask the same; `own` follows `Manifest.own`. A tuple, because there may be
    a million.
    """

    row: int
    name: str
    participant: str
    occasion: str
    files: tuple[str, ...]
    page: int
    asked: Task
    dpi: float | None
    rule_mm: float | None
    bar_mm: float | None
    own: tuple[str, ...]

    @property
    def task(self) -> Task:
        """What was asked of this participant."""
        return replace(self.asked, code=self.participant)

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


def read_manifest(
    path: Path,
    *,
    folder: Path | None = None,
    reserved: frozenset[str] = frozenset(),
    listing: Path | None = None,
    first: int = 40,
) -> Manifest:
    """Read and check a manifest.

    Parameters
    ----------
    path : Path
        CSV (UTF-8 or UTF-16; comma, semicolon, tab or bar between cells) or XLSX (first sheet).
    folder : Path, optional
        Where the files named are; the manifest's own folder when left out.
    reserved : set of str
        Names of columns the tables have already, not free for the researcher's own.
    listing : Path, optional
        File for the whole list of faults when there are more than `first`; the error then holds only those.
    first : int
        See `listing`.

    Raises
    ------
    ManifestError
        With every fault found, each with row and column.
    FileNotReadableError
        The manifest itself cannot be read.
    """
    rows = read_rows(path)
    with Faults(listing, first) as faults, _no_collecting():
        checker = _Checker(path.parent if folder is None else folder, reserved, faults)
        samples = checker.check(rows)
        faults.refuse(path.name)
    return Manifest(checker.folder, tuple(checker.own), samples)


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


class _Column(dict[Any, Any]):
    """What the cells of a column come to: a value, None for an empty cell, or `Wrong`. Each is read when first met."""

    def __init__(self, read: Callable[[Any], Any], empty: Wrong | None = None) -> None:
        super().__init__({"": empty})
        self._read, self._empty = read, empty

    def __missing__(self, cell: Any) -> Any:  # noqa: ANN401 - mostly text, for the word reached with its passage
        try:
            value = self._read(cell)
        except HandwritingError as error:
            formula = "This looks like a formula of a spreadsheet: put its value here."
            value = Wrong(error.what, formula if cell[0] == "=" else error.fix)
        if len(self) >= _REMEMBERED:
            self.clear()
            self[""] = self._empty
        self[cell] = value
        return value


class _Checker:
    """Goes through the rows once."""

    def __init__(self, folder: Path, reserved: frozenset[str], faults: Faults) -> None:
        self.folder, self._reserved, self._all = folder, reserved, faults
        self.own: list[str] = []
        self._known: dict[str, int] = {}
        self._extra: list[int] = []
        self._fields: list[str] = []
        self._columns: dict[str, _Column] = {}
        self._files = Files(folder)
        self._names: dict[str, int] = {}
        self._pages: dict[Any, int] = {}
        # Of the block at hand: its faults, the numbers of its rows, and the cells of each column, stripped.
        self._found: list[Fault] = []
        self._rows: Sequence[int] = ()
        self._got: dict[str, list[str]] = {}

    def check(self, rows: Rows) -> tuple[Sample, ...]:
        """Return the samples; none when there are faults."""
        readable = self._header(rows.header)
        self._hand_over(rows)
        if not readable:
            return ()
        samples: list[Sample] = []
        any_rows = False
        while block := list(islice(rows.cells, _ROWS_AT_ONCE)):
            any_rows = True
            checked = self._block(block, len(rows.header))
            self._hand_over(rows)
            if self._all.count:
                samples.clear()
            else:
                samples += checked
        if not any_rows and not rows.faults:
            self._fault(0, "", "there are no rows below the header", "Name one page in each row.")
        self._hand_over(rows)
        return tuple(samples)

    def _fault(self, row: int, column: str, what: str, fix: str) -> None:
        self._found.append(Fault(row, column, what, fix))

    def _hand_over(self, rows: Rows) -> None:
        """Pass on the faults found, those of the rows as such and those of cells, in the order of the rows."""
        self._all.add(sorted([*rows.faults, *self._found], key=itemgetter(0)))
        rows.faults.clear()
        self._found.clear()

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
        self._fields = [name for name in (*_TASK, "text", "reached") if name in self._known]
        attributes = ["age_months" if name == "age" else name for name in self._fields]
        self._columns = {name: _Column(self._reader(name)) for name in self._known}
        self._columns["participant"] = _Column(read_code, Wrong("the cell is empty", "Fill it in."))
        self._tasks = _Column(partial(_task, attributes))
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
        if own.casefold() in self._reserved:
            self._fault(1, own, "the tables have a column of this name already", "Rename yours.")
        elif not _OWN.fullmatch(own):
            fix = "Start with a letter; use letters, digits, spaces and . _ - ( ) / %, up to 60."
            self._fault(1, own, "the name cannot be used for a column", fix)
        elif near and near[0] not in REQUIRED:
            fix = f"Write {near[0]} if you mean that, or choose a name that is less like it."
            self._fault(1, own, f"this is nearly the name of the column {near[0]}", fix)

    def _reader(self, column: str) -> Callable[[Any], Any]:
        """Return what reads a cell of a column."""
        if column in _NUMBERS:
            return partial(_number, column)
        others: dict[str, Callable[[Any], Any]] = {
            "text": self._text,
            "reached": _reached,
            "occasion": _occasion,
            "page": _page_number,
        }
        return others.get(column) or partial(_task_field, column, "age_months" if column == "age" else column)

    def _block(self, block: list[tuple[int, list[str]]], width: int) -> Iterable[Sample]:
        """Check some rows; what is returned counts only when none of them has a fault."""
        self._rows = [row for row, _ in block]
        raw = list(zip(*(self._fitted(row, c, width) if len(c) != width else c for row, c in block), strict=True))
        self._got = {name: self._stripped(name, raw[place]) for name, place in self._known.items()}
        participants = self._values("participant")
        occasions = [o or "" for o in self._values("occasion")]
        pages = [page or 1 for page in self._values("page")]
        files = self._files_of(pages)
        names = self._names_of([p or "" for p in participants], occasions)
        values = {name: self._values(name) for name in self._fields if name != "reached"}
        if "reached" in self._known:
            values["reached"] = self._words_reached(values.get("text"))
        numbers = [self._values(name) for name in _NUMBERS]
        if self._found or self._all.count:
            return ()
        asked = map(self._tasks.__getitem__, zip(*values.values(), strict=True)) if values else repeat(self._tasks[()])
        own = zip(*(raw[p] for p in self._extra), strict=True) if self._extra else repeat(())
        columns = zip(self._rows, names, participants, occasions, files, pages, asked, *numbers, own, strict=False)
        return map(Sample._make, columns)

    def _fitted(self, row: int, cells: list[str], width: int) -> list[str]:
        """Return as many cells as the header has."""
        if len(cells) > width and any(c.strip() for c in cells[width:]):
            fix = "Put quotes around cells that hold the character between cells, or add the missing column name."
            self._fault(row, "", f"the row has {len(cells)} cells, the header {width}", fix)
        return cells[:width] + [""] * (width - len(cells))

    def _stripped(self, name: str, cells: Sequence[str]) -> list[str]:
        bare = [cell.strip() for cell in cells]
        together = "" if name == "text" else "".join(bare)
        if "\n" in together or "\r" in together:
            for i, cell in enumerate(bare):
                if "\n" in cell or "\r" in cell:
                    self._fault(self._rows[i], name, "the cell holds a line break", "Keep it on one line.")
                    bare[i] = " ".join(cell.split())
        return bare

    def _values(self, column: str, keys: Sequence[Any] | None = None) -> list[Any]:
        """Return what each cell of a column comes to; None where it is empty or has a fault."""
        cells = self._got.get(column) if keys is None else keys
        if cells is None:
            return [None] * len(self._rows)
        values = list(map(self._columns[column].__getitem__, cells))
        for i, value in enumerate(values):
            if type(value) is Wrong:
                self._fault(self._rows[i], column, *value)
                values[i] = None
        return values

    def _words_reached(self, texts: list[str | None] | None) -> list[Any]:
        """Find the last words reached, except in texts that have a fault of their own."""
        none = [""] * len(self._rows)
        rows = zip(self._got["reached"], texts or none, self._got.get("text", none), strict=True)
        return self._values("reached", [(text or "", w) if w and (text or not cell) else "" for w, text, cell in rows])

    def _text(self, cell: str) -> str:
        if "\n" not in cell and len(cell) <= 255:
            path = self.folder / cell
            if path.is_file() or _TEXT_FILE.fullmatch(cell):
                return read_text(str(path))
        # A line end keeps a short text from being taken for the name of a file where the program happens to run.
        return read_text(f"{cell}\n").rstrip("\n")

    def _names_of(self, participants: list[str], occasions: list[str]) -> list[str]:
        given = self._got.get("sample")
        if given is not None:
            for row, name in zip(self._rows, given, strict=True):
                if name:
                    self._check_name(row, "sample", name)
                else:
                    self._fault(row, "sample", "the cell is empty", "Give every sample a name, or take the column out.")
            return given
        names = [f"{p}-{o.replace(' ', '-')}" if o else p for p, o in zip(participants, occasions, strict=True)]
        for row, name, participant, occasion in zip(self._rows, names, participants, occasions, strict=True):
            if participant:  # without one, the cell has a fault of its own
                self._check_name(row, "occasion" if occasion else "participant", name)
        return names

    def _check_name(self, row: int, column: str, name: str) -> None:
        key = name.casefold()
        if not _SAMPLE.fullmatch(name) or key in _DEVICES:
            fix = "Use 1 to 64 letters, digits, - or _, starting with a letter or digit."
            self._fault(row, column, f"'{name[:80]}' is not a name for a sample", fix)
            return
        first = self._names.setdefault(key, row)
        if first != row:
            own = " name." if column == "sample" else " participant and occasion, or sample."
            self._fault(row, column, f"the sample {name} stands in row {first} already", f"Give each row its own{own}")

    def _files_of(self, pages: list[int]) -> list[tuple[str, ...]]:
        found: list[tuple[str, ...]] = []
        chosen = self._got.get("page") or repeat("")
        for row, cell, page, chose in zip(self._rows, self._got["file"], pages, chosen, strict=False):
            if " + " not in cell:
                found.append((self._file(row, cell, page),))
                continue
            if chose:
                self._fault(row, "page", "several files have a page chosen", "Leave the cell empty.")
            found.append(tuple(self._file(row, part.strip(), page) for part in cell.split(" + ")))
        return found

    def _file(self, row: int, cell: str, page: int) -> str:
        if not cell:
            self._fault(row, "file", "the cell is empty", "Name the picture or PDF.")
            return ""
        found = self._files.find(cell)
        if isinstance(found, Wrong):
            self._fault(row, "file", *found)
            return ""
        key = found if page == 1 else (found, page)
        first = self._pages.get(key)
        if first is None:
            self._pages[key] = row
        else:
            self._fault(row, "file", f"the same page stands in row {first} already", "Take one of them out.")
        return found


def _task(attributes: Sequence[str], values: tuple[Any, ...]) -> Task:
    return Task(**{name: value for name, value in zip(attributes, values, strict=True) if value is not None})


def _reached(passage_and_word: tuple[str, str]) -> Word:
    return find_reached(*passage_and_word)


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
