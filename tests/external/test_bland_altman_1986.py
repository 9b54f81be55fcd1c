"""Bland & Altman (1986), Lancet i, 307-310: peak expiratory flow, two meters, two readings each, 17 subjects (table 1).

The readings were read on the authors' own page. Limits printed in 1986 use 2 SD; the paper's -114.3 and -45.1 come
from rounded steps (read in a text that quotes them), hence a tolerance of 0.2 there. The longer values were computed
apart from this project.
"""

import numpy as np
import pytest

from handwriting.reliability import icc, limits_of_agreement, sd_of_single_differences, within_subject

W1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
W2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
M1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
M2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]


def test_limits_at_196_sd():
    found = limits_of_agreement(W1, M1)
    assert found.n == 17
    assert (found.bias.value, found.sd) == pytest.approx((-2.117647, 38.765130), abs=5e-7)
    assert (found.lower.value, found.upper.value) == pytest.approx((-78.0973, 73.8620), abs=6e-5)
    assert found.bias.se == pytest.approx(9.4019, abs=5e-5)
    assert (found.bias.low, found.bias.high) == pytest.approx((-22.0488, 17.8135), abs=6e-5)


def test_limits_at_2_sd_as_printed_with_their_intervals():
    found = limits_of_agreement(W1, M1, multiplier=2)
    assert (found.lower.value, found.upper.value) == pytest.approx((-79.6479, 75.4126), abs=6e-5)
    assert found.lower.se == pytest.approx(16.2846, abs=5e-5)
    assert (found.lower.low, found.lower.high) == pytest.approx((-114.170, -45.126), abs=6e-4)
    assert (found.upper.low, found.upper.high) == pytest.approx((40.891, 109.934), abs=6e-4)
    assert (found.lower.low, found.lower.high) == pytest.approx((-114.3, -45.1), abs=0.2)


@pytest.mark.parametrize(
    ("first", "second", "sd", "repeatability", "rms", "log"),
    [(W1, W2, 15.3067, 42.399, 0.03500, 0.03565), (M1, M2, 19.9108, 55.153, 0.05066, 0.05213)],
    ids=["wright", "mini"],
)
def test_repeatability(first, second, sd, repeatability, rms, log):
    found = within_subject(np.column_stack([first, second]))
    assert found.sd == pytest.approx(sd, abs=5e-5)
    assert 2.77 * found.sd == pytest.approx(repeatability, abs=1e-3)
    assert found.repeatability == pytest.approx(repeatability, abs=0.05)  # 1.96 sqrt 2 = 2.772, printed as 2.77
    assert (found.cv_rms, found.cv_log) == pytest.approx((rms, log), abs=6e-6)


def test_sd_corrected_for_repeated_readings():
    one, two = np.column_stack([W1, W2]), np.column_stack([M1, M2])
    assert (one.mean(axis=1) - two.mean(axis=1)).std(ddof=1) == pytest.approx(33.2041, abs=5e-5)
    assert (one[:, 0] - one[:, 1]).std(ddof=1) == pytest.approx(21.7240, abs=5e-5)
    assert (two[:, 0] - two[:, 1]).std(ddof=1) == pytest.approx(28.8723, abs=5e-5)
    assert sd_of_single_differences(one, two) == pytest.approx(37.8008, abs=5e-5)


def test_icc_of_the_two_wright_readings():
    found = {form.form: form.value for form in icc(np.column_stack([W1, W2]))}
    assert found["ICC(2,1)"] == pytest.approx(0.98316, abs=5e-6)
    assert found["ICC(3,1)"] == pytest.approx(0.98305, abs=5e-6)
