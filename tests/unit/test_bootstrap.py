"""Intervals over lines: the same for one seed, right in shape, honest when there is none, quick, and covering."""

import numpy as np
import pytest

from handwriting import statistics as s
from handwriting.bootstrap import line_bootstrap
from handwriting.quantity import NotMeasured

METHODS = ["small-cluster", "percentile", "expanded", "bca", "bootstrap-t"]


def page(rng, lines=8, marks=25, between=0.1, cv=0.2):
    sizes = [marks] * (lines - 1) + [marks // 3]
    shift = np.sqrt(between) * rng.normal(size=lines)
    return [1 + cv * (shift[i] + np.sqrt(1 - between) * rng.normal(size=n)) for i, n in enumerate(sizes)]


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(
    "statistic", [s.MEAN, s.SD, s.CV, s.MEDIAN, s.ROBUST_CV], ids=["mean", "sd", "cv", "median", "robust"]
)
def test_one_seed_one_interval_and_the_value_inside(method, statistic):
    groups = page(np.random.default_rng(1))
    value = statistic.of(np.concatenate(groups), np.ones((1, sum(map(len, groups)))))[0]
    one, again = (line_bootstrap(groups, statistic, seed=3, draws=500, method=method) for _ in range(2))
    other = line_bootstrap(groups, statistic, seed=4, draws=500, method=method)
    assert one == again != other
    assert one.low < value < one.high
    assert one.se > 0


def test_scaling_the_marks_scales_the_interval():
    groups = page(np.random.default_rng(2))
    for statistic, power in ((s.MEAN, 1), (s.SD, 1), (s.CV, 0), (s.MEDIAN, 1)):
        one = np.array(line_bootstrap(groups, statistic, seed=5))
        three = np.array(line_bootstrap([3 * g for g in groups], statistic, seed=5))
        assert three == pytest.approx(one * 3**power, rel=1e-9)


def test_bias_of_a_spread_is_taken_off_upwards():
    """Few lines that differ show too little of the writer's spread, so the interval reaches further up than down."""
    rng = np.random.default_rng(8)
    ratios = []
    for _ in range(40):
        groups = page(rng, lines=6, between=0.3)
        value = s.SD.of(np.concatenate(groups), np.ones((1, sum(map(len, groups)))))[0]
        low, high, _ = line_bootstrap(groups, s.SD, seed=1, draws=300)
        ratios.append(np.log(high / value) / np.log(value / low))
    # The chi-square's own skew alone gives about 1.2; the bias taken off adds to it.
    assert np.median(ratios) > 1.5


def test_lines_that_differ_widen_the_interval():
    rng = np.random.default_rng(3)
    alike, apart = (line_bootstrap(page(rng, between=b), s.MEAN, seed=1) for b in (0.0, 0.6))
    assert apart.high - apart.low > 2 * (alike.high - alike.low)


def test_mean_over_equal_lines_is_the_t_interval_of_the_line_means():
    rng = np.random.default_rng(4)
    groups = list(rng.normal(3, 1, size=(9, 20)) + rng.normal(0, 0.5, size=(9, 1)))
    means = np.array([g.mean() for g in groups])
    half = 2.306004 * means.std(ddof=1) / 3  # t(8), 97.5 %
    found = line_bootstrap(groups, s.MEAN, seed=1, draws=20_000)
    assert (found.low, found.high) == pytest.approx((means.mean() - half, means.mean() + half), abs=0.02 * half)


def test_lines_more_alike_than_chance_give_no_narrower_interval_than_independent_marks():
    groups = [np.array([1.0, 2.0, 3.0, 4.0, 5.0])] * 8
    half = 1.959964 * np.std(np.tile(groups[0], 8), ddof=1) / np.sqrt(40)
    found = line_bootstrap(groups, s.MEAN, seed=1)
    assert (found.low, found.high) == pytest.approx((3 - half, 3 + half), rel=1e-6)
    spread = line_bootstrap(groups, s.SD, seed=1)
    assert spread.low < 0.95 * np.sqrt(2) < 1.05 * np.sqrt(2) < spread.high


def test_statistics_with_classes_resample_whole_lines():
    rng = np.random.default_rng(5)
    groups = [np.column_stack([rng.normal(2, 0.2, 30), rng.integers(0, 3, 30)]) for _ in range(6)]
    found = line_bootstrap(groups, s.CLASS_CV, seed=1)
    assert found.low < 0.1 < found.high < 0.2


def test_one_line_is_resampled_by_its_marks():
    found = line_bootstrap([np.random.default_rng(6).normal(3, 0.3, 40)], s.MEAN, seed=1)
    assert found.high - found.low == pytest.approx(2 * 2.02 * 0.3 / np.sqrt(40), rel=0.3)


def test_where_there_is_no_interval_the_reason_is_told():
    assert line_bootstrap([], s.MEAN, seed=1).flag == "few-letters"
    assert line_bootstrap([[1.0], []], s.MEAN, seed=1).flag == "few-letters"
    assert line_bootstrap([[2.0, 2.0], [2.0, 2.0]], s.CV, seed=1).flag == "undefined"
    assert line_bootstrap([[-1.0, 1.0], [-2.0, 2.0]], s.CV, seed=1).flag == "undefined"
    assert isinstance(line_bootstrap([[1.0, 2.0], [3.0, 5.0]], s.CV, seed=1, method="bootstrap-t"), NotMeasured)


def test_marks_all_the_same_give_a_point():
    assert line_bootstrap([[2.0, 2.0], [2.0]], s.MEAN, seed=1) == (2.0, 2.0, 0.0)


@pytest.mark.parametrize("lines", [4, 8, 15])
@pytest.mark.parametrize(("name", "true"), [("MEAN", 1.0), ("SD", 0.2), ("CV", 0.2), ("MEDIAN", 1.0)])
def test_default_interval_covers(lines, name, true):
    """95 % intervals hold the writer's value on 92 to 98 % of pages (500 pages, 2 % by chance); of four lines, 99 %."""
    rng = np.random.default_rng(100 + lines)
    hits = 0
    for _ in range(500):
        low, high, _ = line_bootstrap(page(rng, lines=lines), getattr(s, name), seed=1, draws=400)
        hits += low <= true <= high
    assert 0.915 <= hits / 500 <= (0.995 if lines == 4 else 0.985)


def test_two_lines_give_intervals_that_say_something():
    pages = [
        [1 + 0.05 * rng.normal() + 0.2 * rng.normal(size=25) for _ in range(2)]
        for rng in (np.random.default_rng([7, i]) for i in range(200))
    ]
    for statistic, true, widest in ((s.MEAN, 1.0, 0.6), (s.SD, 0.2, 0.4)):
        ends = [line_bootstrap(page, statistic, seed=1, draws=400) for page in pages]
        assert np.mean([e.low <= true <= e.high for e in ends]) >= 0.94
        assert np.median([e.high - e.low for e in ends]) < widest


def test_a_robust_spread_of_two_lines_has_no_interval():
    rng = np.random.default_rng(3)
    found = line_bootstrap([rng.normal(1, 0.2, 25) for _ in range(2)], s.ROBUST_CV, seed=1)
    assert isinstance(found, NotMeasured)
    assert found.flag == "few-lines"
