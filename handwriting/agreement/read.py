"""The two tables that are compared: the tool's, and the raters'.

Tool
    ``samples.csv`` (a column a measure) or ``measures.csv`` (columns sample, measure, value) of a study.
Raters
    Columns ``sample`` and ``rater``, then either ``measure`` and ``value`` (a row a reading) or a column a measure; a
    column ``reading`` (1, 2, ...) when raters read pages more than once. All faults are listed with row and column.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path

from handwriting.batch.faults import Fault, Faults
from handwriting.batch.sheets import Rows, read_rows

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")


@dataclass(frozen=True, slots=True)
class Readings:
    """Values by measure, then by (sample, who, reading); `units` by measure where the table says them."""

    values: dict[str, dict[tuple[str, str, int], float]]
    units: dict[str, str]


def read_tool(path: Path, *, listing: Path | None = None) -> Readings:
    """Read the tool's table; ``who`` is ``tool``, cells without a number are left out; `listing` as for raters."""
    rows = read_rows(path)
    place = _places(rows, ("sample",), path, listing)
    values: dict[str, dict[tuple[str, str, int], float]] = {}
    units: dict[str, str] = {}
    long = "measure" in place and "value" in place
    for _, cells in rows.cells:
        got = dict(zip(place, cells, strict=False))
        pairs = [(got["measure"], got.get("value", ""))] if long else [(k, v) for k, v in got.items() if k != "sample"]
        for measure, cell in pairs:
            if _NUMBER.fullmatch(cell.strip()):
                values.setdefault(measure, {})[got["sample"].strip(), "tool", 1] = float(cell)
        if long and got.get("unit"):
            units[got["measure"]] = got["unit"]
    _refuse(rows.faults, path, listing)
    return Readings(values, units)


def read_raters(path: Path, *, listing: Path | None = None) -> Readings:
    """Read the raters' table.

    Parameters
    ----------
    path : Path
        CSV or XLSX.
    listing : Path, optional
        File for the whole list of faults when there are more than forty; the error then holds only those.

    Raises
    ------
    ManifestError
        With every fault found.
    """
    rows = read_rows(path)
    place = _places(rows, ("sample", "rater"), path, listing)
    values: dict[str, dict[tuple[str, str, int], float]] = {}
    first: dict[tuple[str, str, str, int], int] = {}
    faults = rows.faults
    for row, cells in rows.cells:
        got = {name: cell.strip() for name, cell in zip(place, cells, strict=False)}
        sample, rater, reading = _who(row, got, faults)
        for measure, column, cell in _cells(got):
            if not cell:
                continue
            if not _NUMBER.fullmatch(cell):
                faults.append(Fault(row, column, f"'{cell[:40]}' is not a number", "Write it like 3.25."))
                continue
            if not measure:
                faults.append(Fault(row, "measure", "the cell is empty", "Name the measure."))
                continue
            before = first.setdefault((sample, rater, measure, reading), row)
            if before != row:
                fix = "Take one out, or number them in a column reading."
                faults.append(Fault(row, column, f"this reading of {sample} stands in row {before} already", fix))
            values.setdefault(measure, {})[sample, rater, reading] = float(cell)
    if not values and not faults:
        faults.append(Fault(0, "", "there are no readings", "Give one in each row."))
    _refuse(faults, path, listing)
    return Readings(values, {})


def _places(rows: Rows, needed: tuple[str, ...], path: Path, listing: Path | None) -> list[str]:
    names = [re.sub(r"[\s-]+", "_", name.strip().casefold()) for name in rows.header]
    faults = [
        Fault(1, name, "the column is missing", f"The columns found are: {', '.join(rows.header)[:200]}")
        for name in needed
        if name not in names
    ]
    faults += [Fault(1, n, "the name comes twice", "Rename one.") for n in dict.fromkeys(names) if names.count(n) > 1]
    if ("measure" in names) != ("value" in names) and "rater" in names:
        faults.append(Fault(1, "value", "measure and value come together", "Give both, or a column for each measure."))
    _refuse(faults, path, listing)
    return names


def _who(row: int, got: dict[str, str], faults: list[Fault]) -> tuple[str, str, int]:
    sample, rater, reading = got.get("sample", ""), got.get("rater", ""), got.get("reading", "") or "1"
    if not sample:
        faults.append(Fault(row, "sample", "the cell is empty", "Fill it in."))
    if not _CODE.fullmatch(rater):
        fix = "Use a code such as R1, never a name: letters, digits, - or _, without spaces."
        faults.append(Fault(row, "rater", f"'{rater[:40]}' is not a rater's code", fix))
    if rater == "tool":
        faults.append(Fault(row, "rater", "tool stands for the program", "Use another code."))
    if not re.fullmatch(r"[1-9]\d?", reading):
        faults.append(Fault(row, "reading", f"'{reading[:40]}' is not the number of a reading", "Count from 1."))
        reading = "1"
    return sample, rater, int(reading)


def _cells(got: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    """Yield measure, column and cell of a row."""
    if "measure" in got:
        yield got["measure"], "value", got.get("value", "")
        return
    for name, cell in got.items():
        if name not in {"sample", "rater", "reading"}:
            yield name, name, cell


def _refuse(found: list[Fault], path: Path, listing: Path | None) -> None:
    with Faults(listing) as faults:
        faults.add(sorted(found, key=itemgetter(0)))
        faults.refuse(path.name)
