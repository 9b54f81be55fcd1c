"""The same tables through independent libraries: pingouin and statsmodels (both from a package registry), scipy."""

import warnings

import numpy as np
import pytest
from scipy import stats

from handwriting.reliability import icc, kappa
from handwriting.statistics import theil_sen, wilson

TABLES = [
    np.random.default_rng(seed).normal(size=(n, 1)) * spread + np.random.default_rng(seed + 1).normal(size=(n, k))
    for seed, n, k, spread in [(1, 8, 2, 3.0), (2, 20, 4, 1.0), (3, 12, 3, 0.3), (4, 30, 5, 2.0)]
]


@pytest.mark.parametrize("table", TABLES, ids=[f"{t.shape[0]}x{t.shape[1]}" for t in TABLES])
def test_icc_against_pingouin(table):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own deprecations are not ours
        pd = pytest.importorskip("pandas")
        pingouin = pytest.importorskip("pingouin")
        n, k = table.shape
        long = pd.DataFrame(
            {"page": np.repeat(np.arange(n), k), "rater": np.tile(np.arange(k), n), "value": table.ravel()}
        )
        theirs = pingouin.intraclass_corr(long, targets="page", raters="rater", ratings="value")
    interval = next(name for name in theirs.columns if name.startswith("CI95"))
    assert [one.value for one in icc(table)] == pytest.approx(list(theirs["ICC"]), abs=1e-9)
    ours = np.array([(one.low, one.high) for one in icc(table)])
    # The library rounds interval ends to two decimals.
    assert np.abs(ours - np.array(list(theirs[interval]))).max() < 0.0051


@pytest.mark.parametrize("hits", [0, 1, 7, 29, 30])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_wilson_against_statsmodels(hits, level):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        proportion = pytest.importorskip("statsmodels.stats.proportion")
    theirs = proportion.proportion_confint(hits, 30, alpha=1 - level, method="wilson")
    found = wilson(hits, 30, level=level)
    assert (found.low, found.high) == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize(("ours", "theirs"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")])
def test_kappa_against_statsmodels(ours, theirs):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        raters = pytest.importorskip("statsmodels.stats.inter_rater")
    rng = np.random.default_rng(7)
    one = rng.integers(0, 5, 60)
    two = np.clip(one + rng.integers(-1, 2, 60), 0, 4)
    table = np.zeros((5, 5), int)
    np.add.at(table, (one, two), 1)
    peer = raters.cohens_kappa(table, wt=theirs)
    found = kappa(one, two, weights=ours)
    assert found.value == pytest.approx(float(peer.kappa), abs=1e-9)
    assert found.se == pytest.approx(float(peer.std_kappa), abs=1e-9)


def test_robust_slope_against_scipy():
    rng = np.random.default_rng(11)
    x = np.sort(rng.normal(size=80))
    y = 2 * x + rng.standard_t(2, size=80)
    peer = stats.theilslopes(y, x, alpha=0.95)
    found = theil_sen(x, y)
    assert (found.slope, found.low, found.high) == pytest.approx((peer.slope, peer.low_slope, peer.high_slope))
