"""Faults of a table: every one with row, column and remedy, also when there are millions of them."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO, Any, NamedTuple

from handwriting.errors import ManifestError
from handwriting.report.table import safe


class Fault(NamedTuple):
    """One fault of a table: row as a spreadsheet counts (0: the whole file), column, what is wrong, its remedy."""

    row: int
    column: str
    what: str
    fix: str

    def __str__(self) -> str:
        """One sentence."""
        place = f"row {self.row}" if self.row else "the file"
        column = f", column {self.column}" if self.column else ""
        return f"{place}{column}: {self.what}. {self.fix}"


class Faults:
    """Takes faults as they are found: all are kept, or the first few with all of them in a file.

    Parameters
    ----------
    listing : Path, optional
        Where all are written (CSV, UTF-8) once there are more than `first`; without it all are kept in memory.
    first : int
        How many are kept when there is a listing.
    """

    def __init__(self, listing: Path | None = None, first: int = 40) -> None:
        self._listing, self._limit = listing, None if listing is None else first
        self._part: Path | None = None
        self._file: IO[str] | None = None
        self._table: Any = None
        self.kept: list[Fault] = []
        self.count = 0

    def __enter__(self) -> Faults:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: BaseException | TracebackType | None) -> None:
        if kind is not ManifestError:
            self._give_up()

    def add(self, faults: Sequence[Fault]) -> None:
        """Take some faults, in the order of their rows."""
        self.count += len(faults)
        if self._limit is None or self.count <= self._limit:
            self.kept += faults
            return
        if self._listing is not None:
            try:
                if self._file is None:
                    self._open(self._listing)
                    self._write(self.kept)
                self._write(faults)
            except OSError:
                self._give_up()
        self.kept += faults[: self._limit - len(self.kept)]

    def refuse(self, where: str) -> None:
        """Raise when there are faults.

        Raises
        ------
        ManifestError
            With the faults kept, the number of all, and the file that lists them when one could be written.
        """
        if self.count:
            raise ManifestError(tuple(self.kept), where=where, count=self.count, listed=self._finish())

    def _open(self, listing: Path) -> None:
        self._part = listing.with_name(f".{listing.name}.part")
        self._file = self._part.open("w", encoding="utf-8", errors="replace", newline="")
        self._table = csv.writer(self._file)
        self._table.writerow(["row", "column", "fault", "remedy"])

    def _write(self, faults: Sequence[Fault]) -> None:
        self._table.writerows((row, safe(column), safe(what), safe(fix)) for row, column, what, fix in faults)

    def _finish(self) -> Path | None:
        if self._file is None or self._part is None or self._listing is None:
            return None
        try:
            self._file.close()
            self._part.replace(self._listing)
        except OSError:
            self._give_up()
            return None
        return self._listing

    def _give_up(self) -> None:
        """Do without the file: the first faults are still told."""
        with suppress(OSError):
            if self._file is not None:
                self._file.close()
        if self._part is not None:
            with suppress(OSError):
                self._part.unlink(missing_ok=True)
        self._file, self._part, self._listing = None, None, None
