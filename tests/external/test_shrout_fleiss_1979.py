"""Shrout & Fleiss (1979), Psychological Bulletin 86, 420-428: six targets rated by four judges.

The ratings were read in a text that quotes the paper (table 2 there). The mean squares and coefficients printed there
(11.24 6.26 32.49 1.02; .17 .29 .71 .44 .62 .91, table 4) are recalled, not re-read; the longer values were computed
apart from this project.
"""

import pytest

from handwriting.reliability import icc, mean_squares, measurement_error

RATINGS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
FORMS = [
    ("ICC(1,1)", "ICC(1)", 0.165742, -0.1329, 0.7226, 0.17),
    ("ICC(2,1)", "ICC(A,1)", 0.289764, 0.0188, 0.7611, 0.29),
    ("ICC(3,1)", "ICC(C,1)", 0.714841, 0.3425, 0.9459, 0.71),
    ("ICC(1,4)", "ICC(k)", 0.442797, -0.8844, 0.9124, 0.44),
    ("ICC(2,4)", "ICC(A,k)", 0.620051, 0.0711, 0.9272, 0.62),
    ("ICC(3,4)", "ICC(C,k)", 0.909316, 0.6757, 0.9859, 0.91),
]


def test_mean_squares():
    ms = mean_squares(RATINGS)
    assert (ms.rows, ms.within, ms.columns, ms.error) == pytest.approx(
        (11.241667, 6.263889, 32.486111, 1.019444), abs=5e-7
    )
    assert [round(v, 2) for v in (ms.rows, ms.within, ms.columns, ms.error)] == [11.24, 6.26, 32.49, 1.02]


@pytest.mark.parametrize("order", range(6))
def test_six_forms_with_their_intervals(order):
    form, name, value, low, high, printed = FORMS[order]
    found = icc(RATINGS)[order]
    assert (found.form, found.name) == (form, name)
    assert found.value == pytest.approx(value, abs=5e-7)
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)
    assert round(found.value, 2) == printed


def test_measurement_error():
    error = measurement_error(RATINGS)
    assert (error.sem_agreement, error.sem_consistency) == pytest.approx((2.5028, 1.0097), abs=5e-5)
    assert (error.sdc_agreement, error.sdc_consistency) == pytest.approx((6.937, 2.799), abs=5e-4)
