"""Small charts of one measure over the dates, as inline SVG; each has the same numbers in the tables."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from itertools import pairwise

from markupsafe import Markup, escape

from handwriting.quantity import Measured
from handwriting.report import colours
from handwriting.report.charts import ticks
from handwriting.report.rounding import rounded
from handwriting.report.words import Catalogue

_WIDTH, _HEIGHT = 230.0, 92.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 14.0, 8.0, 18.0
_FONT = 'font-family="Helvetica, Arial, Libertinus Serif, sans-serif"'

Point = tuple[dt.date, Measured]


def timeline(name: str, points: Sequence[Point], words: Catalogue) -> tuple[Markup, str]:
    """Return the chart of a measure over dates (values as dots, 95 % intervals as bars) and its words for the blind.

    Parameters
    ----------
    name : str
        The measure, as the reader knows it.
    points : sequence of date and Measured
        Two or more, by date, in the unit they are to be shown in.
    """
    said = []
    for day, q in points:
        shown = rounded(q.value, q.low, q.high)
        said.append(words.say("timeline_point", date=day, value=shown.value, low=shown.low, high=shown.high))
    alt = words.say("timeline_alt", name=name, points="; ".join(said))
    marks = ticks(min(q.low for _, q in points), max(q.high for _, q in points), most=4)
    low, high = marks[0], marks[-1]
    first, span = points[0][0], max((points[-1][0] - points[0][0]).days, 1)

    def x(day: dt.date) -> float:
        return _LEFT + 12 + (day - first).days / span * (_WIDTH - _LEFT - _RIGHT - 24)

    def y(value: float) -> float:
        return _HEIGHT - _BOTTOM - (value - low) / (high - low) * (_HEIGHT - _TOP - _BOTTOM)

    parts = [
        f'<svg viewBox="0 0 {_WIDTH:.0f} {_HEIGHT:.0f}" role="img" aria-label="{escape(alt)}"'
        ' xmlns="http://www.w3.org/2000/svg">'
    ]
    for mark in marks:
        parts.append(_line(_LEFT, y(mark), _WIDTH - _RIGHT, y(mark), "#c3c9ce", 0.7))
        parts.append(_text(_LEFT - 4, y(mark) + 3.2, words.figure(f"{mark:g}"), "end"))
    for (a, one), (b, other) in pairwise(points):
        parts.append(_line(x(a), y(one.value), x(b), y(other.value), colours.HAIRLINE, 1, dash="3 3"))
    for place, (day, q) in enumerate(points):
        c = x(day)
        parts.append(_line(c, y(q.low), c, y(q.high), colours.BASELINE, 1.6))
        parts += [_line(c - 3, y(end), c + 3, y(end), colours.BASELINE, 1.6) for end in (q.low, q.high)]
        parts.append(f'<circle cx="{c:.1f}" cy="{y(q.value):.1f}" r="3.2" fill="{colours.BASELINE}"/>')
        if place in (0, len(points) - 1):
            parts.append(
                _text(
                    c, _HEIGHT - 5, f"{day:%Y-%m-%d}", "start" if place == 0 else "end", shift=-14 if place == 0 else 14
                )
            )
    parts.append("</svg>")
    return Markup("".join(parts)), alt


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, width: float, *, dash: str = "") -> str:
    broken = f' stroke-dasharray="{dash}"' if dash else ""
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{colour}" stroke-width="{width}"{broken}/>'


def _text(x: float, y: float, words: str, anchor: str, *, shift: float = 0.0) -> str:
    place = f'x="{x + shift:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f'<text {place} fill="{colours.TEXT}" font-size="10" {_FONT}>{escape(words)}</text>'
