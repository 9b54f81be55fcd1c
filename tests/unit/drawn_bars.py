"""Pages of slanted bars at exactly known places, for the tests of words, spacing, slant, margins and strokes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from handwriting.geometry import Polyline
from handwriting.ink import Ink, Pieces
from handwriting.letters import Letters
from handwriting.lifting import PAPER
from handwriting.lines import Lines, TextLine
from handwriting.measures.evidence import Evidence
from handwriting.rules import Ruling
from handwriting.words import find_words

X_HEIGHT = 40.0
PITCH = 160
LEFT = 300.0


@dataclass(frozen=True)
class Bar:
    """A bar: left edge at its foot, width across, height, degrees from the baseline, foot above the baseline; px."""

    left: float
    width: float = 6.0
    height: float = X_HEIGHT
    slant_deg: float = 90.0
    foot: float = 0.0


def row_of(gaps: Sequence[float], left: float = LEFT, width: float = 6.0, **shape: float) -> list[Bar]:
    """Return bars side by side with these horizontal gaps between them."""
    places = np.concatenate([[left], left + np.cumsum(np.asarray(gaps, float) + width)])
    return [Bar(float(x), width, **shape) for x in places]


def lines_of(rows: Sequence[Sequence[Bar]], *, rise: float = 0.0) -> Lines:
    """Return the lines of writing made of these bars; baselines rise to the right by `rise` px a column."""
    shape = (PITCH * (len(rows) + 2), 2600)
    xs, ys, pieces, lines, boxes, courses = [], [], [], [], [], []
    for k, bars in enumerate(rows):
        base = PITCH * (k + 1.5)
        for bar in bars:
            lean = 1 / np.tan(np.radians(bar.slant_deg))
            y = np.arange(int(base - bar.height) - 120, int(base) + 120)[:, None]
            x = np.arange(int(bar.left) - 200, int(bar.left + bar.width) + 200)[None, :]
            up = base - rise * (x + 0.5) - (y + 0.5) - bar.foot
            off = (x + 0.5) - bar.left - lean * up
            inside = (up >= 0) & (up < bar.height) & (off >= 0) & (off < bar.width)
            rows_in, columns = np.nonzero(inside)
            rows_in, columns = rows_in + int(y[0, 0]), columns + int(x[0, 0])
            xs.append(columns)
            ys.append(rows_in)
            pieces.append(np.full(columns.size, len(boxes)))
            lines.append(np.full(columns.size, k))
            boxes.append((columns.min(), rows_in.min(), np.ptp(columns) + 1, np.ptp(rows_in) + 1, columns.size))
        ends = np.array([0.0, shape[1]])
        courses.append(TextLine(Polyline(ends, base - 0.5 - rise * ends), X_HEIGHT, None))
    x, y, piece, line = (np.concatenate(a).astype(np.int32) for a in (xs, ys, pieces, lines))
    order = np.lexsort((x, y))
    ink = Pieces(x[order], y[order], piece[order], np.array(boxes, np.int32), shape)
    return Lines(tuple(courses), line[order], ink, X_HEIGHT, -rise)


def evidence_of(
    lines: Lines, *, mm_per_px: float | None = 0.1, stroke_px: float = 6.0, ruling: Ruling | None = None
) -> Evidence:
    """Return the evidence on a page of these lines; it has no letters."""
    flat = np.full(lines.pieces.shape, PAPER, np.uint8)
    flat[lines.pieces.y, lines.pieces.x] = PAPER - 150
    ink = Ink(lines.pieces, flat, stroke_px, 150.0, 1.0)
    return Evidence(
        ink,
        ruling,
        lines,
        find_words(lines, stroke_px),
        Letters((), np.empty((0, 4)), np.zeros(4), np.zeros(0, bool), stroke_px, joined=False),
        mm_per_px,
        0.0,
    )
