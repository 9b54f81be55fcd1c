"""NIST Statistical Reference Datasets, Norris (linear regression, 36 points): certified slope 1.00211681802045.

Certified values as carried by several public test suites; the points are recalled, and reproduce the certified values,
which a wrong digit would not. The slope of the difference on the mean (proportional bias) is the line fit under test:
pairs are made so that their mean is x and their difference y.
"""

import numpy as np
import pytest

from handwriting.reliability import limits_of_agreement
from handwriting.statistics import theil_sen

Y = np.array([
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8,
    339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5,
    778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
])  # fmt: skip
X = np.array([
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
])  # fmt: skip


def test_certified_slope_and_its_standard_error():
    found = limits_of_agreement(X + Y / 2, X - Y / 2)
    assert found.slope.value == pytest.approx(1.00211681802045, rel=1e-12)
    assert found.slope.se == pytest.approx(4.29796848199937e-4, rel=1e-9)


def test_certified_intercept_and_fit_follow_from_the_same_points():
    slope = limits_of_agreement(X + Y / 2, X - Y / 2).slope.value
    assert Y.mean() - slope * X.mean() == pytest.approx(-0.262323073774029, rel=1e-9)
    assert np.corrcoef(X, Y)[0, 1] ** 2 == pytest.approx(0.999993745883712, abs=1e-14)


def test_robust_slope_agrees_with_the_certified_one():
    found = theil_sen(X, Y)
    assert found.low < 1.00211681802045 < found.high
    assert found.slope == pytest.approx(1.00211681802045, abs=1e-3)
