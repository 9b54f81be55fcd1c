"""The plain part: topics in short sentences, steadier ones first.

Topics are put in order by one quantity that all of them share, the spread in shares of the small-letter height:
height CV, of each letter where letters are known; RMS wander of the baseline over x-height; SD of word and letter
gaps over x-height (their CV times their mean ratio); the tangent of the slant's SD, which is the sideways shift of a
stroke over its height; SD of line starts over x-height. The order compares topics of one page with each other. It has
no threshold and is no norm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from handwriting.quantity import Measured
from handwriting.record import Record
from handwriting.report.rounding import number, rounded
from handwriting.report.words import Catalogue, MeasureWords


@dataclass(frozen=True, slots=True)
class Said:
    """One topic as the reader meets it; `spread` is in small-letter heights, None where the topic has none."""

    title: str
    sentences: tuple[str, ...]
    spread: float | None


def measured(record: Record, key: str) -> Measured | None:
    """Return the quantity of `key` when it was measured."""
    quantity = record.measures.get(key)
    return quantity if isinstance(quantity, Measured) else None


def with_unit(number: str, unit: str, words: Catalogue) -> str:
    """Return a number, already rounded, with its unit in words."""
    return words.units.get(unit, "{n} " + unit).format(n=words.figure(number))


def as_shown(quantity: Measured, words: MeasureWords) -> Measured:
    """Return the quantity in the unit readers know it by: some ratios as per cent."""
    if words.percent and quantity.unit == "1":
        q = quantity
        return Measured(100 * q.value, "%", 100 * q.low, 100 * q.high, q.n, q.parts, q.flags)
    return quantity


def tolerance(record: Record, words: Catalogue) -> str:
    """Return how near to the rule counts as on the line, from ``tolerance_mm`` among the software's settings."""
    held = record.software.get("tolerance_mm", record.task.get("tolerance_mm"))
    return with_unit(f"{held:g}", "mm", words) if isinstance(held, (int, float)) else words.say("tolerance_unknown")


def sentence(quantity: Measured, key: str, words: Catalogue, *, alone: bool = False, within: str = "") -> str:
    """Return the plain sentence of a measure, empty when the catalogue has none for it.

    `alone` says that the measure before it in its topic is missing; `within` is the tolerance, in words.
    """
    own = words.measure(key)
    q = as_shown(quantity, own)
    template, value, low, high = own.plain, q.value, q.low, q.high
    if alone and own.alone:
        template = own.alone
    if own.zero is not None:
        if low <= own.zero <= high:
            template = own.across
        elif value > own.zero:
            template = own.above
            value, low, high = value - own.zero, low - own.zero, high - own.zero
        else:
            template = own.below
            value, low, high = own.zero - value, own.zero - high, own.zero - low
    shown = rounded(value, low, high)
    value_said = with_unit(shown.value, q.unit, words)
    places = {"number": shown.value, "low": shown.low, "high": shown.high}
    figures = {name: words.figure(figure) for name, figure in places.items()}
    return template.format(value=value_said, tolerance=within, **figures)


def _spreads(record: Record) -> dict[str, float | None]:
    def value(key: str) -> float | None:
        quantity = measured(record, key)
        return None if quantity is None else quantity.value

    def product(a: str, b: str) -> float | None:
        one, other = value(a), value(b)
        return None if one is None or other is None else abs(one * other)

    slant, of_each_letter = value("slant_spread"), value("known_height_cv")
    margin, size = value("left_margin_spread"), value("x_height")
    return {
        "size": value("height_cv") if of_each_letter is None else of_each_letter,
        "line": value("baseline_wander_ratio"),
        "words": product("word_space_cv", "word_space_ratio"),
        "letters": product("letter_space_cv", "letter_space_ratio"),
        "slant": None if slant is None else math.tan(math.radians(min(slant, 80.0))),
        "margin": margin / size if margin is not None and size else None,
    }


def _sentences(record: Record, keys: tuple[str, ...], words: Catalogue) -> tuple[str, ...]:
    said: list[str] = []
    for place, key in enumerate(keys):
        quantity = measured(record, key)
        better = words.measure(key).known
        if quantity is not None and not (better and measured(record, better)):
            before = place > 0 and measured(record, keys[place - 1]) is not None
            said.append(sentence(quantity, key, words, alone=not before, within=tolerance(record, words)))
    return tuple(s for s in said if s)


def topics(record: Record, words: Catalogue) -> tuple[Said, ...]:
    """Return the topics that have something to say, from the smallest spread to the largest, those without last."""
    spreads = _spreads(record)
    found = [Said(t.title, _sentences(record, t.measures, words), spreads.get(t.key)) for t in words.topics]
    told = [topic for topic in found if topic.sentences]
    return tuple(sorted(told, key=lambda topic: math.inf if topic.spread is None else topic.spread))


def order_said(told: tuple[Said, ...], words: Catalogue) -> str:
    """Return the note that gives the spread behind the order of topics; empty when none has one."""
    spreads = [f"{t.title} {words.figure(number(t.spread, 2))}" for t in told if t.spread is not None]
    return words.say("order_note", order="; ".join(spreads)) if spreads else ""


def counted(record: Record, words: Catalogue) -> tuple[str, str]:
    """Return how many lines and words were found, in words."""
    lines, found = len(record.lines), sum(len(line.words) for line in record.lines)
    return (
        words.say("one_line") if lines == 1 else words.say("many_lines", n=lines),
        words.say("one_word") if found == 1 else words.say("many_words", n=found),
    )
