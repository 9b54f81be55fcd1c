"""Charts and legend keys as inline SVG, without scripts or style attributes so that a strict page policy allows them.

The speed chart puts this page (a band over its interval, a line at its value) beside published means (diamonds, with a
bar of one SD each way where an SD was read). Its numbers stand in the table below it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from handwriting.quantity import Measured
from handwriting.report import colours
from handwriting.report.rounding import rounded
from handwriting.report.words import Catalogue

_WIDTH, _LABEL, _RIGHT = 700.0, 292.0, 14.0
_ROW, _TOP, _BOTTOM = 14.5, 18.0, 29.0
_FONT = 'font-family="Helvetica, Arial, sans-serif"'


@dataclass(frozen=True, slots=True)
class SpeedRow:
    """One published figure for the chart: its number in the table, label, value and SD in letters a minute.

    `measured` is False for a standard or an aim, which is drawn hollow.
    """

    number: int
    label: str
    mean: float
    sd: float | None
    measured: bool = True


def ticks(low: float, high: float, most: int = 8) -> list[float]:
    """Return round values from at or below `low` to at or above `high`, at most `most` steps of 1, 2 or 5."""
    span = max(high - low, 1e-9)
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(s * power for s in (1, 2, 5, 10, 20) if span / (s * power) <= most)
    first, last = math.floor(low / step), math.ceil(high / step)
    return [i * step for i in range(first, last + 1)]


def _text(
    x: float, y: float, words: str, *, anchor: str = "start", colour: str = colours.TEXT, bold: bool = False
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    place = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
    return f'<text {place} fill="{colour}" font-size="11" {_FONT}{weight}>{escape(words)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, width: float, dash: str = "") -> str:
    broken = f' stroke-dasharray="{dash}"' if dash else ""
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{colour}" stroke-width="{width}"{broken}/>'


def _shortened(label: str, most: int = 52) -> str:
    """Return a label that has room; what it loses stands in the table: remarks in brackets, then parts before the last.

    `label` is the source, the band, what else must be known, and the group, parted by commas.
    """
    if len(label) > most:
        label = re.sub(r" \([^)]*\)", "", label)
    parts = label.split(", ")
    while len(", ".join(parts)) > most and len(parts) > 2:
        parts.pop(-2 if len(parts) > 3 else -1)
    label = ", ".join(parts)
    return label if len(label) <= most else label[: most - 1].rstrip(" ,;") + "…"


def speed_chart(here: Measured, rows: Sequence[SpeedRow], words: Catalogue) -> Markup:
    """Return the chart of this page's speed beside published means; empty when there are none."""
    if not rows:
        return Markup("")
    ends = [here.low, here.high]
    for row in rows:
        ends += [row.mean - (row.sd or 0), row.mean + (row.sd or 0)]
    marks = ticks(max(0.0, min(ends) - 2), max(ends) + 2)
    first, last = marks[0], marks[-1]

    def across(value: float) -> float:
        return _LABEL + (value - first) / (last - first) * (_WIDTH - _LABEL - _RIGHT)

    floor = _TOP + _ROW * len(rows)
    shown = rounded(here.value, here.low, here.high)
    alt = escape(words.say("chart_alt", value=shown.value, n=len(rows)))
    size = f'viewBox="0 0 {_WIDTH:.0f} {floor + _BOTTOM:.0f}"'
    parts = [f'<svg {size} role="img" aria-label="{alt}" xmlns="http://www.w3.org/2000/svg"><title>{alt}</title>']
    left, right = across(max(here.low, first)), across(min(here.high, last))
    place = f'x="{left:.1f}" y="{_TOP}" width="{max(right - left, 0.5):.1f}" height="{floor - _TOP}"'
    parts.append(f'<rect {place} fill="{colours.BAND}"/>')
    for mark in marks:
        parts.append(_line(across(mark), floor, across(mark), floor + 4, colours.QUIET, 1))
        parts.append(_text(across(mark), floor + 15, words.figure(f"{mark:g}"), anchor="middle"))
    parts.append(_line(_LABEL, floor, _WIDTH - _RIGHT, floor, colours.QUIET, 1))
    parts.append(_text((_LABEL + _WIDTH - _RIGHT) / 2, floor + 27, words.say("chart_axis"), anchor="middle"))
    x = across(here.value)
    parts.append(_line(x, _TOP - 4, x, floor, colours.BASELINE, 2))
    parts.append(_text(x, _TOP - 7, words.say("chart_here", value=shown.value), anchor="middle", bold=True))
    for place_in_list, row in enumerate(rows):
        parts += _published(row, _TOP + _ROW * (place_in_list + 0.5), across)
    parts.append("</svg>")
    return Markup("".join(parts))


def _published(row: SpeedRow, y: float, across: Callable[[float], float]) -> list[str]:
    """Return one row of the chart: label, bar of one SD each way, diamond at the mean."""
    parts = [_text(0, y + 4, f"{row.number}  {_shortened(row.label)}")]
    if row.sd:
        a, b = across(row.mean - row.sd), across(row.mean + row.sd)
        parts.append(_line(a, y, b, y, colours.TEXT, 1.4))
        parts += [_line(end, y - 3.5, end, y + 3.5, colours.TEXT, 1.4) for end in (a, b)]
    c = across(row.mean)
    corners = f"{c - 5:.1f},{y:.1f} {c:.1f},{y - 5:.1f} {c + 5:.1f},{y:.1f} {c:.1f},{y + 5:.1f}"
    fill = colours.TEXT if row.measured else colours.PAPER
    parts.append(f'<polygon points="{corners}" fill="{fill}" stroke="{colours.TEXT}" stroke-width="1.4"/>')
    return parts


def _path(d: str, colour: str, width: float) -> str:
    return f'<path d="{d}" fill="none" stroke="{colour}" stroke-width="{width}"/>'


def _state(label: str, dashes: str) -> str:
    """Return the frame of a word that is not as in the text, with its label."""
    frame = f'<g stroke-dasharray="{dashes}">{_path("M11 1.5H31V10.5H11Z", colours.STATE, 1.3)}</g>'
    return frame + f'<text x="5" y="9.5" text-anchor="middle" font-size="10" fill="{colours.STATE}">{label}</text>'


def legend_key(key: str) -> Markup:
    """Return a small picture of one kind of mark, as `overlay` draws it; decorative, its words stand beside it."""
    shapes = {
        "baseline": _line(1, 6, 31, 6, colours.BASELINE, 1.8),
        "band": f'<rect x="1" y="2" width="30" height="9" fill="{colours.BAND}"/>'
        + _line(1, 2, 31, 2, colours.BASELINE, 1.2, "5 4"),
        "word": _path("M10 4V2H13M19 2H22V4M22 8V10H19M13 10H10V8", colours.WORD, 1.4),
        "body": f'<circle cx="16" cy="6" r="2.2" fill="{colours.LETTER}"/>',
        "ascender": f'<polygon points="13,8 19,8 16,3" fill="{colours.LETTER}"/>',
        "descender": f'<polygon points="13,4 19,4 16,9" fill="{colours.LETTER}"/>',
        "other": f'<polygon points="13,6 16,3 19,6 16,9" fill="{colours.LETTER}"/>',
        "rule": _line(1, 6, 31, 6, colours.RULE, 1.4, "1.5 3.5"),
        "margin": _line(1, 6, 31, 6, colours.MARGIN, 1.6, "8 3 2 3"),
        "ruler": _line(1, 2, 31, 2, colours.RULER, 1.4)
        + _path("M4 2V9M10 2V6M16 2V9M22 2V6M28 2V9", colours.RULER, 1.2),
        "misspelt": _state("~", "2 3"),
        "repeated": _state("2", "7 2 2 2"),
        "added": _state("+", "7 3"),
        "crossed-out": _state("x", "none"),
        "unreadable": _state("?", "2 2 2 2 7 2"),
        "left-out": _path("M12 10L16 3L20 10", colours.STATE, 1.6),
        "minute": f'<rect x="9" y="1" width="14" height="10" rx="2" fill="{colours.MINUTE}"/>'
        + f'<text x="16" y="9" text-anchor="middle" font-size="9" fill="{colours.PAPER}">1\'</text>',
        "print": f'<g stroke-dasharray="4 2">{_path("M2 1.5H30V10.5H2Z", colours.PRINT, 1.2)}</g>'
        + _path("M5 10L13 2M11 10L19 2M17 10L25 2M23 10L29 4", colours.PRINT, 0.7),
    }
    return Markup(f'<svg viewBox="0 0 32 12" aria-hidden="true" class="key">{shapes[key]}</svg>')
