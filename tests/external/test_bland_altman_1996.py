"""Bland & Altman (1996), BMJ 313, 744: peak expiratory flow of 20 children, four readings each.

Rows 1-16 were read in the source; rows 17-20 are recalled, and the mean within variance of all 20 comes to the 460.52
printed. The longer values were computed apart from this project.
"""

import numpy as np
import pytest

from handwriting.reliability import icc, measurement_error, within_subject

READINGS = np.array(
    [
        [190, 220, 200, 200], [220, 200, 240, 230], [260, 260, 240, 280], [210, 300, 280, 265],
        [270, 265, 280, 270], [280, 280, 270, 275], [260, 280, 280, 300], [275, 275, 275, 305],
        [280, 290, 300, 290], [320, 290, 300, 290], [300, 300, 310, 300], [270, 250, 330, 370],
        [320, 330, 330, 330], [335, 320, 335, 375], [350, 320, 340, 365], [360, 320, 350, 345],
        [330, 340, 380, 390], [335, 385, 360, 370], [400, 420, 425, 420], [430, 460, 480, 470],
    ]
)  # fmt: skip


def test_within_subject_sd():
    found = within_subject(READINGS)
    assert found.sd**2 == pytest.approx(460.5208, abs=5e-5)
    assert found.sd == pytest.approx(21.4597, abs=5e-5)
    assert found.df == 60
    assert 1.96 * found.sd == pytest.approx(42.061, abs=5e-4)
    assert 2.77 * found.sd == pytest.approx(59.444, abs=1e-3)


def test_icc_and_measurement_error():
    found = {form.form: form.value for form in icc(READINGS)}
    assert found["ICC(1,1)"] == pytest.approx(0.887666, abs=5e-7)
    assert found["ICC(2,1)"] == pytest.approx(0.888214, abs=5e-7)
    assert found["ICC(3,1)"] == pytest.approx(0.905870, abs=5e-7)
    error = measurement_error(READINGS)
    assert (error.sem_agreement, error.sem_consistency) == pytest.approx((21.4597, 19.4994), abs=6e-4)
    assert (error.sdc_agreement, error.sdc_consistency) == pytest.approx((59.483, 54.049), abs=2e-3)
