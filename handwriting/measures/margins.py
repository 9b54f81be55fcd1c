"""Where lines start and end: drift and spread of the left and right margins.

    left_margin_drift     Theil-Sen slope of the first ink's place along the line on the line's number, mm per line,
                          positive where each line starts farther in
    left_margin_spread    SD of the first ink about that course, mm
    right_margin_drift, right_margin_spread    the same for the last ink; drift positive where lines end ever earlier

Places are taken along the direction of the writing rules (else of the lines), so that a page laid askew has no drift of
its own. Indented and short lines are not the writer's margin: lines farther than 3.5 robust SD from the course take no
part in the spread (Theil-Sen bears them as they are). The last line, which ends where the text does, has no right
margin. Fewer than four lines give no margin.

What it does not see: the edge of the paper, and whether an indented line was meant.

Source: slope and its interval, Sen 1968, JASA 63, 1379-1389 (in `statistics`).
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from handwriting.geometry import FloatArray
from handwriting.measures.evidence import Evidence, length
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import MAD_TO_SD, Interval, theil_sen

LEAST_LINES = 4
FAR = 3.5


def margins(evidence: Evidence) -> dict[str, Quantity]:
    """Return drift and spread of both margins by key; ``few-lines`` under four lines."""
    number, start, end = _ends(evidence)
    return _margin(evidence, "left", number, start) | _margin(evidence, "right", number[:-1], -end[:-1])


def _ends(evidence: Evidence) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return line numbers and where each line's first and last ink lie along the direction of the lines, px."""
    lines, pieces = evidence.lines, evidence.lines.pieces
    slope = evidence.ruling.slope if evidence.ruling is not None else lines.slope
    # Only the first and the last pixel of a line in each row can be its first or last ink.
    inked = evidence.words.word >= 0
    joined = inked[1:] & inked[:-1] & (pieces.y[1:] == pieces.y[:-1]) & (lines.line[1:] == lines.line[:-1])
    count = len(lines.lines)
    start, end = np.full(count, np.inf), np.full(count, -np.inf)
    for reach, ends, apart, more in (
        (np.minimum, start, np.append(True, ~joined), 0),
        (np.maximum, end, np.append(~joined, True), 1),
    ):
        at = np.flatnonzero(inked & apart)
        along = (pieces.x[at] + slope * pieces.y[at]) / np.hypot(1.0, slope)
        reach.at(ends, lines.line[at], along + more)
    found = np.flatnonzero(np.isfinite(start))
    return found.astype(np.float64), start[found], end[found]


def _margin(evidence: Evidence, side: str, number: FloatArray, place: FloatArray) -> dict[str, Quantity]:
    """Return drift and spread of one margin; `place` grows into the page."""
    keys = (f"{side}_margin_drift", f"{side}_margin_spread")
    if len(place) < LEAST_LINES:
        return dict.fromkeys(keys, NotMeasured("few-lines", "a margin needs at least four lines of writing"))
    course = theil_sen(number, place)
    if isinstance(course, NotMeasured):
        return dict.fromkeys(keys, course)
    slope = Interval(course.low, course.high, (course.high - course.low) / 3.92)
    rest = place - course.intercept - course.slope * number
    rest = rest - np.median(rest)
    robust = MAD_TO_SD * float(np.median(np.abs(rest)))
    kept = rest[np.abs(rest) <= max(FAR * robust, 1.0)]
    freedom = len(kept) - 2
    if freedom < 2:
        spread: Quantity = NotMeasured("few-lines", "too few lines keep to one margin")
    else:
        sd = float(np.sqrt((kept - kept.mean()) @ (kept - kept.mean()) / freedom))
        low, high = (sd * float(np.sqrt(freedom / stats.chi2.ppf(p, freedom))) for p in (0.975, 0.025))
        spread = length(evidence, sd, Interval(low, high, sd / float(np.sqrt(2 * freedom))), len(kept))
    return {keys[0]: length(evidence, course.slope, slope, course.n, "mm/line"), keys[1]: spread}
