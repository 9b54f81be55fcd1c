"""Jacobson & Truax (1991), Journal of Consulting and Clinical Psychology 59, 12-19: 47.5 to 32.5, SD 7.54, r .80.

Recalled, not re-read. The paper prints about 4.74 and -3.16 from rounded steps; the exact values are tested.
"""

import math

import pytest

from handwriting.reliability import reliable_change


def test_reliable_change_index():
    sem = 7.54 * math.sqrt(1 - 0.80)
    assert sem == pytest.approx(3.37199, abs=5e-6)
    found = reliable_change(47.5, 32.5, sem)
    assert found.se_difference == pytest.approx(4.76871, abs=5e-6)
    assert found.index == pytest.approx(-3.1455, abs=5e-5)
    assert found.index == pytest.approx(-3.16, abs=0.02)
