"""How full the printed report is, and how small it has to be set to keep to its two A4 pages.

The report has no script that could measure itself, so the height of each part is reckoned from how much it says:
characters a line and line heights of the style sheet as Chromium sets them, on the safe side. Full pages lose the
room for notes first, then space between lines, then size, in steps that the style sheet knows.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import ceil
from typing import Any

# Two pages of 281 mm, less what parts that must not be cut leave empty at the foot of the first.
_ROOM_MM = 540.0
_NOTES_MM = 24.0
# A page set without saving space is taller by so much.
_ROOMY = 1.15
# Sizes that the style sheet knows; text set smaller also needs fewer lines.
_STEPS = (1.0, 0.95, 0.9, 0.85, 0.8, 0.75)
_SHRINKS = 1.7


def classes(parts: dict[str, Any]) -> str:
    """Return the classes of the report's body: ``dense`` saves space, ``full`` has no room for notes, ``fit-`` a size.

    Parameters
    ----------
    parts : dict
        What the template shows, by name, as `html.parts` returns it.
    """
    height = _height(parts)
    if _ROOMY * height + _NOTES_MM <= _ROOM_MM:
        return ""
    size = next((s for s in _STEPS if height * s**_SHRINKS <= _ROOM_MM), _STEPS[-1])
    said = ["dense"] if height + _NOTES_MM <= _ROOM_MM else ["dense", "full"]
    return " ".join([*said, *([] if size == 1 else [f"fit-{round(100 * size)}"])])


def _lines(texts: Iterable[str], a_line: float) -> int:
    return sum(ceil(len(text) / a_line) for text in texts if text)


def _height(parts: dict[str, Any]) -> float:
    """Return the height of everything, set densely but at its full size, mm."""
    return 36.0 + _first(parts) + _copied(parts) + _speed(parts) + _technical(parts)


def _first(parts: dict[str, Any]) -> float:
    """Picture, cautions, what the page shows, what is missing and the notes."""
    shape = float(parts["image_height"]) / float(parts["image_width"])
    missing = 8.0 + 3.2 * _lines((why + " " + names for why, names in parts["missing"]), 70)
    notes = 8.0 + 3.2 * _lines((f"{f.meaning} {f.effect} {f.advice}" for f in parts["flags"]), 70)
    topics = [told for _, told in parts["topics"]] + [parts["speed_sentence"]]
    cautions = [*parts["words"].cautions, parts["words"].purpose]
    legend = len(parts["legend"])
    if parts["layout"] == "side":
        picture = min(128.0, 94.0 * shape) + 12.0 + 3.6 * ceil(legend / 3)
        left = picture + 14.0 + 3.7 * _lines(cautions, 56) + missing
        right = 22.0 + 4.0 * _lines(topics, 56) + 5.4 * len(topics) + notes
        return max(left, right)
    told = 16.0 + 0.5 * (4.0 * _lines(topics, 60) + 5.4 * len(topics))
    # Many reasons or notes stand one above the other, in two columns each.
    crowded = len(parts["missing"]) > 4 or len(parts["flags"]) > 4
    beside = 0.55 * (missing + notes) + 8.0 if crowded else max(missing, notes)
    if parts["layout"] == "wide":
        picture = min(68.0, 186.0 * shape) + 16.0 + 3.6 * ceil(legend / 6)
        return picture + 12.0 + 1.9 * _lines(cautions, 62) + told + beside
    picture = min(76.0, 116.0 * shape) + 16.0 + 3.6 * ceil(legend / 3)
    return max(picture, 24.0 + 3.7 * _lines(cautions, 38)) + told + beside


def _copied(parts: dict[str, Any]) -> float:
    if not parts["copied"]:
        return 0.0
    rows = 0
    if parts["slips"]:
        across = sum(max(7.0 * size[0] / size[1], 1.3 * len(said)) + 5.0 for _, size, said in parts["slips"])
        rows = ceil(1.15 * across / 186.0)
    return 9.0 + 4.0 * _lines([" ".join(parts["copied"])], 115) + (5.0 + 13.0 * rows if rows else 0.0)


def _speed(parts: dict[str, Any]) -> float:
    rows, n = parts["comparisons"], len(parts["comparisons"])
    reasons = 3.0 * _lines(parts["no_comparisons"], 145)
    if not n:
        return 14.0 + reasons
    table = 4.0 + sum(0.4 + 2.7 * ceil(len(f"{row.who} {row.context}") / 135) for row in rows)
    apart = 4.0 + 2.9 * _lines((f"{which} {what}" for which, what in parts["differences"]), 170)
    return 14.0 + (18.0 + 4.2 * n) + 7.0 + table + apart + reasons


def _technical(parts: dict[str, Any]) -> float:
    table = 18.0 + sum(2.85 * max(1, ceil(len(row.term) / 42)) for row in parts["rows"])
    return table + 6.0 + 11.0 + 1.6 * _lines((f"{name} {value}" for name, value in parts["provenance"]), 82)
