"""Size of the letters: x-height, its spread, and how ascenders and descenders compare.

With h_i the height of mark i from its own foot to its top, centre line to centre line (ink height less one stroke
width), and w_i its share in a kind of letter (see `letters`):

    x_height_centre = sum w_i h_i / sum w_i over bodies (mm);  x_height = x_height_centre + stroke width
    height_cv = sqrt( sum_k sum_i w_ik ((h_i - m_k)^2 - e^2) / m_k^2 / (sum w_ik - kinds) ) over bodies, middle
        letters and ascenders, m_k the mean of kind k, e^2 the variance of two edges rounded to whole pixels
    height_robust_cv = 1.4826 MAD / median of the marks that are most likely bodies; equal to height_cv for normal
        heights, 8 % above it for normal heights cut at two SD
    ascender_ratio, descender_ratio = mean height of ascenders and capitals, mean depth of descenders below the
        baseline, over the mean height of bodies, centre line to centre line

A mark keeps its share in every kind, so no height is cut off: a cut would make the spread read low. Heights are taken
from each letter's own foot, so that letters off the line do not add to the spread of size.

Intervals hold the scatter of the marks, line by line, and what every mark of a page shares: where the cut through the
blurred edges runs (0.3 px of a height, as much of the stroke width) and errors in telling marks and kinds apart, which
are larger in joined writing. Their sizes are what drawn pages of known size showed (`_SHARED`).

What it does not see: which letter a mark is; capitals count with the ascenders.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from handwriting.bootstrap import line_bootstrap
from handwriting.geometry import FloatArray
from handwriting.letters import HEIGHT_VARIANCE
from handwriting.measures.evidence import SEED, Evidence, length, plain
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import ROBUST_CV, Interval, Statistic

# Standard uncertainties that all marks of a page share: of a height or a stroke width in px; relative, of the x-height,
# the ratios and the spread, for unjoined and joined writing.
EDGE_PX = 0.3
_SHARED = {
    "x_height": (0.004, 0.015),
    "spread": (0.025, 0.06),
    "ascender_ratio": (0.02, 0.035),
    "descender_ratio": (0.02, 0.045),
}

KEYS = ("x_height", "x_height_centre", "height_cv", "height_robust_cv", "ascender_ratio", "descender_ratio")
LEAST = 30
_FEWEST = 5
_BODY, _MIDDLE, _TALL, _DEEP = range(4)

Weighted = Callable[[FloatArray, FloatArray], FloatArray]


def size(evidence: Evidence) -> dict[str, Quantity]:
    """Return x-height, spread of height, ascender and descender ratio of a page, or why they are missing."""
    letters = evidence.letters
    few = NotMeasured("few-letters", f"fewer than {_FEWEST} letters without tall parts or tails were found")
    if letters.share.shape[0] == 0 or letters.share[:, _BODY].sum() < _FEWEST:
        return dict.fromkeys(KEYS, few)
    height = np.array([m.height for m in letters.marks]) - letters.stroke_px
    foot = np.array([m.foot for m in letters.marks])
    line = np.array([m.line for m in letters.marks])
    return {
        **_lengths(evidence, height, line),
        **_spreads(evidence, height, line),
        **_ratios(evidence, height, foot, line),
    }


def _groups(marks: FloatArray, line: FloatArray) -> list[FloatArray]:
    return [marks[line == k] for k in np.unique(line)]


def _value(statistic: Statistic, marks: FloatArray) -> float:
    return float(statistic.of(marks, np.ones((1, len(marks))))[0])


def _shared_mean(marks: FloatArray, weights: FloatArray) -> FloatArray:
    """Mean of column 0 with the shares of column 1."""
    return _over(weights @ (marks[:, 0] * marks[:, 1]), weights @ marks[:, 1])


def _over(top: FloatArray, bottom: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(bottom > 0.5, top / bottom, np.nan))


def widened(
    interval: Interval | NotMeasured, value: float, shared: float, *, least: float = 0.0
) -> Interval | NotMeasured:
    """Return the interval with an error that every mark of the page shares (standard uncertainty `shared`) added.

    `least` is the smallest value there can be.
    """
    if isinstance(interval, NotMeasured):
        return interval
    low = value - math.hypot(value - interval.low, 1.96 * shared)
    high = value + math.hypot(interval.high - value, 1.96 * shared)
    return Interval(max(low, least), high, math.hypot(interval.se, shared))


def _lengths(evidence: Evidence, height: FloatArray, line: FloatArray) -> dict[str, Quantity]:
    share = evidence.letters.share[:, _BODY]
    statistic = Statistic(_shared_mean)
    n = round(float(share.sum()))
    flags = ("few-letters",) if n < LEAST else ()
    out: dict[str, Quantity] = {}
    for key, extra in (("x_height", evidence.letters.stroke_px), ("x_height_centre", 0.0)):
        marks = np.column_stack([height + extra, share])
        value = _value(statistic, marks)
        edges = EDGE_PX * (1.0 if extra else math.sqrt(2.0))
        shared = math.hypot(edges, _SHARED["x_height"][evidence.letters.joined] * value)
        interval = widened(line_bootstrap(_groups(marks, line), statistic, seed=SEED), value, shared)
        out[key] = length(evidence, value, interval, n, flags=flags)
    return out


def _shared_cv(marks: FloatArray, weights: FloatArray) -> FloatArray:
    """Spread of column 0 within the kinds whose shares stand in the other columns, less the edges' variance."""
    height, share = marks[:, 0], marks[:, 1:]
    squares, freedom = np.zeros(len(weights)), np.zeros(len(weights))
    for k in range(share.shape[1]):
        count = weights @ share[:, k]
        mean = _over(weights @ (share[:, k] * height), count)
        second = _over(weights @ (share[:, k] * height**2), count) - mean**2 - HEIGHT_VARIANCE
        some = np.isfinite(mean) & (count > 2)
        squares += np.where(some, count * second / np.where(some, mean, 1.0) ** 2, 0.0)
        freedom += np.where(some, count - 1, 0.0)
    return np.sqrt(np.maximum(_over(squares, freedom), 0.0))


def _spreads(evidence: Evidence, height: FloatArray, line: FloatArray) -> dict[str, Quantity]:
    share = evidence.letters.share
    n = round(float(share[:, :_DEEP].sum()))
    if n < LEAST:
        few = NotMeasured("few-letters", f"{n} letters were found; a spread of height needs {LEAST}")
        return {"height_cv": few, "height_robust_cv": few}
    statistic = Statistic(_shared_cv, spread=True)
    marks = np.column_stack([height, share[:, :_DEEP]])
    value, joined = _value(statistic, marks), evidence.letters.joined
    interval = line_bootstrap(_groups(marks, line), statistic, seed=SEED)
    shared = _SHARED["spread"][joined] * value
    out: dict[str, Quantity] = {"height_cv": plain(value, "1", widened(interval, value, shared), n)}
    bodies = share.argmax(1) == _BODY
    bodies &= share.sum(1) > 0.5
    values = height[bodies]
    if len(values) < LEAST:
        out["height_robust_cv"] = NotMeasured("few-letters", f"{len(values)} bodies were found; a spread needs {LEAST}")
    else:
        value = _value(ROBUST_CV, values)
        interval = line_bootstrap(_groups(values, line[bodies]), ROBUST_CV, seed=SEED)
        out["height_robust_cv"] = plain(
            value, "1", widened(interval, value, _SHARED["spread"][joined] * value), len(values)
        )
    return out


def _shared_ratio(marks: FloatArray, weights: FloatArray) -> FloatArray:
    """Mean of column 2 with the shares of column 3 over the mean of column 0 with the shares of column 1."""
    return _shared_mean(marks[:, 2:], weights) / _shared_mean(marks[:, :2], weights)


def _ratios(evidence: Evidence, height: FloatArray, foot: FloatArray, line: FloatArray) -> dict[str, Quantity]:
    share = evidence.letters.share
    statistic = Statistic(_shared_ratio)
    out: dict[str, Quantity] = {}
    for key, kind, values, name in (
        ("ascender_ratio", _TALL, height, "tall letters"),
        ("descender_ratio", _DEEP, -foot, "letters with a tail"),
    ):
        n = round(float(share[:, kind].sum()))
        if n < _FEWEST:
            out[key] = NotMeasured("few-letters", f"{n} {name} were found; the ratio needs {_FEWEST}")
            continue
        marks = np.column_stack([height, share[:, _BODY], values, share[:, kind]])
        interval = line_bootstrap(_groups(marks, line), statistic, seed=SEED)
        value = _value(statistic, marks)
        shared = _SHARED[key][evidence.letters.joined] * value
        out[key] = plain(value, "1", widened(interval, value, shared), n)
    return out
