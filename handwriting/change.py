"""Samples of one writer over time, set against measurement error.

Three errors are kept apart:

    same scan       the same file measured again; the program gives the same numbers, so this error is nothing
    same page       the page scanned again: scale, edges, the operator
    new page        another page by the same writer within days: the error that a claim about the writer has to beat

Both of the last two come from the user's own repeats (`repeats.py`); figures of other people's writers are never
borrowed (COSMIN 2020: Mokkink et al., BMC Med Res Methodol 20, 293). With SEM the spread of one page within a writer
(a share of the value for measures that cannot be negative, see `repeats.py`), m1 and m2 pages on the two occasions,
and df the degrees of freedom behind SEM,

    SE of a difference = sqrt(max(SEM^2 (1/m1 + 1/m2), u1^2 + u2^2))        u: standard uncertainty of each value
    interval           = difference +/- t(0.975, df') SE            1 / df' = 1 / df + 1 / 30
    SDC                = 1.96 sqrt(2) SEM            smallest detectable change of two single pages (Weir 2005)
    RCI                = difference / SE             reliable change index (Jacobson & Truax 1991)

df' is smaller than df because pupils differ in how far their pages stray, and this pupil's own spread is not known: 30
stands for spreads that differ by an eighth (1 / sqrt(2 x 30)), a choice of ours. The second term under the root counts
where a page is shorter than the repeats were. A difference is *larger* than the error when its interval leaves zero
out; from fewer than `LEAST_DF` degrees of freedom, or from pages that were not asked for alike, nothing is claimed.

What it does not see: why anything changed, and practice with one text.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from scipy import stats

from handwriting.errors import UsageError
from handwriting.quantity import Measured, NotMeasured, Quantity
from handwriting.record import Record

#: At 10 degrees of freedom the error is known to a factor of 0.70 to 1.75 (95 % limits of an SD); below, still worse.
LEAST_DF = 10
#: Degrees of freedom that stand for how pupils differ in their spread from page to page.
PUPILS_DF = 30
#: Pages of one writer within this many days, asked for alike, are repeats and make one occasion.
OCCASION_DAYS = 7
#: Rulings count as the same within this share of their pitch: more than print and scale differ, less than products do.
SAME_PITCH = 0.04

Claim = Literal["larger", "not-larger", "untold"]


@dataclass(frozen=True, slots=True)
class Ruled:
    """The ruling a page was written on: kind, and pitch in mm (None without a scale); kind ``none`` is plain paper."""

    kind: str
    pitch_mm: float | None

    def same(self, other: Ruled) -> bool:
        """Tell whether two rulings are one product, as far as the pages tell."""
        if self.kind != other.kind:
            return False
        if self.pitch_mm is None or other.pitch_mm is None:
            return self.pitch_mm == other.pitch_mm
        return abs(self.pitch_mm - other.pitch_mm) <= SAME_PITCH * max(self.pitch_mm, other.pitch_mm)


@dataclass(frozen=True, slots=True)
class Sample:
    """What a comparison has to know of one page. Empty text means not given; `number` is its place in a store."""

    code: str
    date: dt.date
    page_sha256: str
    measures: Mapping[str, Quantity]
    ruled: Ruled
    term: str = ""
    setting: str = ""
    task: str = ""
    instruction: str = ""
    paper: str = ""
    tool: str = ""
    hand: str = ""
    supervised: str = ""
    effort: int | None = None
    said: str = ""
    text: str = ""
    grade: int | None = None
    age_months: int | None = None
    program: str = ""
    number: int | None = None
    rescan_of: int | None = None

    def asked_alike(self, other: Sample) -> bool:
        """Tell whether two pages are of one task, instruction, tool and ruling, so that one can repeat the other."""
        return not any(a != b for _, a, b in _asked(self, other)) and self.ruled.same(other.ruled)


def _asked(one: Sample, other: Sample) -> Iterable[tuple[str, str, str]]:
    for name in ("task", "instruction", "tool", "hand"):
        yield name, getattr(one, name), getattr(other, name)


def sample_of(record: Record, *, number: int | None = None, rescan_of: int | None = None) -> Sample:
    """Return the sample a record stands for.

    Raises
    ------
    UsageError
        The record has no pupil code or no date of writing.
    """
    task = record.task
    code, date = str(task.get("code") or ""), str(task.get("date") or "")
    for value, what, option in ((code, "pupil code", "--code P07"), (date, "date of writing", "--date 2026-03-09")):
        if not value:
            fix = f"Measure or keep it with {option}."
            raise UsageError(f"the record has no {what}", where=record.page.name, fix=fix)
    ruling, mm = record.ruling, record.scale.unit == "mm"
    text = " ".join(str(task.get("text") or "").split()).casefold()
    plain = {k: str(task.get(k) or "") for k in ("term", "setting", "task", "instruction", "paper", "tool", "said")}
    hand = str(task.get("hand") or "")
    return Sample(
        code=code,
        date=dt.date.fromisoformat(date),
        page_sha256=record.page.sha256,
        measures=record.measures,
        ruled=Ruled("none", None) if ruling is None else Ruled(ruling.kind, ruling.pitch if mm else None),
        hand="" if hand == "unstated" else hand,
        supervised=str(task.get("supervised") or ""),
        effort=task.get("effort"),
        text=hashlib.sha256(text.encode()).hexdigest()[:16] if text else "",
        grade=task.get("grade"),
        age_months=task.get("age_months"),
        program=str(record.software.get("handwriting", "")),
        number=number,
        rescan_of=rescan_of,
        **plain,
    )


# --- occasions ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Occasion:
    """Pages of one writer, asked for alike within days; `measures` are their means, with the pages' own intervals."""

    samples: tuple[Sample, ...]
    measures: Mapping[str, Quantity]

    @property
    def first(self) -> Sample:
        """The earliest page; what was asked stands there."""
        return self.samples[0]

    def pages(self, key: str) -> int:
        """Return on how many pages a measure was made."""
        return sum(isinstance(s.measures.get(key), Measured) for s in self.samples)


def gather(samples: Iterable[Sample], *, days: int = OCCASION_DAYS) -> tuple[tuple[Sample, ...], ...]:
    """Gather each writer's pages of `days` days that were asked for alike in one setting, by date.

    A page scanned again stands for nothing new and is left out.
    """
    ordered = sorted((s for s in samples if s.rescan_of is None), key=lambda s: (s.date, s.number or 0))
    groups: list[list[Sample]] = []
    open_ones: dict[tuple[str, str], list[list[Sample]]] = {}
    for sample in ordered:
        mine = open_ones.setdefault((sample.code, sample.setting), [])
        mine[:] = [g for g in mine if (sample.date - g[0].date).days <= days]
        for group in mine:
            if group[0].asked_alike(sample) and all(sample.page_sha256 != s.page_sha256 for s in group):
                group.append(sample)
                break
        else:
            groups.append([sample])
            mine.append(groups[-1])
    return tuple(tuple(group) for group in groups)


def occasions(samples: Iterable[Sample], *, days: int = OCCASION_DAYS) -> tuple[Occasion, ...]:
    """Return one writer's pages as occasions, by date.

    Raises
    ------
    UsageError
        The samples are of more than one writer.
    """
    held = tuple(samples)
    codes = sorted({s.code for s in held})
    if len(codes) > 1:
        fix = "Compare the pages of one pupil at a time."
        raise UsageError(f"the pages are of different pupils ({', '.join(codes)})", fix=fix)
    return tuple(Occasion(group, means(group)) for group in gather(held, days=days))


def uncertainty(quantity: Measured) -> float:
    """Return the standard uncertainty behind a 95 % interval."""
    return (quantity.high - quantity.low) / (2 * Z95)


Z95 = float(stats.norm.ppf(0.975))


def means(samples: Sequence[Sample]) -> dict[str, Quantity]:
    """Return the mean of each measure over pages, its interval from theirs; one missing everywhere keeps its reason."""
    if len(samples) == 1:
        return dict(samples[0].measures)
    found: dict[str, Quantity] = {}
    for key in dict.fromkeys(k for s in samples for k in s.measures):
        made = [q for s in samples if isinstance(q := s.measures.get(key), Measured)]
        if not made:
            found[key] = next(q for s in samples if (q := s.measures.get(key)) is not None)
            continue
        made = [q for q in made if q.unit == made[0].unit]
        value = math.fsum(q.value for q in made) / len(made)
        half = Z95 * math.sqrt(math.fsum(uncertainty(q) ** 2 for q in made)) / len(made)
        flags = tuple(dict.fromkeys(f for q in made for f in q.flags))
        found[key] = Measured(value, made[0].unit, value - half, value + half, sum(q.n for q in made), (), flags)
    return found


# --- differences ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ErrorOf:
    """The spread of repeats of one measure: `sd` is the standard error of measurement of one page, `df` behind it.

    With `relative`, `sd` is a share of the value itself: heights, gaps and spreads stray the more the larger they are.
    """

    sd: float
    df: int
    relative: bool = False

    @property
    def freedom(self) -> float:
        """Degrees of freedom for a pupil whose own spread is not known."""
        return 1.0 / (1.0 / self.df + 1.0 / PUPILS_DF)

    def at(self, value: float) -> float:
        """Return the standard error of measurement of a page with this value, in the measure's unit."""
        return self.sd * abs(value) if self.relative else self.sd

    def sdc(self, value: float = 1.0) -> float:
        """Return the smallest detectable change between two single pages about a value, 1.96 sqrt(2) SEM."""
        return Z95 * math.sqrt(2.0) * self.at(value)


@dataclass(frozen=True, slots=True)
class Difference:
    """One measure on two occasions: after less before, with its interval and what may be said of it.

    `low` and `high` rest on the error of a new page where that is known from enough repeats (`beside` is False), else
    on the marks of these pages alone (`beside` is True: read the two intervals side by side). `why` says why no more
    is claimed. `together` tells whether a larger difference stays larger when all measures are looked at at once
    (Holm 1979, Scand J Stat 6, 65-70).
    """

    key: str
    before: Measured
    after: Measured
    difference: float
    low: float
    high: float
    claim: Claim
    beside: bool
    why: str = ""
    index: float | None = None
    new_page: ErrorOf | None = None
    same_page: ErrorOf | None = None
    p: float = 1.0
    together: bool = False


@dataclass(frozen=True, slots=True)
class NotCompared:
    """A measure that is not set side by side: the kind of reason, and the reason in words."""

    key: str
    reason: Literal["missing", "unit", "ruling", "no-spread"]
    why: str


@dataclass(frozen=True, slots=True)
class Unlike:
    """One thing in which two occasions differ: which field, and what was given each time."""

    field: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two occasions of one writer: every measure compared or the reason why not, and what was unlike."""

    before: Occasion
    after: Occasion
    unlike: tuple[Unlike, ...]
    differences: tuple[Difference, ...]
    not_compared: tuple[NotCompared, ...]
    #: How many differences are larger than the error by chance alone where nothing changed: 5 % of those tested.
    larger_by_chance: float


def unlike(before: Sample, after: Sample) -> tuple[Unlike, ...]:
    """Return in what two pages differ that may by itself make the writing differ."""
    found = [Unlike(n, a, b) for n, a, b in _asked(before, after) if a != b]
    if not before.ruled.same(after.ruled):
        found.insert(0, Unlike("ruling", _ruled(before.ruled), _ruled(after.ruled)))
    if before.text != after.text or not before.text:
        found.append(Unlike("text", "", ""))
    if before.setting != after.setting:
        found.append(Unlike("setting", before.setting, after.setting))
    if before.program != after.program:
        found.append(Unlike("program", before.program, after.program))
    return tuple(found)


def _ruled(ruled: Ruled) -> str:
    return ruled.kind if ruled.pitch_mm is None else f"{ruled.kind} {ruled.pitch_mm:.1f} mm"


#: Where pages differ in one of these, the repeats of neither speak for the difference.
BARS_CLAIM = frozenset({"ruling", "task", "instruction", "tool", "hand"})


def compare(
    before: Occasion,
    after: Occasion,
    new_page: Mapping[str, ErrorOf] | None = None,
    same_page: Mapping[str, ErrorOf] | None = None,
) -> Comparison:
    """Compare two occasions of one writer.

    Parameters
    ----------
    before, after : Occasion
        The earlier and the later pages.
    new_page, same_page : mapping of measure to ErrorOf, optional
        The user's own repeats: new pages within days (of the same task and paper), and one page scanned again.

    Raises
    ------
    UsageError
        The occasions are of different writers.
    """
    if before.first.code != after.first.code:
        raise UsageError("the pages are of different pupils", fix="Compare the pages of one pupil at a time.")
    differs = unlike(before.first, after.first)
    found: list[Difference] = []
    missing: list[NotCompared] = []
    for key in dict.fromkeys((*before.measures, *after.measures)):
        one = _difference(key, before, after, differs, (new_page or {}).get(key), (same_page or {}).get(key))
        if isinstance(one, Difference):
            found.append(one)
        else:
            missing.append(one)
    told = [d for d in found if d.claim != "untold"]
    return Comparison(before, after, differs, _together(found), tuple(missing), 0.05 * len(told))


def _difference(
    key: str,
    before: Occasion,
    after: Occasion,
    differs: Sequence[Unlike],
    new: ErrorOf | None,
    same: ErrorOf | None,
) -> Difference | NotCompared:
    one, other = before.measures.get(key), after.measures.get(key)
    if not isinstance(one, Measured) or not isinstance(other, Measured):
        return NotCompared(key, "missing", _missing(one, other))
    if one.unit != other.unit:
        return NotCompared(key, "unit", f"measured in {one.unit} and in {other.unit}")
    if "mm" in one.unit and any(u.field == "ruling" for u in differs):
        return NotCompared(key, "ruling", "lengths in millimetres are not compared across rulings; the ratios are")
    step = other.value - one.value
    own = math.hypot(uncertainty(one), uncertainty(other))
    barred = [u.field for u in differs if u.field in BARS_CLAIM]
    if barred or new is None or new.df < LEAST_DF:
        half = Z95 * own
        why = _barred(barred) if barred else _few(0 if new is None else new.df)
        return Difference(key, one, other, step, step - half, step + half, "untold", True, why, None, new, same)
    sem = new.at((one.value + other.value) / 2)
    se = max(sem * math.sqrt(1 / before.pages(key) + 1 / after.pages(key)), own)
    if se == 0:
        return NotCompared(key, "no-spread", "neither the repeats nor these pages show any spread")
    half = float(stats.t.ppf(0.975, new.freedom)) * se
    p = 2 * float(stats.t.sf(abs(step) / se, new.freedom))
    claim: Claim = "larger" if abs(step) > half else "not-larger"
    return Difference(key, one, other, step, step - half, step + half, claim, False, "", step / se, new, same, p)


def _missing(one: Quantity | None, other: Quantity | None) -> str:
    reasons = []
    for quantity, when in ((one, "on the earlier page"), (other, "on the later page")):
        if quantity is None:
            reasons.append(f"{when}: not among its measures")
        elif isinstance(quantity, NotMeasured):
            reasons.append(f"{when}: {quantity.why}")
    return "; ".join(reasons)


def _barred(fields: Sequence[str]) -> str:
    return f"the pages differ in {', '.join(fields)}, and no repeats speak for that"


def _few(df: int) -> str:
    have = "no repeats" if df == 0 else f"repeats with {df} degrees of freedom"
    return f"there are {have} of this task and paper; at least {LEAST_DF} are needed"


def _together(found: Sequence[Difference]) -> tuple[Difference, ...]:
    """Mark which differences stay larger by Holm's step-down over all that were tested."""
    tested = sorted((d for d in found if d.claim != "untold"), key=lambda d: d.p)
    kept: set[str] = set()
    for place, one in enumerate(tested):
        if one.p > 0.05 / (len(tested) - place):
            break
        kept.add(one.key)
    return tuple(replace(d, together=d.key in kept) for d in found)


def terms(samples: Iterable[Sample]) -> tuple[str, ...]:
    """Return the terms of samples in order of their dates; a sample without one goes under its year and month."""
    first: dict[str, dt.date] = {}
    for sample in samples:
        name = term_of(sample)
        first[name] = min(first.get(name, sample.date), sample.date)
    return tuple(sorted(first, key=lambda name: first[name]))


def term_of(sample: Sample) -> str:
    """Return the sample's term, or its year and month where none was given."""
    return sample.term or f"{sample.date:%Y-%m}"


def spans(found: Sequence[Occasion]) -> tuple[int, ...]:
    """Return the days between occasions in a row."""
    return tuple((b.first.date - a.first.date).days for a, b in pairwise(found))
