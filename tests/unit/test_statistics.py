"""Weighted statistics against numpy, pooled spread, shares and slopes."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from handwriting import statistics as s
from handwriting.quantity import NotMeasured

REFERENCE = {
    "MEAN": np.mean,
    "SD": lambda x: np.std(x, ddof=1),
    "CV": lambda x: np.std(x, ddof=1) / np.mean(x),
    "MEDIAN": np.median,
    "MAD": lambda x: np.median(np.abs(x - np.median(x))),
    "ROBUST_CV": lambda x: 1.482602218505602 * np.median(np.abs(x - np.median(x))) / np.median(x),
}


@pytest.mark.parametrize("name", REFERENCE)
@given(
    marks=st.lists(st.integers(1, 40), min_size=3, max_size=12),
    counts=st.lists(st.integers(0, 3), min_size=12, max_size=12),
)
def test_weights_mean_repeating_the_mark(name, marks, counts):
    x, w = np.array(marks, float) / 8, np.array(counts[: len(marks)], float)
    repeated = np.repeat(x, w.astype(int))
    found = getattr(s, name).of(x, np.vstack([w, np.ones_like(w)]))
    if repeated.size >= 2:
        assert found[0] == pytest.approx(REFERENCE[name](repeated), rel=1e-9, abs=1e-9)
    assert found[1] == pytest.approx(REFERENCE[name](x), rel=1e-9, abs=1e-9)


def test_draws_without_marks_have_no_value():
    x, w = np.array([1.0, 2.0]), np.zeros((1, 2))
    assert all(math.isnan(getattr(s, name).of(x, w)[0]) for name in REFERENCE)


def test_spread_small_beside_the_mean_keeps_its_digits():
    x = 1e6 + np.array([0.0, 1e-3, 2e-3, 3e-3])
    assert s.SD.of(x, np.ones((1, 4)))[0] == pytest.approx(np.std(x, ddof=1), rel=1e-6)


def test_ratio_of_two_kinds_of_marks():
    marks = np.array([[4.0, 1], [6.0, 1], [2.0, 0], [3.0, 0], [10.0, 0]])
    assert s.MEDIAN_RATIO.of(marks, np.ones((1, 5)))[0] == pytest.approx(5 / 3)
    assert s.MEAN_RATIO.of(marks, np.ones((1, 5)))[0] == pytest.approx(1.0)
    assert math.isnan(s.MEAN_RATIO.of(marks, np.array([[1.0, 1, 0, 0, 0]]))[0])


def test_pooled_cv_does_not_mix_classes():
    rng = np.random.default_rng(1)
    small, tall = 2 * (1 + 0.1 * rng.normal(size=400)), 5 * (1 + 0.1 * rng.normal(size=400))
    kinds = np.repeat([0, 1], 400)
    assert s.pooled_cv(np.concatenate([small, tall]), kinds) == pytest.approx(0.1, abs=0.006)
    assert s.CV.of(np.concatenate([small, tall]), np.ones((1, 800)))[0] > 0.4


def test_pooled_cv_by_its_formula():
    values, kinds = [2.0, 2.2, 1.9, 2.1, 2.4, 5.0, 5.5, 4.4, 5.2, 5.1, 4.9, 9.0], [0] * 5 + [1] * 6 + [2]
    cvs = [np.std(values[:5], ddof=1) / np.mean(values[:5]), np.std(values[5:11], ddof=1) / np.mean(values[5:11])]
    expected = math.sqrt((4 * cvs[0] ** 2 + 5 * cvs[1] ** 2) / 9) * (1 + 1 / 36)
    assert s.pooled_cv(values, kinds) == pytest.approx(expected)


def test_small_sample_factor_belongs_to_the_pooled_degrees_of_freedom():
    rng = np.random.default_rng(2)
    values = 1 + 0.15 * rng.normal(size=(4000, 40))
    kinds = np.repeat(np.arange(8), 5)
    found = np.array([s.pooled_cv(row, kinds) for row in values])
    assert found.mean() == pytest.approx(0.15, rel=0.012)
    # Put on every class instead (1 + 1 / 20), the same data read 4 % high.
    assert (found / (1 + 1 / 128) * (1 + 1 / 20)).mean() > 0.15 * 1.03


@pytest.mark.parametrize(("size", "measured"), [(4, False), (5, True)])
def test_classes_need_five_marks(size, measured):
    found = s.pooled_cv(np.arange(1, size + 1), np.zeros(size))
    assert isinstance(found, float) is measured


def test_pooled_cv_of_nothing():
    assert isinstance(s.pooled_cv([], []), NotMeasured)


@given(st.integers(0, 50), st.integers(1, 50))
def test_wilson_stays_within_0_and_1_and_holds_the_share(hits, n):
    hits = min(hits, n)
    low, high, _ = s.wilson(hits, n)
    assert 0 <= low <= hits / n <= high <= 1


@pytest.mark.parametrize(("hits", "n"), [(1, 0), (3, 2), (-1, 2)])
def test_wilson_refuses_what_is_no_proportion(hits, n):
    with pytest.raises(ValueError, match="not a proportion"):
        s.wilson(hits, n)


def test_share_of_independent_marks_is_a_little_wider_than_wilson():
    rng = np.random.default_rng(4)
    groups = [rng.random(30) < 0.8 for _ in range(10)]
    hits = sum(g.sum() for g in groups)
    plain, found = s.wilson(hits, 300), s.line_share(groups)
    assert 1.0 < (found.high - found.low) / (plain.high - plain.low) < 1.8


def test_share_that_belongs_to_lines_is_as_wide_as_the_lines_say():
    whole = [np.full(30, line < 5) for line in range(10)]  # five lines all on, five all off: ten facts, not 300
    found, ten = s.line_share(whole), s.wilson(5, 10)
    assert found.high - found.low == pytest.approx(ten.high - ten.low, rel=0.15)


def test_line_share_covers():
    rng = np.random.default_rng(5)
    hits = 0
    for _ in range(600):
        chance = rng.beta(8, 2, size=8)  # lines differ
        low, high, _ = s.line_share([rng.random(25) < p for p in chance])
        hits += low <= 0.8 <= high
    assert 0.925 <= hits / 600 <= 0.985


def test_share_without_marks_or_with_one_line():
    assert isinstance(s.line_share([]), NotMeasured)
    assert s.line_share([[True, False]]) == s.wilson(1, 2)
    assert s.line_share([[True] * 5, [True] * 5]).high == 1.0


def test_slope_of_a_line():
    found = s.theil_sen([0, 1, 2, 5, 7, 9], [3, 5, 7, 13, 17, 21])
    assert (found.slope, found.low, found.high, found.intercept) == pytest.approx((2, 2, 2, 3))


@pytest.mark.parametrize(("n", "level"), [(3, 1 - 2 / 6), (4, 1 - 2 / 24)])
def test_few_points_say_the_level_they_attain(n, level):
    found = s.theil_sen(range(n), [0.0, 1.0, 3.0, 4.0][:n])
    assert found.level == pytest.approx(level)


@pytest.mark.parametrize("n", [5, 6, 7])
def test_exact_level_by_going_through_every_order(n):
    """The slope 0 lies in the interval for exactly the stated share of all orders of n different values."""
    rng = np.random.default_rng(n)
    values = rng.normal(size=n)
    inside, level = 0, None
    orders = list(itertools.permutations(range(n)))
    for order in orders:
        found = s.theil_sen(range(n), values[list(order)])
        inside += found.low <= 0 <= found.high
        level = found.level
    assert inside / len(orders) == pytest.approx(level)
    assert level >= 0.95


def test_the_narrowest_interval_that_attains_the_level_is_taken():
    # Six points: one slope cut from each end leaves 1 - 2 * 6 / 720, two would leave 1 - 2 * 20 / 720 = 94 %.
    found = s.theil_sen(range(6), [0.0, 3.0, 1.0, 7.0, 4.0, 9.0])
    assert found.level == pytest.approx(1 - 12 / 720)


def test_slopes_that_are_not_there():
    assert isinstance(s.theil_sen([1, 1, 1], [1, 2, 3]), NotMeasured)
    assert isinstance(s.theil_sen([1, 2], [1, 2]), NotMeasured)
