"""What a comparison report says, as plain values: one view for HTML, PDF and the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from handwriting.change import BARS_CLAIM, LEAST_DF, Comparison, Difference, Occasion, Sample
from handwriting.context import GridRow, Place
from handwriting.history import History
from handwriting.quantity import Measured, Quantity
from handwriting.record import Record
from handwriting.repeats import RepeatsOf
from handwriting.report.facts import sentence
from handwriting.report.html import picture_alt
from handwriting.report.overlay import Picture, overlay
from handwriting.report.plain import as_shown, with_unit
from handwriting.report.rounding import number, rounded, significant
from handwriting.report.timeline import timeline
from handwriting.report.words import Catalogue

#: The measures of the plain part and the charts, one or two a topic.
SHOWN = (
    *("letters_per_minute", "x_height", "height_cv", "on_line_share", "baseline_wander_ratio", "word_space_ratio"),
    *("word_space_cv", "letter_space_ratio", "slant", "slant_spread", "left_margin_drift"),
)
_CHARTS = 9
_PICTURE_PX = 1100


@dataclass(frozen=True, slots=True)
class PlainRow:
    """One line of the plain part: the measure and its two values in words."""

    name: str
    told: str


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart over the dates."""

    name: str
    svg: Markup
    alt: str


@dataclass(frozen=True, slots=True)
class TechnicalRow:
    """One measure of the technical table, every figure as text."""

    name: str
    before: str
    after: str
    difference: str
    error: str
    sdc: str
    index: str
    claim: str


@dataclass(frozen=True, slots=True)
class GridTable:
    """The grid of one measure: what may be said, and a row of cells a term; `shown` on paper too."""

    name: str
    said: str
    shown: bool
    cells: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """A page with what was found drawn over it: its date, its words for the blind, and the picture (RGB)."""

    date: str
    alt: str
    image: Picture


@dataclass(frozen=True, slots=True)
class View:
    """Everything the templates show; empty text and tuples where there is nothing."""

    title: str
    when: str
    pages: tuple[tuple[str, ...], ...]
    page_columns: tuple[str, ...]
    loud: tuple[str, ...]
    alike: tuple[PlainRow, ...]
    larger: tuple[PlainRow, ...]
    untold: tuple[PlainRow, ...]
    untold_why: str
    chance: str
    said: tuple[tuple[str, str], ...]
    charts: tuple[Chart, ...]
    pictures: tuple[Shown, ...]
    rows: tuple[TechnicalRow, ...]
    over_time: tuple[tuple[str, tuple[str, ...]], ...]
    over_time_columns: tuple[str, ...]
    errors: tuple[tuple[str, str], ...]
    not_compared: tuple[tuple[str, str], ...]
    growth: tuple[str, ...]
    places: tuple[str, ...]
    context: tuple[str, ...]
    grid: tuple[GridTable, ...]
    software: str


def view(told: History, words: Catalogue, *, software: str, pictures: Sequence[tuple[Record, Picture]] = ()) -> View:
    """Return the view of a pupil's history in the words of a language.

    `pictures` are the records and upright frames of the pages to be shown, the earlier first.
    """
    c = told.comparison
    keys = [key for key in SHOWN if any(d.key == key for d in c.differences)]
    plain = {d.key: d for d in c.differences if d.key in keys}
    every = (
        (*c.before.samples, *c.after.samples)
        if len(told.series) < 3
        else tuple(s for o in told.series for s in o.samples)
    )
    return View(
        title=words.say("compare_title", code=told.code),
        when=words.say("compare_when", before=c.before.first.date, after=c.after.first.date),
        pages=tuple(_page_row(s, words) for s in every),
        page_columns=tuple(words.facts[k] for k in _PAGE_FACTS),
        loud=_loud(c, words),
        alike=_plain(plain, keys, "not-larger", words),
        larger=_plain(plain, keys, "larger", words),
        untold=_plain(plain, keys, "untold", words),
        untold_why=_untold_why(c.differences, words),
        chance=_chance(told, words),
        said=tuple((str(s.date), s.said) for s in every if s.said),
        charts=_charts(told.series, keys, words),
        pictures=tuple(_shown(record, picture, words) for record, picture in pictures),
        rows=tuple(_technical(d, words) for d in c.differences),
        over_time=_over_time(told.series, words),
        over_time_columns=tuple(str(o.first.date) for o in told.series),
        errors=_errors(told, words),
        not_compared=_not_compared(told, words),
        growth=tuple(_growth(told, words)),
        places=tuple(place_said(p, words) for p in told.grid.places),
        context=_context(told, words),
        grid=tuple(_grid_table(row, told, words) for row in told.grid.rows) if _has_grid(told) else (),
        software=software,
    )


_PAGE_FACTS = ("date", "term", "setting", "task", "instruction", "tool", "paper", "supervised", "effort")


def _page_row(sample: Sample, words: Catalogue) -> tuple[str, ...]:
    held = {name: getattr(sample, name) for name in _PAGE_FACTS}
    held["paper"] = sample.paper or ruling_said(sample, words)
    cells = []
    for name in _PAGE_FACTS:
        value = held[name]
        text = "" if value is None else str(value)
        cells.append(words.fact_values.get(text, text))
    return tuple(cells)


def ruling_said(sample: Sample, words: Catalogue) -> str:
    """Return the ruling a page was written on, as found."""
    kind = words.rulings.get(sample.ruled.kind, sample.ruled.kind)
    if sample.ruled.kind == "none":
        return words.say("ruling_none")
    pitch = sample.ruled.pitch_mm
    return kind if pitch is None else f"{kind}, {with_unit(number(pitch, 1), 'mm', words)}"


def place_said(place: Place, words: Catalogue) -> str:
    """Return a setting and a task in words."""
    setting, task = place
    parts = (words.fact_values.get(setting, setting), words.fact_values.get(task, task))
    return ", ".join(part for part in parts if part) or words.say("not_given")


def _loud(found: Comparison, words: Catalogue) -> tuple[str, ...]:
    """Return what was unlike, most telling first."""
    told = []
    for one in sorted(found.unlike, key=lambda u: u.field not in BARS_CLAIM):
        if one.field == "text":
            told.append(words.say("unlike_text"))
            continue
        if one.field == "ruling":
            name = words.say("ruling")
            a, b = (ruling_said(o.first, words) for o in (found.before, found.after))
        else:
            name = words.say("software") if one.field == "program" else words.facts[one.field]
            a, b = (words.fact_values.get(v, v) or words.say("not_given") for v in (one.before, one.after))
        told.append(words.say("unlike_of", name=name, before=a, after=b))
    return tuple(told)


# --- plain part ---------------------------------------------------------------------------------------------------


def valued(key: str, quantity: Measured, words: Catalogue) -> str:
    """Return a measure's value with its unit, rounded by its interval."""
    q = as_shown(quantity, words.measure(key))
    return with_unit(rounded(q.value, q.low, q.high).value, q.unit, words)


def ranged(key: str, quantity: Measured, words: Catalogue) -> str:
    """Return a measure's value with its unit and its interval, for tables."""
    q = as_shown(quantity, words.measure(key))
    shown = rounded(q.value, q.low, q.high, fine=True)
    return words.say("value_ranged", value=with_unit(shown.value, q.unit, words), low=shown.low, high=shown.high)


def _plain(found: dict[str, Difference], keys: Sequence[str], claim: str, words: Catalogue) -> tuple[PlainRow, ...]:
    rows = []
    for key in keys:
        d = found[key]
        if d.claim == claim:
            told = words.say("then_now", before=valued(key, d.before, words), after=valued(key, d.after, words))
            rows.append(PlainRow(words.measure(key).name, told))
    return tuple(rows)


def _untold_why(differences: Sequence[Difference], words: Catalogue) -> str:
    untold = [d for d in differences if d.claim == "untold"]
    if not untold:
        return ""
    if any("differ in" in d.why for d in untold):
        return words.say("untold_unlike")
    return words.say("untold_few", least=LEAST_DF)


def _chance(told: History, words: Catalogue) -> str:
    tested = sum(d.claim != "untold" for d in told.comparison.differences)
    if not tested:
        return ""
    return words.say("chance", n=tested, expected=number(told.comparison.larger_by_chance, 1))


def _charts(series: Sequence[Occasion], keys: Sequence[str], words: Catalogue) -> tuple[Chart, ...]:
    charts = []
    for key in keys[:_CHARTS]:
        points = [
            (o.first.date, as_shown(q, words.measure(key)))
            for o in series
            if isinstance(q := o.measures.get(key), Measured)
        ]
        if len(points) > 1:
            unit = with_unit("", points[0][1].unit, words).strip()
            name = words.measure(key).name + (f", {unit}" if unit else "")
            svg, alt = timeline(name, points, words)
            charts.append(Chart(name, svg, alt))
    return tuple(charts)


def _shown(record: Record, picture: Picture, words: Catalogue) -> Shown:
    image = overlay(record, picture, cropped=True, legend=False, longest_px=_PICTURE_PX, words=words)
    return Shown(str(record.task.get("date") or ""), picture_alt(record, words), image)


# --- technical part -----------------------------------------------------------------------------------------------


def _technical(d: Difference, words: Catalogue) -> TechnicalRow:
    own = words.measure(d.key)
    times = 100.0 if own.percent and d.before.unit == "1" else 1.0
    unit = "%" if times > 1 else d.before.unit
    shown = rounded(times * d.difference, times * d.low, times * d.high, fine=True)
    step = words.say("value_ranged", value=with_unit(shown.value, unit, words), low=shown.low, high=shown.high)
    middle = (d.before.value + d.after.value) / 2
    error = sdc = ""
    if d.new_page is not None:
        error = words.say("error_df", sem=significant(times * d.new_page.at(middle)), df=d.new_page.df)
        sdc = words.figure(significant(times * d.new_page.sdc(middle)))
    claim = words.say(f"claim_{d.claim.replace('-', '_')}")
    if d.claim == "larger" and d.together:
        claim += " " + words.say("claim_together")
    return TechnicalRow(
        own.name,
        ranged(d.key, d.before, words),
        ranged(d.key, d.after, words),
        step + (" " + words.say("beside") if d.beside else ""),
        error,
        sdc,
        "" if d.index is None else words.figure(number(d.index, 1)),
        claim,
    )


def _over_time(series: Sequence[Occasion], words: Catalogue) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return every measure on every occasion; left out when the technical table shows both occasions already."""
    if len(series) < 3:
        return ()
    keys = dict.fromkeys(k for o in series for k, q in o.measures.items() if isinstance(q, Measured))
    return tuple((words.measure(k).name, tuple(_cell(k, o.measures.get(k), words) for o in series)) for k in keys)


def _cell(key: str, quantity: Quantity | None, words: Catalogue) -> str:
    return ranged(key, quantity, words) if isinstance(quantity, Measured) else ""


def _errors(told: History, words: Catalogue) -> tuple[tuple[str, str], ...]:
    """Return the three errors, each with what is known of it."""
    again = words.say("error_same_page_none")
    if told.same_page:
        again = words.say("error_same_page", **_repeats_counts(told.same_page))
    new = words.say("error_new_page_none", least=LEAST_DF)
    if told.new_page:
        new = words.say("error_new_page", **_repeats_counts(told.new_page))
        if told.repeats_of_one_text:
            new += " " + words.say("error_one_text")
    return (
        (words.say("error_same_scan_name"), words.say("error_same_scan")),
        (words.say("error_same_page_name"), again),
        (words.say("error_new_page_name"), new),
    )


def _repeats_counts(found: Mapping[str, RepeatsOf]) -> dict[str, int]:
    most = max(found.values(), key=lambda r: r.df)
    return {"pupils": most.pupils, "pages": most.pages, "df": most.df}


def _not_compared(told: History, words: Catalogue) -> tuple[tuple[str, str], ...]:
    reasons: dict[str, list[str]] = {}
    for one in told.comparison.not_compared:
        why = words.say(f"not_compared_{one.reason.replace('-', '_')}", why=words.english(one.why))
        reasons.setdefault(why, []).append(words.measure(one.key).name)
    return tuple((sentence(why), "; ".join(names)) for why, names in reasons.items())


def _growth(told: History, words: Catalogue) -> list[str]:
    return [
        words.say(
            "growth_of",
            source=g.short,
            context=words.english(g.context),
            before=number(g.before, 0),
            after=number(g.after, 0),
            grade_before=g.grade_before,
            grade_after=g.grade_after,
            step=number(g.after - g.before, 0),
        )
        for g in told.growth
    ]


# --- context ------------------------------------------------------------------------------------------------------


def _has_grid(told: History) -> bool:
    return len(told.grid.places) > 1 or len(told.grid.terms) > 1


def _context(told: History, words: Catalogue) -> tuple[str, ...]:
    """Return the plain sentences on places and terms, steadier measures first."""
    if not _has_grid(told):
        return ()
    names: dict[str, list[str]] = {}
    for row in told.grid.rows:
        if row.key not in SHOWN:
            continue
        for key in _context_keys(row):
            names.setdefault(key, []).append(words.measure(row.key).name)
    apart: list[str] = []
    for row in told.grid.rows:
        if row.key in SHOWN and row.places == "one-place":
            place = place_said(row.where[0], words)
            apart.append(words.say("context_one_place", name=words.measure(row.key).name, place=place))
    ordered = ("context_steady", "context_alike", "context_holds", "context_apart", "context_moves", "context_untold")
    lines = [words.say(k, names="; ".join(names[k])) for k in ordered if k in names]
    return tuple(lines + apart)


def _context_keys(row: GridRow) -> list[str]:
    if row.places == row.terms == "untold":
        return ["context_untold"]
    if row.places == "alike" and row.terms == "holds":
        return ["context_steady"]
    found = []
    if row.places == "alike":
        found.append("context_alike")
    elif row.places == "apart":
        found.append("context_apart")
    if row.terms == "holds":
        found.append("context_holds")
    elif row.terms == "moves":
        found.append("context_moves")
    return found


def _grid_table(row: GridRow, told: History, words: Catalogue) -> GridTable:
    cells = {(c.term, c.place): c.quantity for c in row.cells}
    said = words.say(f"grid_places_{row.places.replace('-', '_')}") if row.places != "untold" else ""
    if row.terms != "untold":
        said = f"{said} {words.say(f'grid_terms_{row.terms}')}".strip()
    table = tuple(
        (term, tuple(_cell(row.key, cells.get((term, place)), words) for place in told.grid.places))
        for term in told.grid.terms
    )
    return GridTable(
        words.measure(row.key).name, said or words.say(f"grid_{row.reason or 'one'}"), row.key in SHOWN, table
    )
