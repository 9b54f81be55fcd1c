"""The pen's line, contacts between lines of writing, and how far lines are filled.

    stroke_width    width that strokes crowd about, square to straight near-upright strokes, mm: the narrowest such
                    width, for where the pen goes up and down the same way, two strokes lie half over one another and
                    crowd about a width of their own
    line_contacts   connected pieces of ink that belong to two lines, for each pair of neighbouring lines
    line_fill       length from first to last ink / length of the printed rule (else width of the page), mean over lines

Ink is cut at half the depth of the stroke, where a blurred edge crosses the true one, so widths are unbiased as long as
strokes are wider than the blur (see `ink`).

What it does not see: pressure; where a pen spreads in the paper, the width is that of the mark.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import stats

from handwriting.bootstrap import line_bootstrap
from handwriting.geometry import FloatArray
from handwriting.measures.common import COMMON, after_blur
from handwriting.measures.evidence import SEED, Evidence, length, plain
from handwriting.measures.stems import find_strokes
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import MEAN, Interval, Statistic, over_sums

LEAST_STROKES = 5


def strokes(evidence: Evidence) -> dict[str, Quantity]:
    """Return stroke width, contacts and fill by key."""
    return {
        "line_contacts": _contacts(evidence),
        "line_fill": _fill(evidence),
        "stroke_width": _width(evidence),
    }


def _width(evidence: Evidence) -> Quantity:
    found = find_strokes(evidence.ink, evidence.lines)
    if len(found.width) < LEAST_STROKES:
        return NotMeasured("few-letters", "fewer than five straight strokes were found")
    marks = np.column_stack([found.width, found.height])
    crowded = _crowded(_KERNEL * max(evidence.ink.stroke_px, 1.0))
    groups = [marks[found.line == k] for k in np.unique(found.line)]
    interval = line_bootstrap(groups, crowded, seed=SEED)
    value = crowded.value(marks)
    shared = COMMON["stroke_width"].of(value, joined=evidence.letters.joined)
    shared = math.hypot(shared, after_blur(evidence.blur_px))
    return length(evidence, value, interval, len(marks), shared_px=shared, least_px=0.0)


# How near widths are to one another that make a crowd, in strokes' widths: about as much as a pen's line varies.
_KERNEL = 0.05
# A width is crowded about where at least this share of the most crowded one's strokes stand.
_CROWD = 0.4


def _crowded(kernel_px: float) -> Statistic:
    """Return the narrowest width strokes crowd about, each by its height: a stem with a join along it reads wide."""

    def crowded(marks: FloatArray) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
        # An empty step on either side, so that a crowd at the edge is a peak too.
        grid = np.arange(marks[:, 0].min() - kernel_px / 8, marks[:, 0].max() + kernel_px / 4, kernel_px / 8)
        near = marks[:, :1] - grid
        near /= kernel_px
        near *= near
        near *= -0.5
        np.exp(near, out=near)
        near *= marks[:, 1:]
        near[:, [0, -1]] = 0

        def narrowest(density: FloatArray) -> FloatArray:
            inner = density[:, 1:-1]
            peak = (inner >= density[:, :-2]) & (inner > density[:, 2:])
            crowds = peak & (inner >= _CROWD * inner.max(axis=1, keepdims=True))
            return np.asarray(grid[1:-1][np.argmax(crowds, axis=1)])

        return near, narrowest

    return over_sums(crowded, smooth=False, skewed=True)


def _contacts(evidence: Evidence) -> Quantity:
    lines, pieces = evidence.lines, evidence.lines.pieces
    pairs = len(lines.lines) - 1
    if pairs < 1:
        return NotMeasured("few-lines", "contacts need at least two lines of writing")
    # Ink pixels of each piece in each line, and in none.
    width = len(lines.lines) + 1
    place = pieces.piece.astype(np.int64) * width + lines.line + 1
    held = np.bincount(place, minlength=len(pieces.boxes) * width).reshape(-1, width)[:, 1:] > 0
    count = int(np.maximum(held.sum(1) - 1, 0).sum())
    low = float(stats.chi2.ppf(0.025, 2 * count)) / 2 if count else 0.0
    high = float(stats.chi2.ppf(0.975, 2 * count + 2)) / 2
    interval = Interval(low / pairs, high / pairs, float(np.sqrt(count)) / pairs)
    return plain(count / pairs, "count", interval, pairs)


def _fill(evidence: Evidence) -> Quantity:
    lines, ruling = evidence.lines, evidence.ruling
    width = float(lines.pieces.shape[1]) if ruling is None else float(ruling.right - ruling.left)
    extent: dict[int, tuple[float, float]] = {}
    for word in evidence.words.words:
        left, right = extent.get(word.line, (word.box.left, word.box.right))
        extent[word.line] = (min(left, word.box.left), max(right, word.box.right))
    if not extent:
        return NotMeasured("few-words", "no words were found")
    share = np.array([(right - left) / width for left, right in extent.values()])
    interval = line_bootstrap([np.array([s]) for s in share], MEAN, seed=SEED)
    return plain(float(share.mean()), "1", interval, len(share))
