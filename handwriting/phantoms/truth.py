"""The exact truth of a drawn page, in mm of the captured page (after skew), and in pixels through one factor.

Frame
    Origin at the top left corner of the picture, x right, y down; ``px = mm * Truth.px_per_mm``, in which the pixel of
    column i spans i to i + 1. Boxes come from the geometry of the pen's path, never from the picture.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, TypeVar

from handwriting.geometry import Box, Polyline

Placed = TypeVar("Placed", Box, Polyline)


@dataclass(frozen=True, slots=True)
class LetterTruth:
    """One letter.

    Parameters
    ----------
    char, klass : str
        The letter as written; its class (body, ascender, descender, capital, digit, mixed, punctuation).
    ink, centre : Box
        Box of the ink (pen width included) and of the pen's path, mm. Joins between letters belong to no letter.
    height_mm, bottom_mm : float
        Height of the path's top above the letter's own foot line, and of its lowest point above that line (negative
        in descenders): measured square to the baseline, dots and marks left out.
    lift_mm : float
        Height of the letter's foot line above the baseline of its text line.
    size, slant_deg, pen_mm : float
        Size against the writer's mean; slant of upright strokes to the local baseline; width of the pen's line.
    foot : tuple of float
        Where the letter's foot line starts, x and y in mm.
    gap_mm : float or None
        Least horizontal gap between its ink hull and that of the letter before it in the word; None for the first.
    joined : bool
        Whether a pen stroke joins it to the letter before.
    """

    char: str
    klass: str
    ink: Box
    centre: Box
    height_mm: float
    bottom_mm: float
    lift_mm: float
    size: float
    slant_deg: float
    pen_mm: float
    foot: tuple[float, float]
    gap_mm: float | None
    joined: bool


@dataclass(frozen=True, slots=True)
class WordTruth:
    """One word, written or left out.

    `state` is written, left-out, repeated (the second writing), misspelt, crossed-out or added. `text_index` is its
    place among the words of the text, None for added words; `line` its text line and `box` its ink, None when left
    out. `gap_mm` is the least horizontal gap between the ink hulls of this word and the one before it on the line;
    `box_gap_mm` the gap between their upright boxes along the baseline.
    """

    text: str
    written: str
    state: str
    text_index: int | None
    line: int | None
    box: Box | None
    letters: tuple[LetterTruth, ...]
    gap_mm: float | None
    box_gap_mm: float | None


@dataclass(frozen=True, slots=True)
class RuleTruth:
    """One printed rule: y in mm at the picture's left edge and slope (positive rising to the right).

    For upright lines (kind vertical or margin) `at_mm` is x at the picture's top edge and `slope` is ``dx/dy`` going
    down. `row` numbers the rules that are written on.
    """

    kind: str
    at_mm: float
    slope: float
    row: int | None
    width_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class LineTruth:
    """One text line: the row it stands on, its baseline (wave and drift, not the letters' bounce), its words.

    `drift_deg` is the slope of the baseline to the rule, `bias_mm` its height above the rule at mid-line; `start_mm`
    the first ink's x on the upright page.
    """

    row: int
    rule: int | None
    baseline: Polyline
    drift_deg: float
    bias_mm: float
    start_mm: float
    words: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Everything true of the page; `set_values` are the writer's, `realised` what the page came out with.

    `words` come in the order they were written, left-out words where they were missed; `reached` is how many words of
    the text were reached before the page was full. `letter_counts` holds letters (a-z and the like) written in all,
    in words that match the text, in crossed-out, in added or repeated words, and capitals, digits and punctuation.
    """

    text: str
    px_per_mm: float
    width_px: int
    height_px: int
    width_mm: float
    height_mm: float
    skew_deg: float
    rules: tuple[RuleTruth, ...]
    lines: tuple[LineTruth, ...]
    words: tuple[WordTruth, ...]
    printed: tuple[Box, ...]
    reached: int
    set_values: dict[str, Any]
    realised: dict[str, float]
    letter_counts: dict[str, int]
    seed: int

    def px(self, item: Placed) -> Placed:
        """Return a box or polyline of this truth in pixels of the picture."""
        return item.scaled(self.px_per_mm)

    def as_dict(self) -> dict[str, Any]:
        """Return plain dictionaries, lists and numbers."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}

    def to_json(self) -> str:
        """Return the truth as JSON text."""
        return json.dumps(self.as_dict(), ensure_ascii=False)


def _plain(value: Any) -> Any:  # noqa: ANN401 - walks any dataclass
    if isinstance(value, Polyline):
        return {"x": value.x.tolist(), "y": value.y.tolist()}
    if isinstance(value, (tuple, list)):
        return [_plain(v) for v in value]
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    return value
