"""How far two measurements of the same thing differ: repeats, raters, and change set against that difference.

Intraclass correlation
    Six forms from the mean squares of an n x k table (Shrout & Fleiss 1979, Psychological Bulletin 86, 420-428; names
    A and C after McGraw & Wong 1996, Psychological Methods 1, 30-46, with the correction of the same volume, 390).
Standard error of measurement
    agreement = sqrt(MSE + max(0, (MSC - MSE) / n)), consistency = sqrt(MSE); smallest detectable change
    1.96 sqrt(2) SEM (Weir 2005, J Strength Cond Res 19, 231-240).
Limits of agreement
    bias +/- 1.96 SD; SE of a limit sqrt(3 SD^2 / n), t with n - 1 (Bland & Altman 1986, Lancet i, 307-310; 1999, Stat
    Methods Med Res 8, 135-160).
Reliable change index
    (after - before) / (sqrt 2 SEM) (Jacobson & Truax 1991, J Consult Clin Psychol 59, 12-19).

What none of it sees: whether the two occasions were alike. Functions take tables without gaps and raise `UsageError`
for a table they cannot use; a table without any spread gives `NotMeasured`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from handwriting.errors import UsageError
from handwriting.geometry import FloatArray
from handwriting.quantity import NotMeasured

Weights = Literal["none", "linear", "quadratic"]
_Z = 1.959963984540054


class Estimate(NamedTuple):
    """A value, the ends of its interval and its standard error."""

    value: float
    low: float
    high: float
    se: float


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Mean squares of an n x k table: rows (targets), within rows, columns (raters, occasions), error."""

    rows: float
    within: float
    columns: float
    error: float
    n: int
    k: int


@dataclass(frozen=True, slots=True)
class Icc:
    """One intraclass correlation with both its names, what it answers, and its interval."""

    form: str
    name: str
    model: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class MeasurementError:
    """Standard errors of measurement and smallest detectable changes, in the unit of the table, and their df.

    `df` is that of the error mean square, n - 1 times k - 1.
    """

    sem_agreement: float
    sem_consistency: float
    sdc_agreement: float
    sdc_consistency: float
    df: int


@dataclass(frozen=True, slots=True)
class WithinSubject:
    """Spread of repeats of one subject.

    `sd` is the root of the mean variance within subjects, with its interval; a reading lies within `from_truth` of the
    subject's mean and two readings within `repeatability` of each other for 95 % of occasions (1.96 sd, 1.96 sqrt(2)
    sd). `cv_rms` and `cv_log` are two within-subject coefficients of variation, None where a value is not positive.
    """

    sd: float
    low: float
    high: float
    df: int
    from_truth: float
    repeatability: float
    cv_rms: float | None
    cv_log: float | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """Limits of agreement between two methods or occasions, differences taken first minus second.

    `bias`, `lower` and `upper` each carry their 95 % interval; `slope` is that of the difference on the mean
    (proportional bias) with its interval and two-sided p; `spread_slope` that of the absolute residual on the mean,
    positive where differences grow with size (then `ratio_limits` suits better), with its p.
    """

    n: int
    sd: float
    bias: Estimate
    lower: Estimate
    upper: Estimate
    slope: Estimate
    slope_p: float
    spread_slope: float
    spread_p: float


@dataclass(frozen=True, slots=True)
class Change:
    """A change against measurement error: index = (after - before) / `se_difference`."""

    difference: float
    se_difference: float
    index: float
    low: float
    high: float


def _table(values: ArrayLike, columns: int = 2) -> FloatArray:
    try:
        table = np.asarray(values, float)
    except (TypeError, ValueError) as error:
        raise UsageError("the table holds something that is not a number", fix="Give numbers only.") from error
    if table.ndim != 2 or table.shape[0] < 2 or table.shape[1] < columns:
        fix = f"Give at least 2 rows (pages or pupils) and {columns} columns (raters or occasions)."
        raise UsageError("the table is too small", fix=fix)
    if not np.isfinite(table).all():
        raise UsageError("the table has empty cells", fix="Leave out the rows that are not complete.")
    return table


def mean_squares(table: ArrayLike) -> MeanSquares:
    """Return the mean squares of an n x k table (rows are targets, columns raters or occasions)."""
    x = _table(table)
    n, k = x.shape
    grand, row, column = x.mean(), x.mean(axis=1), x.mean(axis=0)
    rows = k * float(((row - grand) ** 2).sum()) / (n - 1)
    columns = n * float(((column - grand) ** 2).sum()) / (k - 1)
    within = float(((x - row[:, None]) ** 2).sum()) / (n * (k - 1))
    error = float(((x - row[:, None] - column + grand) ** 2).sum()) / ((n - 1) * (k - 1))
    return MeanSquares(rows, within, columns, error, n, k)


def icc(table: ArrayLike, *, level: float = 0.95) -> tuple[Icc, ...] | NotMeasured:
    """Return the six forms ICC(1,1) (2,1) (3,1) (1,k) (2,k) (3,k), each with its F interval.

    The interval of ICC(2,1) is Satterthwaite's (Shrout & Fleiss 1979, p. 424); that of ICC(2,k) follows from it by the
    Spearman-Brown formula, as the published correction has it.
    """
    ms = mean_squares(table)
    n, k = ms.n, ms.k
    # Rounding leaves a trace of error in a table whose raters agree exactly.
    if ms.rows == 0 or ms.error <= 1e-24 * ms.rows:
        return NotMeasured("undefined", "the rows do not differ from each other, or the columns agree exactly")
    upper = (1 + level) / 2
    one = (ms.rows - ms.within) / (ms.rows + (k - 1) * ms.within)
    two = (ms.rows - ms.error) / (ms.rows + (k - 1) * ms.error + k * (ms.columns - ms.error) / n)
    three = (ms.rows - ms.error) / (ms.rows + (k - 1) * ms.error)
    ends1 = _f_interval(ms.rows / ms.within, n - 1, n * (k - 1), k, upper)
    ends3 = _f_interval(ms.rows / ms.error, n - 1, (n - 1) * (k - 1), k, upper)
    ends2 = _icc2_interval(ms, two, upper)
    one_way = "one way: each page has its own raters"
    agree = "two way, absolute agreement: raters (or occasions) drawn from many"
    consist = "two way, consistency: these raters (or occasions) only, differences in level set aside"
    single = (
        ("ICC(1,1)", "ICC(1)", one_way, one, ends1),
        ("ICC(2,1)", "ICC(A,1)", agree, two, ends2),
        ("ICC(3,1)", "ICC(C,1)", consist, three, ends3),
    )
    averages = (
        (f"ICC(1,{k})", "ICC(k)", one_way, (ms.rows - ms.within) / ms.rows),
        (f"ICC(2,{k})", "ICC(A,k)", agree, (ms.rows - ms.error) / (ms.rows + (ms.columns - ms.error) / n)),
        (f"ICC(3,{k})", "ICC(C,k)", consist, (ms.rows - ms.error) / ms.rows),
    )
    first = tuple(Icc(form, name, f"{model}; one rating", value, *ends) for form, name, model, value, ends in single)
    second = tuple(
        Icc(form, name, f"{model}; mean of {k} ratings", value, _step_up(one.low, k), _step_up(one.high, k))
        for (form, name, model, value), one in zip(averages, first, strict=True)
    )
    return first + second


def _f_interval(f: float, df1: int, df2: int, k: int, upper: float) -> tuple[float, float]:
    low = f / float(stats.f.ppf(upper, df1, df2))
    high = f * float(stats.f.ppf(upper, df2, df1))
    return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)


def _icc2_interval(ms: MeanSquares, value: float, upper: float) -> tuple[float, float]:
    n, k = ms.n, ms.k
    a = k * value / (n * (1 - value))
    b = 1 + k * value * (n - 1) / (n * (1 - value))
    v = (a * ms.columns + b * ms.error) ** 2 / (
        (a * ms.columns) ** 2 / (k - 1) + (b * ms.error) ** 2 / ((n - 1) * (k - 1))
    )
    f_low, f_high = float(stats.f.ppf(upper, n - 1, v)), float(stats.f.ppf(upper, v, n - 1))
    rest = k * ms.columns + (k * n - k - n) * ms.error
    low = n * (ms.rows - f_low * ms.error) / (f_low * rest + n * ms.rows)
    high = n * (f_high * ms.rows - ms.error) / (rest + n * f_high * ms.rows)
    return low, high


def _step_up(single: float, k: int) -> float:
    return k * single / (1 + (k - 1) * single)


def measurement_error(table: ArrayLike) -> MeasurementError:
    """Return both standard errors of measurement and smallest detectable changes of an n x k table of repeats."""
    ms = mean_squares(table)
    consistency = math.sqrt(ms.error)
    agreement = math.sqrt(ms.error + max(0.0, (ms.columns - ms.error) / ms.n))
    factor = _Z * math.sqrt(2.0)
    return MeasurementError(agreement, consistency, factor * agreement, factor * consistency, (ms.n - 1) * (ms.k - 1))


def within_subject(table: ArrayLike, *, level: float = 0.95) -> WithinSubject:
    """Return the spread of repeats: rows are subjects, columns their repeats (Bland & Altman 1996, BMJ 313, 744)."""
    x = _table(table)
    n, k = x.shape
    df = n * (k - 1)
    sd = math.sqrt(float(x.var(axis=1, ddof=1).mean()))
    low_q, high_q = stats.chi2.ppf([(1 - level) / 2, (1 + level) / 2], df)
    rms = log = None
    if (x > 0).all():
        rms = math.sqrt(float((x.var(axis=1, ddof=1) / x.mean(axis=1) ** 2).mean()))
        log = math.exp(math.sqrt(float(np.log(x).var(axis=1, ddof=1).mean()))) - 1.0
    low, high = sd * math.sqrt(df / float(high_q)), sd * math.sqrt(df / float(low_q))
    return WithinSubject(sd, low, high, df, _Z * sd, _Z * math.sqrt(2.0) * sd, rms, log)


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, *, multiplier: float = 1.96, level: float = 0.95
) -> Agreement | NotMeasured:
    """Limits of agreement of two columns, with all six interval ends, proportional bias and growing spread.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Paired values, `n` of at least 3; differences are first minus second.
    multiplier : float
        1.96, or 2 as the paper of 1986 prints it.
    """
    x = _pairs(first, second)
    difference, middle = x[:, 0] - x[:, 1], x.mean(axis=1)
    n, bias, sd = len(x), float(difference.mean()), float(difference.std(ddof=1))
    if np.ptp(middle) == 0 or sd == 0:
        return NotMeasured("undefined", "the pairs do not differ, or all have the same mean")
    t = float(stats.t.ppf((1 + level) / 2, n - 1))
    se_bias, se_limit = sd / math.sqrt(n), math.sqrt(3 * sd**2 / n)
    limits = [
        Estimate(end, end - t * se_limit, end + t * se_limit, se_limit)
        for end in (bias - multiplier * sd, bias + multiplier * sd)
    ]
    slope = stats.linregress(middle, difference)
    t_slope = float(stats.t.ppf((1 + level) / 2, n - 2))
    ends = (float(slope.slope - t_slope * slope.stderr), float(slope.slope + t_slope * slope.stderr))
    residual = difference - (slope.intercept + slope.slope * middle)
    spread = stats.linregress(middle, np.abs(residual))
    return Agreement(
        n=n,
        sd=sd,
        bias=Estimate(bias, bias - t * se_bias, bias + t * se_bias, se_bias),
        lower=limits[0],
        upper=limits[1],
        slope=Estimate(float(slope.slope), *ends, float(slope.stderr)),
        slope_p=float(slope.pvalue),
        spread_slope=float(spread.slope),
        spread_p=float(spread.pvalue),
    )


def ratio_limits(first: ArrayLike, second: ArrayLike, *, level: float = 0.95) -> tuple[Estimate, ...] | NotMeasured:
    """Bias, lower and upper limit of first / second, from the limits of agreement of the logarithms.

    Values and interval ends are ratios; ``se`` is that of the logarithm.

    Raises
    ------
    UsageError
        When a value is not positive.
    """
    x = _pairs(first, second)
    if (x <= 0).any():
        fix = "Use the plain limits, or leave those rows out."
        raise UsageError("ratio limits need values above zero", fix=fix)
    logs = limits_of_agreement(np.log(x[:, 0]), np.log(x[:, 1]), level=level)
    if isinstance(logs, NotMeasured):
        return logs
    return tuple(
        Estimate(math.exp(i.value), math.exp(i.low), math.exp(i.high), i.se)
        for i in (logs.bias, logs.lower, logs.upper)
    )


def _pairs(first: ArrayLike, second: ArrayLike) -> FloatArray:
    one, two = np.asarray(first, float), np.asarray(second, float)
    if one.shape != two.shape or one.ndim != 1:
        raise UsageError(f"{one.size} values are paired with {two.size}", fix="Give one value of each kind a row.")
    x = _table(np.column_stack([one, two]))
    if len(x) < 3:
        raise UsageError(f"{len(x)} pairs are too few for limits of agreement", fix="Give at least 3.")
    return x


def sd_of_single_differences(first: ArrayLike, second: ArrayLike) -> float:
    """SD of the difference of single readings, from tables (n x k each) whose means of k are being compared.

    ``sqrt(var(mean difference) + (1 - 1/k1) MSE1 + (1 - 1/k2) MSE2)``, MSE the two-way error mean squares. For two
    readings each this is the ``s1^2 / 4 + s2^2 / 4`` of Bland & Altman 1986, whose s are SDs of the difference between
    the two readings (2 MSE = s^2).
    """
    one, two = _table(first), _table(second)
    if len(one) != len(two):
        raise UsageError(f"{len(one)} rows are paired with {len(two)}", fix="Give the same pages in both tables.")
    between = float((one.mean(axis=1) - two.mean(axis=1)).var(ddof=1))
    own = sum((1 - 1 / t.shape[1]) * mean_squares(t).error for t in (one, two))
    return math.sqrt(between + own)


def reliable_change(before: float, after: float, sem: float, *, level: float = 0.95) -> Change:
    """Return the change, its index against measurement error, and its interval.

    Parameters
    ----------
    before, after : float
        The two values.
    sem : float
        Standard error of measurement of one value, from repeats of the same task; same unit, above zero.
    """
    if not (math.isfinite(sem) and sem > 0):
        raise UsageError(f"a standard error of measurement of {sem:g} cannot be used", fix="Give one above zero.")
    se = math.sqrt(2.0) * sem
    half = float(stats.norm.ppf((1 + level) / 2)) * se
    difference = after - before
    return Change(difference, se, difference / se, difference - half, difference + half)


def kappa(
    first: ArrayLike, second: ArrayLike, *, weights: Weights = "quadratic", level: float = 0.95
) -> Estimate | NotMeasured:
    """Cohen's weighted kappa of two raters' ordinal ratings, with the large-sample interval.

    Weights fall with the distance of two ratings on their own scale (or its square); ``none`` is plain kappa. Standard
    error after Fleiss, Cohen & Everitt (1969), Psychological Bulletin 72, 323-327.

    Parameters
    ----------
    first, second : array_like of int, shape (n,)
        One rating each a row.
    """
    one, two = np.asarray(first, float), np.asarray(second, float)
    if one.shape != two.shape or one.ndim != 1 or not one.size or not np.isfinite(np.concatenate([one, two])).all():
        raise UsageError("the two raters' ratings do not pair up", fix="Give one rating by each rater a row.")
    categories, index = np.unique(np.concatenate([one, two]), return_inverse=True)
    q, n = categories.size, one.size
    if q < 2:
        return NotMeasured("undefined", "both raters used one rating throughout")
    table = np.zeros((q, q))
    np.add.at(table, (index[:n], index[n:]), 1.0 / n)
    away = np.abs(categories[:, None] - categories) / (categories[-1] - categories[0])
    weight = {"none": (away == 0).astype(float), "linear": 1 - away, "quadratic": 1 - away**2}[weights]
    row, column = table.sum(axis=1), table.sum(axis=0)
    observed, expected = float((weight * table).sum()), float((weight * np.outer(row, column)).sum())
    value = (observed - expected) / (1 - expected)
    row_weight, column_weight = weight @ column, row @ weight
    inner = weight - (row_weight[:, None] + column_weight) * (1 - value)
    variance = (float((table * inner**2).sum()) - (value - expected * (1 - value)) ** 2) / (n * (1 - expected) ** 2)
    se = math.sqrt(max(variance, 0.0))
    half = float(stats.norm.ppf((1 + level) / 2)) * se
    return Estimate(value, max(value - half, -1.0), min(value + half, 1.0), se)
