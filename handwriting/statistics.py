"""Numbers taken over weighted marks, and intervals that need no resampling: shares, slopes, pooled spread.

Every `Statistic` is a function of the marks and of how often each line of writing was drawn, so that `bootstrap` gets
all its draws at once: sums over marks become one small matrix product, medians a search in a table of counts by line.

Sources: Wilson (1927), JASA 22, 209-212; Sen (1968), JASA 63, 1379-1389; Kish (1965), Survey Sampling (design effect).
Recalled, not re-read; the tests hold the code to worked values and to simulation instead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from handwriting.geometry import FloatArray
from handwriting.quantity import NotMeasured
from handwriting.ranked import Index, Ranked, median_and_mad

Drawn = Callable[[FloatArray], FloatArray]
"""From counts of the lines, shape (draws, lines), to values, shape (draws,)."""

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
    skewed : bool
        True where draws lie much farther from the number on one side than on the other: each half of the interval is
        made from the draws on its own side.
    by_line : callable, optional
        ``(marks, owner, lines) -> drawn``: the same number for draws of whole lines, quicker; `owner` is the line of
        each mark, from 0, in rising order, and ``drawn`` goes from counts of the lines to values.
    one_less : callable, optional
        ``marks -> values``, shape (N,): the number with each mark left out in turn.
    """

    of: Callable[[FloatArray, FloatArray], FloatArray]
    spread: bool = False
    smooth: bool = True
    by_line: Callable[[FloatArray, Index, int], Drawn] | None = None
    one_less: Callable[[FloatArray], FloatArray] | None = None
    skewed: bool = False

    def drawn(self, marks: FloatArray, owner: Index, lines: int) -> Drawn:
        """Return the function from counts of the lines, shape (draws, lines), to values, shape (draws,)."""
        if self.by_line is not None:
            return self.by_line(marks, owner, lines)
        return lambda counts: self.of(marks, np.take(counts, owner, axis=1))

    def value(self, marks: FloatArray) -> float:
        """Return the number for the marks as they are, each once."""
        one = self.drawn(marks, np.zeros(len(marks), np.int64), 1)
        return float(one(np.ones((1, 1)))[0])


def over_sums(
    prepare: Callable[[FloatArray], tuple[FloatArray, Callable[[FloatArray], FloatArray]]],
    *,
    spread: bool = False,
    smooth: bool = True,
    skewed: bool = False,
) -> Statistic:
    """Return a statistic that depends on the marks through sums only.

    Parameters
    ----------
    prepare : callable
        From marks to the terms to be summed, shape (N, terms), and the function from sums, shape (draws, terms), to
        values, shape (draws,).
    spread, smooth, skewed : bool
        See `Statistic`.
    """

    def of(marks: FloatArray, weights: FloatArray) -> FloatArray:
        terms, finish = prepare(marks)
        return finish(weights @ terms)

    def by_line(marks: FloatArray, owner: Index, lines: int) -> Drawn:
        terms, finish = prepare(marks)
        sums = np.zeros((lines, terms.shape[1]))
        present, first = np.unique(owner, return_index=True)
        sums[present] = np.add.reduceat(terms, first, axis=0)
        return lambda counts: finish(counts @ sums)

    def one_less(marks: FloatArray) -> FloatArray:
        terms, finish = prepare(marks)
        return finish(terms.sum(axis=0) - terms)

    return Statistic(of, spread, smooth, by_line, one_less, skewed)


def by_mark(by_line: Callable[[FloatArray, Index, int], Drawn]) -> Callable[[FloatArray, FloatArray], FloatArray]:
    """Return the form that takes one weight a mark: every mark is a line of its own."""
    return lambda marks, weights: by_line(marks, np.arange(len(marks)), len(marks))(weights)


# --- sums -----------------------------------------------------------------------------------------------------------


def ratio(top: FloatArray, bottom: FloatArray, least: float = 0.0) -> FloatArray:
    """Return top / bottom, nan where the bottom is not above `least`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(bottom > least, top / bottom, np.nan))


def _moments(marks: FloatArray) -> tuple[FloatArray, Callable[[FloatArray], tuple[FloatArray, FloatArray]]]:
    """Return count, sum and sum of squares as terms, and how they give mean and variance (n - 1)."""
    centre = float(marks.mean()) if marks.size else 0.0
    shifted = marks - centre  # keeps the difference of squares exact when spread is small beside the mean

    def finish(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        count, first, second = sums.T
        squares = second - first**2 / np.maximum(count, 1.0)
        squares = np.where(squares > 1e-13 * second, squares, 0.0)  # equal marks leave a trace of rounding
        return centre + ratio(first, count), ratio(squares, count - 1.0)

    return np.column_stack([np.ones(len(marks)), shifted, shifted**2]), finish


def _of_moments(
    number: Callable[[FloatArray, FloatArray], FloatArray],
) -> Callable[[FloatArray], tuple[FloatArray, Callable[[FloatArray], FloatArray]]]:
    def prepare(marks: FloatArray) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
        terms, moments = _moments(marks)
        return terms, lambda sums: number(*moments(sums))

    return prepare


def _mean_ratio(marks: FloatArray) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
    top = (marks[:, 1] > 0.5).astype(np.float64)
    terms = np.column_stack([top, top * marks[:, 0], 1 - top, (1 - top) * marks[:, 0]])
    return terms, lambda sums: ratio(ratio(sums[:, 1], sums[:, 0]), ratio(sums[:, 3], sums[:, 2]))


def _class_cv(marks: FloatArray) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
    kinds = np.unique(marks[:, 1])
    parts = [_moments(marks[:, 0]) for _ in kinds]
    terms = np.hstack([part[0] * (marks[:, 1:] == kind) for part, kind in zip(parts, kinds, strict=True)])

    def finish(sums: FloatArray) -> FloatArray:
        weighted, freedom = np.zeros(len(sums)), np.zeros(len(sums))
        for k, (_, moments) in enumerate(parts):
            count = sums[:, 3 * k]
            middle, variance = moments(sums[:, 3 * k : 3 * k + 3])
            share = np.where((count >= CLASS_MINIMUM) & (middle > 0), count - 1.0, 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                weighted += np.where(share > 0, share * variance / middle**2, 0.0)
            freedom += share
        return np.sqrt(ratio(weighted, freedom)) * (1.0 + 1.0 / (4.0 * np.maximum(freedom, 1.0)))

    return terms, finish


# --- ranks ----------------------------------------------------------------------------------------------------------


def _median(marks: FloatArray, owner: Index, lines: int) -> Drawn:
    return Ranked(marks, np.ones(len(marks)), owner, lines).median


def _mad(marks: FloatArray, owner: Index, lines: int) -> Drawn:
    both = median_and_mad(marks, owner, lines)
    return lambda counts: both(counts)[1]


def _robust_cv(marks: FloatArray, owner: Index, lines: int) -> Drawn:
    both = median_and_mad(marks, owner, lines)

    def drawn(counts: FloatArray) -> FloatArray:
        median, mad = both(counts)
        return MAD_TO_SD * ratio(mad, median)

    return drawn


def _median_ratio(marks: FloatArray, owner: Index, lines: int) -> Drawn:
    top = (marks[:, 1] > 0.5).astype(np.float64)
    above, below = (Ranked(marks[:, 0], share, owner, lines) for share in (top, 1 - top))
    return lambda counts: ratio(above.median(counts), below.median(counts))


#: Mean of the marks.
MEAN = over_sums(_of_moments(lambda mean, _: mean))
#: Standard deviation (n - 1).
SD = over_sums(_of_moments(lambda _, variance: np.sqrt(variance)), spread=True)
#: SD / mean.
CV = over_sums(_of_moments(lambda mean, variance: ratio(np.sqrt(variance), mean)), spread=True)
#: Median, the middle two averaged.
MEDIAN = Statistic(by_mark(_median), smooth=False, by_line=_median)
#: Median absolute deviation from the median, unscaled.
MAD = Statistic(by_mark(_mad), spread=True, smooth=False, by_line=_mad)
#: 1.4826 MAD / median.
ROBUST_CV = Statistic(by_mark(_robust_cv), spread=True, smooth=False, by_line=_robust_cv)
#: Marks are ``(value, side)``: mean of the values of side 1 over the mean of those of side 0.
MEAN_RATIO = over_sums(_mean_ratio)
#: Marks are ``(value, side)``: median of the values of side 1 over the median of those of side 0.
MEDIAN_RATIO = Statistic(by_mark(_median_ratio), smooth=False, by_line=_median_ratio)
#: Marks are ``(value, class)``: spread within classes, see `pooled_cv`.
CLASS_CV = over_sums(_class_cv, spread=True)


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
    value = CLASS_CV.value(marks)
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
