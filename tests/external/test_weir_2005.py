"""Weir (2005), Journal of Strength and Conditioning Research 19, 231-240, trial A: eight subjects, two trials.

The data are recalled, not re-read; they give the published ICC .95, SEM 7.6 and minimal difference 21.
"""

import pytest

from handwriting.reliability import icc, mean_squares, measurement_error

TRIALS = [[146, 140], [148, 152], [170, 152], [90, 99], [157, 145], [156, 153], [176, 167], [205, 218]]


def test_mean_squares():
    ms = mean_squares(TRIALS)
    assert (ms.rows, ms.columns, ms.error) == pytest.approx((2098.5357, 30.25, 57.1071), abs=5e-5)


def test_icc_and_measurement_error():
    found = {form.form: form.value for form in icc(TRIALS)}
    assert (found["ICC(2,1)"], found["ICC(3,1)"]) == pytest.approx((0.9500, 0.9470), abs=5e-5)
    error = measurement_error(TRIALS)
    assert error.sem_consistency == pytest.approx(7.5569, abs=5e-5)
    assert error.sdc_consistency == pytest.approx(20.947, abs=1e-3)
    assert (round(error.sem_consistency, 1), round(error.sdc_consistency)) == (7.6, 21)
