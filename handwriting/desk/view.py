"""What the screen shows of a record: marks in the page's unit, measures in words, which marks each measure rests on.

Everything comes from the record; nothing is measured here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from handwriting.geometry import Box
from handwriting.quantity import Measured, Quantity
from handwriting.record import LineFacts, Record, WordFacts
from handwriting.report import facts, plain
from handwriting.report.rounding import number, rounded, significant
from handwriting.report.words import Catalogue, catalogue

# Which kinds of marks light up with a measure. Kinds are those of `_marks`, and "rule", "baseline" and "band".
MARKS: dict[str, tuple[str, ...]] = {
    "letters_per_minute": ("word",),
    "x_height": ("body", "band"),
    "x_height_centre": ("body", "band"),
    "height_cv": ("body", "ascender", "descender"),
    "height_robust_cv": ("body", "ascender", "descender"),
    "ascender_ratio": ("ascender", "body"),
    "descender_ratio": ("descender", "body"),
    "rule_distance": ("foot", "rule"),
    "rule_wander": ("foot", "rule"),
    "on_line_share": ("foot", "rule"),
    "baseline_drift": ("baseline",),
    "baseline_drift_spread": ("baseline",),
    "baseline_wander": ("foot", "baseline"),
    "baseline_wander_ratio": ("foot", "baseline"),
    "word_space": ("word-gap",),
    "word_space_ratio": ("word-gap", "band"),
    "word_space_cv": ("word-gap",),
    "letter_space": ("letter-gap",),
    "letter_space_ratio": ("letter-gap", "band"),
    "letter_space_cv": ("letter-gap",),
    "space_ratio": ("word-gap", "letter-gap"),
    "space_overlap": ("word-gap", "letter-gap"),
    "slant": ("body", "ascender", "descender"),
    "slant_spread": ("body", "ascender", "descender"),
    "left_margin_drift": ("start",),
    "left_margin_spread": ("start",),
    "right_margin_drift": ("end",),
    "right_margin_spread": ("end",),
    "line_contacts": ("line",),
    "line_fill": ("word",),
    "stroke_width": ("word",),
}
KIND_NAMES = {
    "body": "small letter",
    "ascender": "tall letter",
    "descender": "letter with a tail",
    "other": "mark",
}


def view(record: Record, words: Catalogue | None = None) -> dict[str, Any]:
    """Return what the page's script draws and says, as plain JSON values.

    Lengths are in the record's own unit (`unit`), to 0.01 mm or 0.1 px; x right, y down.
    """
    words = words or catalogue()
    k = record.scale.mm_per_px or 1.0
    places = 1 if record.scale.unit == "px" else 2
    lines, found = plain.counted(record, words)
    return {
        "unit": record.scale.unit,
        "scale": facts.sentence(record.scale.sentence),
        "width": round(record.page.frame_width_px * k, 3),
        "height": round(record.page.frame_height_px * k, 3),
        "found": f"{lines}, {found}",
        "places": places,
        "rules": [[_point(p, places) for p in rule] for rule in record.ruling.rules] if record.ruling else [],
        "margin": [_point(p, places) for p in record.ruling.margin] if record.ruling and record.ruling.margin else [],
        "print": [_box(b, places) for b in record.print_areas],
        "lines": [_line(line, places) for line in record.lines],
        "measures": groups(record, words),
        "notes": [
            {"meaning": row.meaning, "effect": row.effect, "advice": row.advice} for row in facts.flag_rows(record)
        ],
        "corrections": len(record.corrections),
    }


def _point(p: tuple[float, float], places: int) -> list[float]:
    return [round(p[0], places), round(p[1], places)]


def _box(b: Box, places: int) -> list[float]:
    return [round(v, places) for v in (b.left, b.top, b.right, b.bottom)]


def _line(line: LineFacts, places: int) -> dict[str, Any]:
    return {
        "number": line.number,
        "baseline": [_point(p, places) for p in line.baseline],
        "height": round(line.x_height, places),
        "box": _box(line.box, places),
        "words": [_word(word, places) for word in line.words],
    }


def _word(word: WordFacts, places: int) -> dict[str, Any]:
    letters = [
        [
            *_box(mark.box, places),
            mark.kind,
            round(mark.height, places),
            round(mark.foot, places),
            None if mark.to_rule is None else round(mark.to_rule, places),
            mark.text or "",
            mark.state,
        ]
        for mark in word.letters
    ]
    return {
        "number": word.number,
        "box": _box(word.box, places),
        "text": word.text or "",
        "state": word.state,
        "letters": letters,
    }


def groups(record: Record, words: Catalogue) -> list[dict[str, Any]]:
    """Return the measures under the report's headings, in its order; what no heading names comes last."""
    named = {key for topic in words.topics for key in topic.measures}
    listed: list[tuple[str, Iterable[str]]] = [(words.say("plain_speed"), ("letters_per_minute",))]
    listed += [(topic.title, topic.measures) for topic in words.topics]
    listed.append(("More measures", [k for k in record.measures if k not in named and k != "letters_per_minute"]))
    made = []
    for title, keys in listed:
        rows = [_measure(key, record.measures[key], words) for key in keys if key in record.measures]
        if rows:
            made.append({"title": title, "rows": rows})
    return made


def _measure(key: str, quantity: Quantity, words: Catalogue) -> dict[str, Any]:
    own = words.measure(key)
    row: dict[str, Any] = {"key": key, "name": own.name, "term": own.term, "marks": MARKS.get(key, ())}
    if not isinstance(quantity, Measured):
        return {**row, "why": facts.sentence(quantity.why)}
    q = plain.as_shown(quantity, own)
    shown = rounded(q.value, q.low, q.high, fine=True)
    return {
        **row,
        "value": plain.with_unit(shown.value, q.unit, words),
        "interval": words.say("interval", low=shown.low, high=shown.high),
        "n": q.n,
    }


def scale_said(record: Record) -> str:
    """Return the scale in a few words."""
    if record.scale.mm_per_px is None:
        return "not known: ratios and counts only"
    share = significant(100 * record.scale.relative_uncertainty)
    return f"{number(25.4 / record.scale.mm_per_px, 0)} dots to the inch, within {share} %"
