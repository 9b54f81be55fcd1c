"""Published figures for letters per minute, set beside a sample one by one.

Sources (`sources.py`) are never averaged or blended. A comparison says which row it used and what differs from the
sample; a z and a percentile are given only where an SD was read, the grade was given and the figure is a measured
distribution. Figures known from memory are left out unless asked for. Where no row fits, the reason is a sentence.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from handwriting.quantity import Measured, NotMeasured, Quantity
from handwriting.sources import KINDS, Row, Source, all_sources
from handwriting.task import Task

_GROUPS = {"girl": ("girls", "women"), "woman": ("girls", "women"), "boy": ("boys", "men"), "man": ("boys", "men")}
_KIND_WORDS = {"distribution": "a mean", "standard": "a standard set for schools", "aim": "a teaching aim"}
_TASK_WORDS = {
    "near-copy": "copying from the same page",
    "board-copy": "copying from the board",
    "memory": "writing from memory",
    "own-words": "writing in one's own words",
    "dictation": "writing to dictation",
}
_INSTRUCTION_WORDS = {"usual": "in the usual way", "best": "as well as possible", "fast": "as fast as possible"}


@dataclass(frozen=True, slots=True)
class Comparison:
    """One published figure beside one sample; nothing is rounded except inside `sentence` and `percentile`.

    Parameters
    ----------
    source, citation, context, kind, obtained : str
        Where the figure comes from, what was done there, whether it is a distribution, a standard or an aim, and how it
        was obtained.
    label : str
        The row used, in words: band and sex.
    band_kind : str
        ``grade`` or ``age`` (completed years); `band_low` and `band_high` are both included.
    sex : str
        The group the row stands for: all, girls, boys, women or men.
    mean, sd, n : numbers
        Letters per minute; `sd` and `n` None where they were not read. For a standard or an aim `mean` is its value.
    z, z_low, z_high : float or None
        (sample - mean) / SD, and the same for the ends of the sample's interval.
    percentile : str or None
        In words, never below the 5th or above the 95th.
    no_z : str
        Why there is no z; empty when there is one.
    differences : tuple of str
        What differs from this sample or must be known beside it, a sentence each.
    sentence : str
        The comparison in one sentence.
    """

    source: str
    citation: str
    context: str
    label: str
    kind: str
    obtained: str
    band_kind: str
    band_low: int
    band_high: int
    sex: str
    mean: float
    sd: float | None
    n: int | None
    z: float | None
    z_low: float | None
    z_high: float | None
    percentile: str | None
    no_z: str
    differences: tuple[str, ...]
    sentence: str

    def as_dict(self) -> dict[str, Any]:
        """Return the fields for the record, where the citation carries the context that must be printed with it."""
        return {**asdict(self), "citation": f"{self.citation}, {self.context}"}


@dataclass(frozen=True, slots=True)
class NoComparison:
    """No figure of `source` fits this sample (of any source, when empty), and why, in a sentence."""

    source: str
    sentence: str

    def as_dict(self) -> dict[str, Any]:
        """Return the fields for the record."""
        return {"source": self.source, "no_comparison": self.sentence}


def compare(
    task: Task, letters_per_minute: Quantity, *, include_memory: bool = False
) -> list[Comparison | NoComparison]:
    """Set a sample beside every published figure that fits it, the closest task first.

    Parameters
    ----------
    task : Task
        What was asked; grade or age picks the rows, sex picks among them (without it, the pooled row where there is
        one, else a comparison with each sex).
    letters_per_minute : Measured or NotMeasured
        The sample's rate.
    include_memory : bool
        Also use figures that nobody has read in a source.

    Returns
    -------
    list of Comparison or NoComparison
        Comparisons in order of closeness of task, instruction and minutes (measured distributions first among equals),
        then the reasons where no row fits.
    """
    if isinstance(letters_per_minute, NotMeasured):
        return [NoComparison("", f"Without a rate there is nothing to compare: {letters_per_minute.why}.")]
    sources = [source for source in all_sources() if include_memory or source.obtained != "memory"]
    if task.grade is None and (gap := _gap(task, sources)):
        return [NoComparison("", gap)]
    found: list[Comparison | NoComparison] = []
    reasons: list[Comparison | NoComparison] = []
    for source in sorted(sources, key=lambda source: _distance(task, source)):
        rows = _fitting(source, task)
        if isinstance(rows, NoComparison):
            reasons.append(rows)
        else:
            found.extend(_compare_row(source, row, task, letters_per_minute) for row in rows)
    return found + reasons


def _distance(task: Task, source: Source) -> tuple[float, ...]:
    """Order sources by task, instruction, time, kind of figure, and how recent they are; smaller is closer."""
    copying = {"near-copy", "board-copy"}
    if not task.task or source.task_kind == task.task:
        asked = 0
    elif source.task_kind == "mixed" or {task.task, source.task_kind} == copying:
        asked = 1
    else:
        asked = 3 if source.task_kind == "unstated" else 2
    told = 0 if not task.instruction or source.instruction_kind == task.instruction else 2
    told = 1 if told and source.instruction_kind == "unstated" else told
    time = 2.0
    if task.seconds is not None and source.minutes is not None:
        time = abs(math.log(task.seconds / 60.0 / source.minutes))
    return asked, told, time, KINDS.index(source.kind), -source.year


def _years(row: Row, source: Source) -> tuple[int, int]:
    """Return the completed years of age a row stands for, both included."""
    plus = source.grade_plus_years or 0
    return (row.band_low + plus, row.band_high + plus) if row.band_kind == "grade" else (row.band_low, row.band_high)


def _gap(task: Task, sources: list[Source]) -> str:
    """Return the sentence for an age that no row of any source covers, empty when one does or no age was given."""
    if task.age_months is None:
        return ""
    age = task.age_months // 12
    bands = [_years(row, source) for source in sources for row in source.rows]
    if any(low <= age <= high for low, high in bands):
        return ""
    below = max((high for _, high in bands if high < age), default=None)
    above = min((low for low, _ in bands if low > age), default=None)
    if below is None:
        span = f"under {above}"
    elif above is None:
        span = f"of {below + 1} and over"
    else:
        span = f"{below + 1} to {above - 1}"
    return f"No figure is held for ages {span}; this writer is {task.age}."


def _fitting(source: Source, task: Task) -> list[Row] | NoComparison:
    by_grade = source.rows[0].band_kind == "grade"
    held = _spans(sorted({number for row in source.rows for number in range(row.band_low, row.band_high + 1)}))
    if by_grade and task.grade is not None:
        rows = [row for row in source.rows if row.band_low <= task.grade <= row.band_high]
        missing = f"this writer is in {f'grade {task.grade}' if task.grade else 'the year before grade 1'}"
    elif task.age_months is not None:
        age = task.age_months // 12
        rows = [row for row in source.rows if _years(row, source)[0] <= age <= _years(row, source)[1]]
        missing = f"this writer is {task.age}"
    else:
        rows = []
        missing = "neither the grade nor the age was given" if by_grade else "the age was not given"
    if not rows:
        kind = "grades" if by_grade else "ages"
        return NoComparison(source.id, f"{source.short} has figures for {kind} {held}; {missing}.")
    return _for_sex(rows, task.sex)


def _for_sex(rows: list[Row], sex: str) -> list[Row]:
    own = [row for row in rows if row.sex in _GROUPS.get(sex, ())]
    pooled = [row for row in rows if row.sex == "all"]
    return own or pooled or rows


def _spans(numbers: list[int]) -> str:
    starts = [n for n in numbers if n - 1 not in numbers]
    ends = [n for n in numbers if n + 1 not in numbers]
    parts = [str(a) if a == b else f"{a} to {b}" for a, b in zip(starts, ends, strict=True)]
    return " and ".join(filter(None, [", ".join(parts[:-1]), parts[-1]]))


def _compare_row(source: Source, row: Row, task: Task, speed: Measured) -> Comparison:
    by_age = row.band_kind == "grade" and task.grade is None
    no_z = _no_z(source, row, by_age)
    z = z_low = z_high = None
    if not no_z and row.sd is not None:
        z, z_low, z_high = ((value - row.mean) / row.sd for value in (speed.value, speed.low, speed.high))
    label = _label(source, row, by_age)
    spread = "" if row.sd is None else f" (SD {row.sd:g})"
    verb = {"distribution": "mean", "standard": "standard", "aim": "aim"}[source.kind]
    sentence = (
        f"{source.short}, {label}: {verb} {row.mean:g} letters a minute{spread}; this sample: {speed.value:.1f}"
        f" ({speed.low:.1f} to {speed.high:.1f})."
    )
    return Comparison(
        source=source.id,
        citation=source.short,
        context=source.context,
        label=label,
        kind=source.kind,
        obtained=source.obtained,
        band_kind=row.band_kind,
        band_low=row.band_low,
        band_high=row.band_high,
        sex=row.sex,
        mean=row.mean,
        sd=row.sd,
        n=row.n,
        z=z,
        z_low=z_low,
        z_high=z_high,
        percentile=None if z is None else percentile_text(z),
        no_z=no_z,
        differences=tuple(_differences(source, row, task, by_age)),
        sentence=sentence,
    )


def _no_z(source: Source, row: Row, by_age: bool) -> str:
    if source.obtained == "memory":
        return "The figure is from memory."
    if source.kind != "distribution":
        return f"The figure is {_KIND_WORDS[source.kind]}, not a measured distribution."
    if row.sd is None:
        return "No SD was read in this source."
    if by_age:
        return "The figure belongs to a grade, and the grade was not given."
    return ""


def percentile_text(z: float) -> str:
    """Return the percentile of `z` under a normal distribution in words, the tails left open."""
    share = 50.0 * math.erfc(-z / math.sqrt(2.0))
    note = "(normal approximation, computed here)"
    if share < 5.0:
        return f"below the 5th percentile {note}"
    if share > 95.0:
        return f"above the 95th percentile {note}"
    whole = math.floor(share + 0.5)
    ending = {1: "st", 2: "nd", 3: "rd"}.get(whole % 10, "th") if whole // 10 != 1 else "th"
    return f"about the {whole}{ending} percentile {note}"


def _label(source: Source, row: Row, by_age: bool) -> str:
    band = str(row.band_low) if row.band_low == row.band_high else f"{row.band_low} to {row.band_high}"
    low, high = _years(row, source)
    parts = [f"{row.band_kind} {band}" + (f" (about {low} to {high + 1} years)" if by_age else "")]
    if source.school_time:
        parts.append(source.school_time)
    parts.append({"all": "girls and boys together" if row.band_kind == "grade" else "all"}.get(row.sex, row.sex))
    return ", ".join(parts)


def _differences(source: Source, row: Row, task: Task, by_age: bool) -> Iterator[str]:
    if source.obtained == "secondary":
        yield "Read in a text that quotes this figure, not in the source."
    elif source.obtained == "memory":
        yield "From memory: nobody has read this figure in its source."
    if row.note:
        yield f"{row.note[0].upper()}{row.note[1:]}."
    yield from source.cautions
    yield from _asked(source, task)
    yield from _writer(source, row, task, by_age)
    missing = [
        name
        for name, given in (
            ("task", task.task),
            ("instruction", task.instruction),
            ("time", task.seconds),
            ("joined or not", task.script != "unstated"),
            ("country", task.country),
            ("date", task.date),
        )
        if not given
    ]
    if missing:
        yield f"Not told for this sample, so not compared: {', '.join(missing)}."


def _asked(source: Source, task: Task) -> Iterator[str]:
    if task.task and source.task_kind != task.task:
        yield f"Task there: {source.task}; here: {_TASK_WORDS[task.task]}."
    if task.instruction and source.instruction_kind != task.instruction:
        yield f"Instruction there: {source.instruction}; here: {_INSTRUCTION_WORDS[task.instruction]}."
    if source.minutes is None:
        yield "The time is not stated there."
    elif task.seconds is not None and abs(task.seconds / 60.0 / source.minutes - 1.0) > 0.1:
        yield f"Minutes there: {source.minutes:g}; here: {task.seconds / 60.0:.3g}."
    yield "The text there is not known." if source.text == "not known" else f"Text there: {source.text}."
    if task.script not in {"unstated", source.script_kind}:
        yield f"Hand there: {source.script}; here: {task.script}."


def _writer(source: Source, row: Row, task: Task, by_age: bool) -> Iterator[str]:
    if task.country and task.country.casefold() not in {name.casefold() for name in source.country_names}:
        yield f"Country there: {source.country}; here: {task.country}."
    if task.date is not None and task.date.year - source.year > 1:
        yield f"Published in {source.year}, {task.date.year - source.year} years before this sample."
    low, high = _years(row, source)
    if by_age:
        yield f"Age alone does not tell the grade: grade {row.band_low} is about {low} to {high + 1} years there."
    elif row.band_kind == "grade" and task.age_months is not None and not low <= task.age_months // 12 <= high:
        yield f"Grade {row.band_low} is about {low} to {high + 1} years there; this writer is {task.age}."
    if row.sex == "all":
        if source.kind == "distribution":
            yield source.pooled_caution or "This row puts the sexes together."
    elif task.sex == "unstated":
        yield f"This row is for {row.sex} only; the writer's sex was not given."
