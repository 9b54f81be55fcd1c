"""What the screen shows of a record: marks in the page's unit, measures in words, which marks each measure rests on.

Everything comes from the record; nothing is measured here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from handwriting.geometry import Box
from handwriting.quantity import Measured, Quantity
from handwriting.record import LineFacts, Record, WordFacts
from handwriting.report import facts, plain
from handwriting.report.rounding import rounded
from handwriting.report.words import Catalogue, MeasureWords, catalogue
from handwriting.task import split_words

# Which kinds of marks light up with a measure. Kinds are those of `_marks`, and "rule", "baseline" and "band".
MARKS: dict[str, tuple[str, ...]] = {
    "letters_per_minute": ("word",),
    "pace_change": ("word",),
    "x_height": ("body", "band"),
    "x_height_centre": ("body", "band"),
    "height_cv": ("body", "ascender", "descender"),
    "height_robust_cv": ("body", "ascender", "descender"),
    "ascender_ratio": ("ascender", "body"),
    "descender_ratio": ("descender", "body"),
    "known_x_height": ("body",),
    "known_height_cv": ("body", "ascender", "descender"),
    "known_ascender_ratio": ("ascender", "body"),
    "known_descender_ratio": ("descender", "body"),
    "known_letter_space": ("letter-gap",),
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
    "shape_consistency": ("body", "ascender", "descender"),
}


def view(record: Record, words: Catalogue | None = None) -> dict[str, Any]:
    """Return what the page's script draws and says, as plain JSON values.

    Lengths are in the record's own unit (`unit`), to 0.01 mm or 0.1 px; x right, y down. A line's `baseline` is what it
    stands on, the lowest row of its ink, because that is what a person sees and drags, and what a correction names.
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
        "per_px": k,
        "text": [word.text for word in split_words(str(record.task.get("text") or ""))],
        "counted": record.letters.get("words"),
        "made": [said(c) for c in record.corrections],
        "cover": [c["value"] for c in record.corrections if c.get("kind") == "blank"],
        "rules": [[_point(p, places) for p in rule] for rule in record.ruling.rules] if record.ruling else [],
        "margin": [_point(p, places) for p in record.ruling.margin] if record.ruling and record.ruling.margin else [],
        "print": [_box(b, places) for b in record.print_areas],
        "lines": [_line(line, places, k) for line in record.lines],
        "in_text": _in_text(record),
        "measures": groups(record, words),
        "notes": [
            {"meaning": row.meaning, "effect": row.effect, "advice": row.advice} for row in facts.flag_rows(record)
        ],
    }


_AHEAD = 12


def _in_text(record: Record) -> dict[int, int]:
    """Return which word of the text a word of the page seems to be: where the form starts, for a person to change."""
    text = [_bare(word.text) for word in split_words(str(record.task.get("text") or ""))]
    found: dict[int, int] = {}
    after = 0
    for word in (w for line in record.lines for w in line.words if w.text):
        ahead = text[after : after + _AHEAD]
        wanted = _bare(word.text or "")
        if wanted in ahead:
            after += ahead.index(wanted) + 1
            found[word.number] = after
    return found


def _bare(word: str) -> str:
    return "".join(c for c in word.casefold() if c.isalnum())


def _point(p: tuple[float, float], places: int) -> list[float]:
    return [round(p[0], places), round(p[1], places)]


def _box(b: Box, places: int) -> list[float]:
    return [round(v, places) for v in (b.left, b.top, b.right, b.bottom)]


def _line(line: LineFacts, places: int, px: float) -> dict[str, Any]:
    return {
        "number": line.number,
        "baseline": [_point((x, y - px), places) for x, y in line.stands_on()],
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


_ACTS = {
    "letters": "letters counted by hand: {value}",
    "last-word": "last word reached: word {value} of the text",
    "left-out": "left out: word {value} of the text",
    "state": "a word is marked {value}",
    "reads": "a word says “{value}”",
    "split": "a word is split",
    "join": "two words are joined",
    "baseline": "the line of writing is moved",
    "set-aside": "a mark is not writing",
    "set-line": "a line is not writing",
    "minute": "minute {value} ends with a word",
    "blank": "a part of the page is blanked",
    "scale": "the scale is drawn along a known length",
}


def said(correction: Mapping[str, Any], *, signed: bool = True) -> str:
    """Return one correction in words, with who and when unless told otherwise."""
    kind = str(correction.get("kind", ""))
    what = _ACTS.get(kind, kind).format(value=correction.get("value"))
    if not signed:
        return f"{what[:1].upper()}{what[1:]}"
    who, when = correction.get("who") or "", str(correction.get("when") or "")[:16].replace("T", " ")
    by = ", ".join(part for part in (who, when) if part)
    return f"{what[:1].upper()}{what[1:]}" + (f" ({by})" if by else "")


def groups(record: Record, words: Catalogue) -> list[dict[str, Any]]:
    """Return the measures under the report's headings, in its order; what no heading names comes last."""
    named = {key for topic in words.topics for key in topic.measures}
    listed: list[tuple[str, Iterable[str]]] = [(words.say("plain_speed"), ("letters_per_minute",))]
    listed += [(topic.title, topic.measures) for topic in words.topics]
    listed.append(("More measures", [k for k in record.measures if k not in named and k != "letters_per_minute"]))
    found = dict((record.as_found or {}).get("measures", {}))
    made = []
    for title, keys in listed:
        rows = [_measure(key, record.measures[key], words, found.get(key)) for key in keys if key in record.measures]
        if rows:
            made.append({"title": title, "rows": rows})
    return made


def _measure(key: str, quantity: Quantity, words: Catalogue, found: Mapping[str, Any] | None) -> dict[str, Any]:
    own = words.measure(key)
    row: dict[str, Any] = {"key": key, "name": own.name, "term": own.term, "marks": MARKS.get(key, ())}
    if not isinstance(quantity, Measured):
        return {**row, "why": facts.sentence(quantity.why)}
    if found is not None:
        # What the program found before anything was put right, where that was another number.
        before = Measured(found["value"], found["unit"], found["low"], found["high"], 1) if "value" in found else None
        told = _told(before, own, words) if before else ("not measured", "")
        row |= {"found": told[0]} if before is None or before.value != quantity.value else {}
    value, interval = _told(quantity, own, words)
    return {**row, "value": value, "interval": interval, "n": quantity.n}


def _told(quantity: Measured, own: MeasureWords, words: Catalogue) -> tuple[str, str]:
    q = plain.as_shown(quantity, own)
    shown = rounded(q.value, q.low, q.high, fine=True)
    return plain.with_unit(shown.value, q.unit, words), words.say("interval", low=shown.low, high=shown.high)
