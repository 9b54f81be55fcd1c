"""Numbers taken over weighted marks, and intervals that need no resampling: shares, slopes, pooled spread.

Every `Statistic` is a function of the marks and of how often each was drawn (its weight), so that `bootstrap` gets
all its draws from one matrix product.

Sources: Wilson (1927), JASA 22, 209-212; Sen (1968), JASA 63, 1379-1389; Kish (1965), Survey Sampling (design effect).
Recalled, not re-read; the tests hold the code to worked values and to simulation instead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from handwriting.quantity import NotMeasured

FloatArray = NDArray[np.float64]

#: Scales a median absolute deviation to the SD of a normal distribution: 1 / (upper quartile of the standard normal).
MAD_TO_SD = 1.482602218505602
#: A class of letters with fewer marks than this has no say in a pooled spread.
CLASS_MINIMUM = 5


class Interval(NamedTuple):
    """An interval and the standard error behind it, all in the unit of the statistic."""

    low: float
    high: float
    se: float


@dataclass(frozen=True, slots=True)
class Statistic:
    """A number taken over weighted marks.

    Parameters
    ----------
    of : callable
        ``(marks, weights) -> values``: marks ``(N,)`` or ``(N, columns)``; weights ``(draws, N)``, counts; values
        ``(draws,)``, nan where a draw leaves the number undefined.
    spread : bool
        True for a spread or a ratio of spreads: never negative, scatter skewed, interval built on its logarithm.
    smooth : bool
        False where the number jumps when one mark is left out (medians), so that the jackknife does not serve.
    """

    of: Callable[[FloatArray, FloatArray], FloatArray]
    spread: bool = False
    smooth: bool = True


# --- statistics over weighted marks -----------------------------------------------------------------------------


def _moments(marks: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return count, mean and variance (n - 1) for each draw; nan where the count is too small."""
    count = weights.sum(axis=1)
    centre = float(marks.mean()) if marks.size else 0.0
    shifted = marks - centre  # keeps the difference of squares exact when spread is small beside the mean
    first, second = weights @ shifted, weights @ shifted**2
    squares = second - first**2 / np.maximum(count, 1.0)
    squares = np.where(squares > 1e-13 * second, squares, 0.0)  # equal marks leave a trace of rounding
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = np.where(count > 0, centre + first / count, np.nan)
        variance = np.where(count > 1, squares / (count - 1.0), np.nan)
    return count, middle, variance


def _mean(marks: FloatArray, weights: FloatArray) -> FloatArray:
    return _moments(marks, weights)[1]


def _sd(marks: FloatArray, weights: FloatArray) -> FloatArray:
    return np.sqrt(_moments(marks, weights)[2])


def _cv(marks: FloatArray, weights: FloatArray) -> FloatArray:
    _, middle, variance = _moments(marks, weights)
    return _ratio(np.sqrt(variance), middle)


def _ratio(top: FloatArray, bottom: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(bottom > 0, top / bottom, np.nan)


def _median(marks: FloatArray, weights: FloatArray) -> FloatArray:
    order = np.argsort(marks, kind="stable")
    return _middle(marks[order], weights[:, order])


def _mad(marks: FloatArray, weights: FloatArray) -> FloatArray:
    """Bisect for the distance that holds half the marks, because sorting distances afresh in each draw is slow."""
    order = np.argsort(marks, kind="stable")
    ranked = marks[order]
    running = np.zeros((weights.shape[0], marks.size + 1))
    np.cumsum(weights[:, order], axis=1, out=running[:, 1:])
    middle, half, rows = _median(marks, weights), running[:, -1] / 2.0, np.arange(weights.shape[0])

    extent = float(np.ptp(marks))

    def distance(more_than_half: bool) -> FloatArray:
        low, high = np.zeros(rows.size), np.full(rows.size, extent * (1.0 + 1e-12))
        for _ in range(54):
            reach = (low + high) / 2.0
            inside = running[rows, np.searchsorted(ranked, middle + reach, side="right")]
            inside = inside - running[rows, np.searchsorted(ranked, middle - reach, side="left")]
            enough = inside > half if more_than_half else inside >= half
            low, high = np.where(enough, low, reach), np.where(enough, reach, high)
        return np.where(high > 1e-12 * extent, high, 0.0)

    return np.where(np.isnan(middle), np.nan, (distance(False) + distance(True)) / 2.0)


def _robust_cv(marks: FloatArray, weights: FloatArray) -> FloatArray:
    return MAD_TO_SD * _ratio(_mad(marks, weights), _median(marks, weights))


def _middle(ranked: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the weighted median of marks already in order, the middle two averaged as numpy does."""
    running = np.cumsum(weights, axis=1)
    half = running[:, -1:] / 2.0
    lower, upper = np.argmax(running >= half, axis=1), np.argmax(running > half, axis=1)
    middle = (ranked[lower] + ranked[upper]) / 2.0
    return np.where(half[:, 0] > 0, middle, np.nan)


def _ratio_of(inner: Callable[[FloatArray, FloatArray], FloatArray]) -> Callable[[FloatArray, FloatArray], FloatArray]:
    def ratio(marks: FloatArray, weights: FloatArray) -> FloatArray:
        top = marks[:, 1] > 0.5
        return _ratio(inner(marks[top, 0], weights[:, top]), inner(marks[~top, 0], weights[:, ~top]))

    return ratio


def _class_cv(marks: FloatArray, weights: FloatArray) -> FloatArray:
    weighted, freedom = np.zeros(weights.shape[0]), np.zeros(weights.shape[0])
    for kind in np.unique(marks[:, 1]):
        chosen = marks[:, 1] == kind
        count, middle, variance = _moments(marks[chosen, 0], weights[:, chosen])
        share = np.where((count >= CLASS_MINIMUM) & (middle > 0), count - 1.0, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            weighted += np.where(share > 0, share * variance / middle**2, 0.0)
        freedom += share
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(freedom > 0, np.sqrt(weighted / freedom) * (1.0 + 1.0 / (4.0 * freedom)), np.nan)


#: Mean of the marks.
MEAN = Statistic(_mean)
#: Standard deviation (n - 1).
SD = Statistic(_sd, spread=True)
#: SD / mean.
CV = Statistic(_cv, spread=True)
#: Median, the middle two averaged.
MEDIAN = Statistic(_median, smooth=False)
#: Median absolute deviation from the median, unscaled.
MAD = Statistic(_mad, spread=True, smooth=False)
#: 1.4826 MAD / median.
ROBUST_CV = Statistic(_robust_cv, spread=True, smooth=False)
#: Marks are ``(value, side)``: mean of the values of side 1 over the mean of those of side 0.
MEAN_RATIO = Statistic(_ratio_of(_mean))
#: Marks are ``(value, side)``: median of the values of side 1 over the median of those of side 0.
MEDIAN_RATIO = Statistic(_ratio_of(_median), smooth=False)
#: Marks are ``(value, class)``: spread within classes, see `pooled_cv`.
CLASS_CV = Statistic(_class_cv, spread=True)


def pooled_cv(values: ArrayLike, classes: ArrayLike) -> float | NotMeasured:
    """Coefficient of variation within classes, pooled over classes of at least five marks.

    ``CV = sqrt(sum (n_c - 1) CV_c^2 / sum (n_c - 1)) (1 + 1 / (4 df))`` with ``df = sum (n_c - 1)``. The small-sample
    factor belongs to the square root of the pooled variance, hence to the pooled degrees of freedom: put on every
    class (1 + 1 / (4 n_c)) it would read high by 5 % for classes of five (shown in the tests).

    Parameters
    ----------
    values : array_like, shape (N,)
        Lengths, any unit, positive.
    classes : array_like of int, shape (N,)
        The class of each mark.
    """
    marks = np.column_stack([np.asarray(values, float), np.asarray(classes, float)])
    if not marks.size:
        return NotMeasured("few-letters", "there are no letters")
    value = float(_class_cv(marks, np.ones((1, marks.shape[0])))[0])
    if math.isnan(value):
        return NotMeasured("few-letters", f"no kind of letter was found {CLASS_MINIMUM} times or more")
    return value


# --- shares and slopes --------------------------------------------------------------------------------------------


def wilson(successes: float, n: float, *, level: float = 0.95) -> Interval:
    """Wilson score interval of a proportion, as shares from 0 to 1; `n` may be an effective sample size.

    Raises
    ------
    ValueError
        When `n` is not positive or `successes` lies outside 0 to `n`: a mistake in the program.
    """
    if not (n > 0 and 0 <= successes <= n):
        raise ValueError(f"{successes} of {n} is not a proportion")
    z = float(stats.norm.ppf((1 + level) / 2))
    share = successes / n
    centre = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    low = 0.0 if successes == 0 else centre - half
    high = 1.0 if successes == n else centre + half
    return Interval(low, high, math.sqrt(share * (1 - share) / n))


def line_share(groups: Sequence[ArrayLike], *, level: float = 0.95) -> Interval | NotMeasured:
    """Wilson interval of a share whose marks come in lines: the sample size is divided by the design effect.

    The design effect is the variance of the share between lines (ratio estimator) over the variance of a simple
    sample, never below 1; the sample size is cut once more by (t / z)^2 with a - 1 degrees of freedom, a lines.

    Parameters
    ----------
    groups : sequence of array_like of bool
        For each line, whether each mark is counted.
    """
    lines = [array for group in groups if (array := np.asarray(group, bool)).size]
    n = sum(line.size for line in lines)
    if n == 0:
        return NotMeasured("few-letters", "there are no marks to take a share of")
    hits = float(sum(int(line.sum()) for line in lines))
    share, a = hits / n, len(lines)
    if a < 2:
        return wilson(hits, n, level=level)
    residual = np.array([line.sum() - share * line.size for line in lines])
    between = a / (a - 1) * float((residual**2).sum()) / n**2
    simple = share * (1 - share) / n
    effect = max(1.0, between / simple) if simple > 0 else 1.0
    cut = effect * float(stats.t.ppf((1 + level) / 2, a - 1) / stats.norm.ppf((1 + level) / 2)) ** 2
    low, high, _ = wilson(hits / cut, n / cut, level=level)
    return Interval(low, high, math.sqrt(simple * effect))


@dataclass(frozen=True, slots=True)
class Slope:
    """A robust line: slope and its interval, intercept (median of y - slope x), and the level the interval attains."""

    slope: float
    low: float
    high: float
    intercept: float
    n: int
    level: float


def theil_sen(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> Slope | NotMeasured:
    """Median of the slopes between all pairs of points, with Sen's interval.

    Up to 40 points without equal x the interval is exact (the distribution of Kendall's statistic); it is the
    narrowest that attains `level`, and below five points, where none does, the range of all slopes with the level it
    attains (1 - 2 / n!: 67 % for three points, 92 % for four). Beyond that, the normal approximation of scipy.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        The points; `n` of at least 3, at least two different x.
    """
    across, up = np.asarray(x, float), np.asarray(y, float)
    n = across.size
    if n < 3 or np.ptp(across) == 0:
        return NotMeasured(
            "undefined", "a slope with an interval needs three points that do not stand above each other"
        )
    found = stats.theilslopes(up, across, alpha=level, method="separate")
    slope = float(found.slope)
    intercept = float(np.median(up - slope * across))
    if n > 40 or np.unique(across).size < n:
        return Slope(slope, float(found.low_slope), float(found.high_slope), intercept, n, level)
    first, second = np.triu_indices(n, 1)
    slopes = np.sort((up[second] - up[first]) / (across[second] - across[first]))
    attained = 1.0 - 2.0 * _inversions(n)
    # The level falls as slopes are cut from each end; cut as many as still attain the level, else none.
    cut = max(int(np.sum(attained[: slopes.size // 2] >= level)) - 1, 0)
    return Slope(slope, float(slopes[cut]), float(slopes[-1 - cut]), intercept, n, float(attained[cut]))


def _inversions(n: int) -> FloatArray:
    """Return P(at most k inversions) in a random order of `n`, for k = 0, 1, ..."""
    chance = np.ones(1)
    for size in range(2, n + 1):
        chance = np.convolve(chance, np.full(size, 1.0 / size))
    return np.cumsum(chance)
