"""Newcombe (1998), Statistics in Medicine 17, 857-872, table I: Wilson score intervals, method 3 (no continuity).

Recalled, not re-read; also recomputed apart from this project.
"""

import pytest

from handwriting.statistics import wilson


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(81, 263, 0.25529, 0.36621), (15, 148, 0.06239, 0.16049), (0, 20, 0.0, 0.16113), (1, 29, 0.00611, 0.17176)],
)
def test_wilson_interval(hits, n, low, high):
    found = wilson(hits, n)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-6)
    mirrored = wilson(n - hits, n)
    assert (1 - mirrored.high, 1 - mirrored.low) == pytest.approx((low, high), abs=5.1e-6)
