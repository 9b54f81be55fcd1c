"""What the store gives back: rows of pupils, samples and corrections, and how one is written and read."""

from __future__ import annotations

import datetime as dt
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from handwriting.change import Ruled, Sample, sample_of
from handwriting.errors import DamagedFileError
from handwriting.quantity import Measured, NotMeasured, Quantity
from handwriting.record import Record, load, to_json

#: Columns of `sample` that a `Sample` is made of, in order.
HEAD = (
    *("id", "rescan_of", "date", "term", "setting", "task", "instruction", "paper", "tool", "hand", "supervised"),
    *("effort", "said", "grade", "age_months", "text", "ruling", "pitch_mm", "page_sha256", "program"),
)


@dataclass(frozen=True, slots=True)
class PupilRow:
    """One pupil: how many samples, first and last date of writing, and the nearest date to look at keeping them."""

    code: str
    samples: int
    first: dt.date
    last: dt.date
    keep_until: dt.date


@dataclass(frozen=True, slots=True)
class SampleRow:
    """One sample as listed."""

    number: int
    code: str
    date: dt.date
    term: str
    setting: str
    task: str
    instruction: str
    tool: str
    rescan_of: int | None
    picture: bool
    corrections: int
    revisions: int
    kept_at: str
    kept_by: str
    keep_until: dt.date


@dataclass(frozen=True, slots=True)
class CorrectionRow:
    """One correction by a person: when, who (role or initials), and what, as the record holds it."""

    sample: int
    at: str
    by: str
    what: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Erased:
    """What went when something was erased."""

    code: str
    samples: int
    revisions: int
    pictures: int
    corrections: int
    bytes: int


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check looked at, and every fault found, a sentence each."""

    pupils: int
    samples: int
    revisions: int
    pictures: int
    faults: tuple[str, ...]


def packed(record: Record) -> bytes:
    """Return a record as it is stored."""
    return zlib.compress(to_json(record).encode("utf-8"), 6)


def unpacked(data: bytes, *, where: str) -> Record:
    """Return a stored record.

    Raises
    ------
    DamagedFileError
        The stored bytes are not what was written.
    """
    try:
        text = zlib.decompress(data).decode("utf-8")
    except (zlib.error, UnicodeDecodeError) as error:
        raise DamagedFileError(
            "a kept record does not open", where=where, fix="Put the last backup in its place."
        ) from error
    return load(text, where=where)


def anonymous(record: Record) -> Record:
    """Return the record without the name of the file it came from: schools name files after children."""
    suffix = record.page.format.lower() or "page"
    return replace(record, page=replace(record.page, name=f"page.{suffix}"))


def figures(measures: Mapping[str, Quantity]) -> str:
    """Return measures in short, for lists and comparisons; the record keeps them in full."""
    short = {
        key: [q.value, q.low, q.high, q.n, q.unit, *q.flags] if isinstance(q, Measured) else [q.flag, q.why]
        for key, q in measures.items()
    }
    return json.dumps(short, ensure_ascii=False, separators=(",", ":"))


def quantities(text: str) -> dict[str, Quantity]:
    """Return measures from their short form."""
    found: dict[str, Quantity] = {}
    for key, entry in json.loads(text).items():
        if isinstance(entry[0], str):
            found[key] = NotMeasured(entry[0], entry[1])
        else:
            value, low, high, n, unit, *flags = entry
            found[key] = Measured(value, unit, low, high, n, (), tuple(flags))
    return found


def head(record: Record) -> dict[str, Any]:
    """Return the columns of a sample that come from its record."""
    sample = sample_of(record)
    columns: dict[str, Any] = {name: getattr(sample, name) for name in HEAD[3:-4]}
    return columns | {
        "date": sample.date.isoformat(),
        "ruling": sample.ruled.kind,
        "pitch_mm": sample.ruled.pitch_mm,
        "page_sha256": sample.page_sha256,
        "page_number": record.page.number,
        "program": sample.program,
    }


def sample_from(row: Sequence[Any]) -> Sample:
    """Return the sample of a row: code, `HEAD`, and the measures in short."""
    held = dict(zip(("code", *HEAD, "measures"), row, strict=True))
    ruled = Ruled(held.pop("ruling"), held.pop("pitch_mm"))
    date, measures = dt.date.fromisoformat(held.pop("date")), quantities(held.pop("measures"))
    return Sample(number=held.pop("id"), date=date, measures=measures, ruled=ruled, **held)
