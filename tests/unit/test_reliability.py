"""Repeats, raters and change: what the numbers mean, and what is refused. Worked values are in tests/external."""

import numpy as np
import pytest

from handwriting.errors import UsageError
from handwriting.quantity import NotMeasured
from handwriting.reliability import (
    icc,
    kappa,
    limits_of_agreement,
    measurement_error,
    ratio_limits,
    reliable_change,
    sd_of_single_differences,
    within_subject,
)


def repeats(seed, n=30, k=2, between=3.0, error=1.0, shift=0.0):
    rng = np.random.default_rng(seed)
    return 20 + between * rng.normal(size=(n, 1)) + error * rng.normal(size=(n, k)) + shift * np.arange(k)


def test_agreement_sees_a_shift_that_consistency_does_not():
    level, moved = measurement_error(repeats(1, n=400)), measurement_error(repeats(1, n=400, shift=4.0))
    assert moved.sem_consistency == pytest.approx(level.sem_consistency)
    assert moved.sem_agreement > 2 * level.sem_agreement
    assert level.sem_consistency == pytest.approx(1.0, rel=0.1)
    assert (level.df, level.sdc_consistency / level.sem_consistency) == (399, pytest.approx(2.7718, abs=1e-4))


def test_agreement_error_is_never_below_consistency_error():
    table = [[1.0, 1.5], [2.0, 1.5], [3.0, 3.2], [4.0, 3.8]]
    error = measurement_error(table)
    assert error.sem_agreement >= error.sem_consistency


def test_intervals_of_icc_cover():
    true, hits = 9 / 10, np.zeros(3)
    for seed in range(400):
        hits += [one.low <= true <= one.high for one in icc(repeats(seed, n=15, k=3))[:3]]
    assert (np.abs(hits / 400 - 0.95) < 0.035).all()


def test_interval_of_the_within_subject_sd_covers():
    hits = 0
    for seed in range(400):
        found = within_subject(repeats(seed, n=10))
        hits += found.low <= 1.0 <= found.high
    assert hits / 400 == pytest.approx(0.95, abs=0.035)


def test_within_subject_cv_is_left_out_where_a_value_is_not_positive():
    found = within_subject([[0.0, 1.0], [2.0, 3.0]])
    assert found.cv_rms is None and found.cv_log is None


def test_limits_of_agreement_show_proportional_bias_and_growing_spread():
    rng = np.random.default_rng(2)
    size = rng.uniform(10, 50, 200)
    steady = limits_of_agreement(size + rng.normal(size=200), size + rng.normal(size=200))
    assert steady.slope.low < 0 < steady.slope.high
    assert steady.spread_p > 0.01
    tilted = limits_of_agreement(1.1 * size + rng.normal(size=200), size + rng.normal(size=200))
    assert tilted.slope.low > 0.07
    growing = limits_of_agreement(size * (1 + 0.1 * rng.normal(size=200)), size)
    assert growing.spread_slope > 0 and growing.spread_p < 1e-6


def test_ratio_limits_are_free_of_the_unit():
    rng = np.random.default_rng(3)
    second = rng.uniform(10, 50, 60)
    first = second * 1.05 * np.exp(0.1 * rng.normal(size=60))
    bias, lower, upper = ratio_limits(first, second)
    assert bias.low < 1.05 < bias.high
    assert lower.value == pytest.approx(1.05 * np.exp(-0.196), rel=0.08)
    assert upper.value == pytest.approx(1.05 * np.exp(0.196), rel=0.08)
    scaled = ratio_limits(first * 25.4, second * 25.4)
    assert np.array(scaled) == pytest.approx(np.array([bias, lower, upper]))


def test_sd_of_single_differences_is_that_of_single_readings():
    rng = np.random.default_rng(4)
    true = rng.normal(size=(20_000, 1))
    one, two = (true + e * rng.normal(size=(20_000, 3)) for e in (0.5, 0.8))
    assert sd_of_single_differences(one, two) == pytest.approx((one[:, 0] - two[:, 0]).std(ddof=1), rel=0.02)


def test_false_claims_of_change_are_rare_and_real_change_is_found():
    rng = np.random.default_rng(5)
    none = [reliable_change(*rng.normal(size=2), sem=1.0) for _ in range(2000)]
    assert np.mean([abs(c.index) > 1.96 for c in none]) <= 0.065
    real = [reliable_change(*(rng.normal(size=2) + np.array([0.0, 2 * 2.77])), sem=1.0) for _ in range(500)]
    assert np.mean([c.low > 0 for c in real]) > 0.9


def test_kappa_of_perfect_chance_and_opposite_ratings():
    rng = np.random.default_rng(6)
    one = rng.integers(1, 6, 4000)
    assert kappa(one, one).value == pytest.approx(1.0)
    assert kappa(one, rng.permutation(one)).value == pytest.approx(0.0, abs=0.05)
    assert kappa(one, 6 - one).value == pytest.approx(-1.0, abs=0.05)


def test_kappa_weighs_near_misses_less():
    one = np.tile(np.arange(5), 20)
    near = np.clip(one + np.tile([0, 1], 50), 0, 4)
    assert kappa(one, near, weights="none").value < kappa(one, near, weights="linear").value < kappa(one, near).value


@pytest.mark.parametrize(
    "table", [[], [1, 2], [[1, 2]], [[1], [2]], [[1, np.nan], [2, 3]], [["a", "b"], ["c", "d"]], [[1, np.inf], [2, 3]]]
)
@pytest.mark.parametrize("function", [icc, measurement_error, within_subject])
def test_tables_that_cannot_be_used_are_refused(function, table):
    with pytest.raises(UsageError) as caught:
        function(table)
    assert caught.value.fix


@pytest.mark.parametrize(("first", "second"), [([1, 2, 3], [1, 2]), ([1, 2], [1, 3]), ([1, np.nan, 2], [1, 2, 3])])
@pytest.mark.parametrize("function", [limits_of_agreement, ratio_limits])
def test_pairs_that_cannot_be_used_are_refused(function, first, second):
    with pytest.raises(UsageError):
        function(first, second)


def test_other_refusals():
    with pytest.raises(UsageError, match="above zero"):
        ratio_limits([1, 2, 0], [1, 2, 3])
    with pytest.raises(UsageError, match="cannot be used"):
        reliable_change(1, 2, 0)
    with pytest.raises(UsageError, match="pair up"):
        kappa([1, 2], [1])
    with pytest.raises(UsageError, match="paired"):
        sd_of_single_differences([[1, 2], [2, 3]], [[1, 2], [2, 3], [3, 4]])


def test_tables_without_spread_are_not_measured():
    assert isinstance(icc([[1, 1], [1, 1]]), NotMeasured)
    assert isinstance(icc([[1, 1], [2, 2], [3, 3]]), NotMeasured)
    assert isinstance(limits_of_agreement([1, 2, 3], [0, 1, 2]), NotMeasured)
    assert isinstance(kappa([2, 2], [2, 2]), NotMeasured)
