"""Keeping to the line: distance to the printed rule, drift and wander of the writing's own baseline.

With b_i the lowest ink of letter i (its height above the rule or the fitted line), R the printed rule (its middle) and
B_l a straight line fitted robustly (Huber) to the b_i of text line l, letters with tails left out:

    rule_distance = mean of d_i = b_i - R_l(x_i), mm, + above;  rule_wander = SD of d_i
    on_line_share = 100 #(abs(d_i) <= tau) / n, tau stated with the page; Wilson interval, design effect of lines
    baseline_drift = mean over lines of the slope of B_l to the rule, degrees, + rising; on plain paper, to the page
    baseline_drift_spread = SD over lines of that slope, less the variance of each slope's own error
    baseline_wander = sqrt( sum (b_i - B_l(x_i))^2 / sum (n_l - 2) ) less the variance of a rounded edge, mm
    baseline_wander_ratio = baseline_wander / x-height, centre line to centre line

What it does not see: a rule the writer imagined on plain paper; letters with tails only.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from handwriting.bootstrap import line_bootstrap
from handwriting.geometry import FloatArray
from handwriting.letters import EDGE_VARIANCE
from handwriting.lines import TextLine
from handwriting.measures.common import COMMON
from handwriting.measures.evidence import SEED, Evidence, length, plain
from handwriting.quantity import NotMeasured, Quantity
from handwriting.rules import Ruling
from handwriting.statistics import MEAN, SD, Interval, line_share, over_sums, ratio

RULE_KEYS = ("rule_distance", "rule_wander", "on_line_share")
OWN_KEYS = ("baseline_drift", "baseline_drift_spread", "baseline_wander", "baseline_wander_ratio")
LEAST = 30
_FEWEST = 5
_PER_LINE = 4
# Huber's limit: 95 % efficient on normal errors (Huber 1964; recalled).
_HUBER = 1.345


@dataclass(frozen=True, slots=True, eq=False)
class _Feet:
    """Feet of one text line: columns, rows of the lowest edge, and each one's share in letters without tails."""

    line: TextLine
    x: FloatArray
    y: FloatArray
    share: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Straight line through the feet of one line: slope (rows per column) and its error, residuals above it."""

    slope: float
    error: float
    above: FloatArray
    share: FloatArray


def baseline(evidence: Evidence) -> dict[str, Quantity]:
    """Return how a page's writing keeps to its rules and to its own line, or why that is missing."""
    feet = _feet(evidence)
    return {**_to_rule(evidence, feet), **_to_itself(evidence, feet)}


def _feet(evidence: Evidence) -> list[_Feet]:
    letters = evidence.letters
    share = letters.share[:, :3].sum(1)
    line = np.array([m.line for m in letters.marks], dtype=np.int64)
    x = np.array([0.5 * (m.box.left + m.box.right) for m in letters.marks])
    foot = np.array([m.foot for m in letters.marks])
    out = []
    for k, text_line in enumerate(evidence.lines.lines):
        here = (line == k) & (share > 0.02)
        if here.any():
            # Pixel rows are counted at their middle; the lower edge of the baseline's row is half a pixel below.
            out.append(_Feet(text_line, x[here], text_line.baseline.at(x[here]) + 0.5 - foot[here], share[here]))
    return out


# --- to the printed rule ------------------------------------------------------------------------------------------


def _to_rule(evidence: Evidence, feet: list[_Feet]) -> dict[str, Quantity]:
    ruling = evidence.ruling
    if ruling is None:
        return dict.fromkeys(RULE_KEYS, NotMeasured("no-ruling", "no printed rules were found on the page"))
    # Rows of rules and of feet alike count from the middle of a pixel.
    groups = [(ruling.at(f.line.rule, f.x) - f.y)[f.share > 0.5] for f in feet if f.line.rule is not None]
    groups = [g for g in groups if g.size]
    distance = np.concatenate(groups) if groups else np.zeros(0)
    if distance.size < _FEWEST:
        few = NotMeasured("few-letters", "fewer than five letters stand at a printed rule")
        return dict.fromkeys(RULE_KEYS, few)
    n = distance.size
    flags = ("few-letters",) if n < LEAST else ()
    mean = MEAN.value(distance)
    interval = line_bootstrap(groups, MEAN, seed=SEED)
    shared = COMMON["rule_distance"].of(0.0, joined=evidence.letters.joined)
    out = {"rule_distance": length(evidence, mean, interval, n, flags=flags, shared_px=shared)}
    if n < LEAST:
        out["rule_wander"] = NotMeasured("few-letters", f"{n} letters were found; a spread needs {LEAST}")
    else:
        out["rule_wander"] = length(evidence, SD.value(distance), line_bootstrap(groups, SD, seed=SEED), n)
    if evidence.mm_per_px is None:
        out["on_line_share"] = NotMeasured("no-scale", "the band that counts as on the line is in millimetres")
        return out
    on = [np.abs(g * evidence.mm_per_px) <= evidence.tolerance_mm for g in groups]
    share = line_share(on)
    if not isinstance(share, NotMeasured):
        share = Interval(100 * share.low, 100 * share.high, 100 * share.se)
    out["on_line_share"] = plain(100 * float(np.concatenate(on).mean()), "%", share, n, flags)
    return out


# --- to its own line ----------------------------------------------------------------------------------------------


def _to_itself(evidence: Evidence, feet: list[_Feet]) -> dict[str, Quantity]:
    fits = _straight([f for f in feet if f.share.sum() >= _PER_LINE and np.ptp(f.x) > 6 * evidence.lines.body_px])
    if not fits:
        few = NotMeasured("few-letters", "no line holds enough letters to fit its course")
        return dict.fromkeys(OWN_KEYS, few)
    return {**_drift(evidence, fits), **_wander(evidence, fits)}


def _straight(feet: list[_Feet]) -> list[_Fit]:
    """Fit a straight line to each line's feet with Huber's weights, each foot counted by its share; all in step.

    Lines of fewer feet than the longest are filled up with feet of no share.
    """
    if not feet:
        return []
    count = np.array([len(f.x) for f in feet])
    real = np.arange(int(count.max())) < count[:, None]
    x, y, share = np.zeros((3, *real.shape))
    for values, name in ((x, "x"), (y, "y"), (share, "share")):
        values[real] = np.concatenate([getattr(f, name) for f in feet])
    x -= np.where(real, x.sum(1, keepdims=True) / count[:, None], 0.0)
    sure = share > 0.5
    weight, above = share.copy(), np.zeros_like(y)
    slope, moving = np.zeros(len(feet)), np.ones(len(feet), bool)
    for _ in range(20):
        total = weight.sum(1)
        mean_x, mean_y = (weight * x).sum(1) / total, (weight * y).sum(1) / total
        off_x, off_y = x - mean_x[:, None], y - mean_y[:, None]
        before = slope
        found = (weight * off_x * off_y).sum(1) / (weight * off_x * x).sum(1)
        slope = np.where(moving, found, slope)
        above[moving] = (slope[:, None] * off_x - off_y)[moving]
        moving &= np.abs(slope - before) >= 1e-9
        if not moving.any():
            break
        scale = np.maximum(1.4826 * _middles(np.abs(above), sure), 0.3)
        weight = share * np.minimum(1.0, _HUBER * scale[:, None] / np.maximum(np.abs(above), 1e-9))
    freedom = np.maximum(share.sum(1) - 2.0, 1.0)
    variance = (share * above**2).sum(1) / freedom
    middle = (share * x).sum(1) / share.sum(1)
    error = np.sqrt(variance / (share * (x - middle[:, None]) ** 2).sum(1))
    return [_Fit(float(slope[k]), float(error[k]), above[k, real[k]], feet[k].share) for k in range(len(feet))]


def _middles(values: FloatArray, kept: NDArray[np.bool_]) -> FloatArray:
    """Return the median of the values kept in each row, 1 / 1.4826 where there are none."""
    count = kept.sum(1)
    ranked = np.sort(np.where(kept, values, np.inf), axis=1)
    row, last = np.arange(len(values)), np.maximum(count - 1, 0)
    median = (ranked[row, last // 2] + ranked[row, np.minimum(count // 2, last)]) / 2
    return np.where(count > 0, median, 1 / 1.4826)


def _drift(evidence: Evidence, fits: list[_Fit]) -> dict[str, Quantity]:
    ruling: Ruling | None = evidence.ruling
    level = ruling.slope if ruling is not None else 0.0
    flags = () if ruling is not None else ("no-ruling",)
    degrees = np.degrees(np.arctan(level) - np.arctan([f.slope for f in fits]))
    error = np.degrees([f.error for f in fits])
    n = len(fits)
    if n < 2:
        few = NotMeasured("few-lines", "the drift's interval needs two lines of writing")
        return {"baseline_drift": few, "baseline_drift_spread": few}
    mean = float(degrees.mean())
    out = {"baseline_drift": plain(mean, "deg", line_bootstrap([[d] for d in degrees], MEAN, seed=SEED), n, flags)}
    if n < 4:
        out["baseline_drift_spread"] = NotMeasured("few-lines", "a spread over lines needs four lines of writing")
        return out
    total, noise = float(degrees.var(ddof=1)), float((error**2).mean())
    # The interval of a variance with n - 1 degrees of freedom, the slopes' own errors taken off each end.
    low, high = (total * (n - 1) / float(stats.chi2.ppf(p, n - 1)) for p in (0.975, 0.025))
    spread = math.sqrt(max(total - noise, 0.0))
    ends = (math.sqrt(max(low - noise, 0.0)), math.sqrt(max(high - noise, 0.0)))
    se = math.sqrt(total) / math.sqrt(2 * (n - 1))
    out["baseline_drift_spread"] = plain(spread, "deg", Interval(ends[0], ends[1], se), n, flags)
    return out


def _rms(marks: FloatArray) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
    """RMS of column 0 with shares in column 1 and each mark's part of the lines' lost freedom in column 2."""
    terms = np.column_stack([marks[:, 1] - marks[:, 2], marks[:, 1] * marks[:, 0] ** 2])
    return terms, lambda sums: np.sqrt(np.maximum(ratio(sums[:, 1], sums[:, 0], 0.5) - EDGE_VARIANCE, 0.0))


WANDER = over_sums(_rms, spread=True)


def _wander(evidence: Evidence, fits: list[_Fit]) -> dict[str, Quantity]:
    groups = [np.column_stack([f.above, f.share, np.full(len(f.above), 2.0 / len(f.above))]) for f in fits]
    marks = np.concatenate(groups)
    n = round(float(marks[:, 1].sum()))
    if n < LEAST:
        few = NotMeasured("few-letters", f"{n} letters were found; a spread needs {LEAST}")
        return {"baseline_wander": few, "baseline_wander_ratio": few}
    value = WANDER.value(marks)
    shared = COMMON["baseline_wander"].of(value, joined=evidence.letters.joined)
    interval = line_bootstrap(groups, WANDER, seed=SEED)
    out = {"baseline_wander": length(evidence, value, interval, n, shared_px=shared, least_px=0.0)}
    x_height = float(evidence.letters.centre[0])
    if not isinstance(interval, NotMeasured):
        interval = Interval(interval.low / x_height, interval.high / x_height, interval.se / x_height)
    out["baseline_wander_ratio"] = plain(value / x_height, "1", interval, n, shared=shared / x_height, least=0.0)
    return out
