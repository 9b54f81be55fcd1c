"""Sources of published figures: the card and the table of each, loaded and checked.

A source is a folder ``reference/<author-year>/`` with the figures as printed (``table.csv``) and its card
(``source.toml``): who was measured, where, when, doing what, how the figures were obtained, who checked them, what they
may be compared with, and the sha256 of the table that was checked.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from handwriting.errors import RecordError
from handwriting.task import INSTRUCTIONS, TASKS

KINDS = ("distribution", "standard", "aim")
OBTAINED = ("source", "secondary", "memory")
_COLUMNS = ["band_kind", "band_low", "band_high", "sex", "n", "mean_lpm", "sd_lpm", "note"]
_TYPES: dict[str, tuple[type, ...]] = {
    "str": (str,),
    "int": (int,),
    "tuple[str, ...]": (tuple,),
    "float | None": (float, int, type(None)),
    "int | None": (int, type(None)),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of a table: a band of grades or completed years, both ends included, for one group of writers."""

    band_kind: str
    band_low: int
    band_high: int
    sex: str
    n: int | None
    mean: float
    sd: float | None
    note: str


@dataclass(frozen=True, slots=True)
class Source:
    """A source's card and its rows. Grade g stands for about ``g + grade_plus_years`` to one year more."""

    id: str
    short: str
    citation: str
    place: str
    kind: str
    obtained: str
    checked_by: str
    people: str
    country: str
    country_names: tuple[str, ...]
    language: str
    year: int
    ages: str
    school_time: str
    task_kind: str
    task: str
    text: str
    instruction_kind: str
    instruction: str
    script_kind: str
    script: str
    counting_rule: str
    statistic: str
    unit: str
    licence: str
    compare_with: str
    cautions: tuple[str, ...]
    pooled_caution: str
    table_sha256: str
    rows: tuple[Row, ...]
    minutes: float | None = None
    grade_plus_years: int | None = None

    @property
    def context(self) -> str:
        """Task, instruction, minutes, country and year: what must stand beside every figure of this source."""
        time = "time not stated" if self.minutes is None else f"{self.minutes:g} minutes"
        return f"{self.country}, {self.year}: {self.task}; instruction: {self.instruction}; {time}"


def reference_folder() -> Traversable:
    """Return the folder of sources: inside the package as installed, else beside it in a working copy."""
    inside = resources.files("handwriting").joinpath("reference")
    if inside.is_dir():
        return inside
    beside = Path(__file__).parent.parent / "reference"
    if beside.is_dir():
        return beside
    raise RecordError("the published figures are missing", where="reference", fix="Install the program again.")


@cache
def all_sources() -> tuple[Source, ...]:
    """Return every source, checked, in order of its id."""
    folders = sorted((f for f in reference_folder().iterdir() if f.is_dir()), key=lambda f: f.name)
    return tuple(load_source(folder) for folder in folders)


def load_source(folder: Traversable) -> Source:
    """Load one source and check its card, hash, bands and duplicates.

    Raises
    ------
    RecordError
        Naming the file and what is wrong with it.
    """
    where = f"reference/{folder.name}"
    try:
        card = tomllib.loads(folder.joinpath("source.toml").read_text("utf-8"))
        # Line ends differ between checkouts of one file; the figures do not.
        raw = folder.joinpath("table.csv").read_bytes().replace(b"\r\n", b"\n")
    except (OSError, ValueError) as error:
        raise RecordError(
            f"a source cannot be read ({error})", where=where, fix="Install the program again."
        ) from error
    if hashlib.sha256(raw).hexdigest() != card.get("table_sha256"):
        fix = "Put the table back, or check it against its source and renew table_sha256 in source.toml."
        raise RecordError("the table is not the one that was checked", where=f"{where}/table.csv", fix=fix)
    rows = _rows(raw.decode("utf-8"), f"{where}/table.csv")
    try:
        values: dict[str, Any] = {key: tuple(v) if isinstance(v, list) else v for key, v in card.items()}
        source = Source(**values, rows=rows)
    except TypeError as error:
        fix = "Give every field of a card and no other."
        raise RecordError(f"the card is not complete ({error})", where=f"{where}/source.toml", fix=fix) from error
    _check_card(source, folder.name, f"{where}/source.toml")
    return source


def _check_card(source: Source, name: str, where: str) -> None:
    for field in fields(source):
        value = getattr(source, field.name)
        if field.name != "rows" and not isinstance(value, _TYPES[str(field.type)]):
            raise RecordError(f"{field.name} is {value!r}", where=where, fix=f"Give {field.type}.")
    choices = (
        ("kind", source.kind, KINDS),
        ("obtained", source.obtained, OBTAINED),
        ("task_kind", source.task_kind, (*TASKS, "mixed", "unstated")),
        ("instruction_kind", source.instruction_kind, (*INSTRUCTIONS, "unstated")),
        ("id", source.id, (name,)),
        ("unit", source.unit, ("letters/min",)),
    )
    for name_of, value, allowed in choices:
        if value not in allowed:
            raise RecordError(f"{name_of} is '{value}'", where=where, fix=f"Choose {', '.join(allowed)}.")
    if any(row.band_kind == "grade" for row in source.rows) and source.grade_plus_years is None:
        raise RecordError("grades are given without their ages", where=where, fix="Give grade_plus_years.")


def _rows(text: str, where: str) -> tuple[Row, ...]:
    reader = csv.DictReader(io.StringIO(text), strict=True)
    if reader.fieldnames != _COLUMNS:
        raise RecordError("the columns are not those of a table", where=where, fix=f"Use {','.join(_COLUMNS)}.")
    rows: list[Row] = []
    for line, cells in enumerate(reader, start=2):
        if None in cells or None in cells.values():
            raise RecordError(f"line {line} is not a row of {len(_COLUMNS)} cells", where=where, fix="Mend the row.")
        try:
            row = Row(
                band_kind=cells["band_kind"],
                band_low=int(cells["band_low"]),
                band_high=int(cells["band_high"]),
                sex=cells["sex"],
                n=int(cells["n"]) if cells["n"] else None,
                mean=float(cells["mean_lpm"]),
                sd=float(cells["sd_lpm"]) if cells["sd_lpm"] else None,
                note=cells["note"],
            )
        except (ValueError, TypeError) as error:
            raise RecordError(f"line {line} is not a row ({error})", where=where, fix="Mend the row.") from error
        for told in _row_faults(row, rows):
            raise RecordError(f"line {line}: {told}", where=where, fix="Check the row against its source.")
        rows.append(row)
    if not rows:
        raise RecordError("the table has no rows", where=where, fix="Give the figures.")
    return tuple(rows)


def _row_faults(row: Row, before: list[Row]) -> Iterator[str]:
    if row.band_kind not in {"grade", "age"} or row.sex not in {"all", "girls", "boys", "women", "men"}:
        yield f"'{row.band_kind}' or '{row.sex}' is not a kind of band or a group"
    if not 0 <= row.band_low <= row.band_high:
        yield f"the band runs from {row.band_low} to {row.band_high}"
    if not (math.isfinite(row.mean) and row.mean > 0) or (row.sd is not None and not 0 < row.sd < row.mean):
        yield "the mean or SD is not a figure a group can have"
    if row.n is not None and row.n < 1:
        yield f"a group of {row.n}"
    for other in before:
        alike = (row.band_kind, row.sex, row.note) == (other.band_kind, other.sex, other.note)
        if alike and row.band_low <= other.band_high and other.band_low <= row.band_high:
            yield "the same group and band come twice, or bands overlap"
