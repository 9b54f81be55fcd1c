"""Margins: lines that start and end at known places."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_bars import evidence_of, lines_of, row_of

from handwriting.measures.evidence import Evidence
from handwriting.measures.margins import margins
from handwriting.quantity import Measured, NotMeasured

GAPS = [8.0, 60.0, 8.0, 60.0, 8.0]


def page(starts: list[float], rise: float = 0.0) -> Evidence:
    return evidence_of(lines_of([row_of(GAPS, left=s) for s in starts], rise=rise))


def value(found: object) -> float:
    assert isinstance(found, Measured)
    return found.value


def test_drift_and_spread_of_known_starts() -> None:
    off = np.array([3.0, -3, 3, -3, 3, -3, 3, -3])
    found = margins(page([300 + 12 * k + float(o) for k, o in enumerate(off)]))
    assert value(found["left_margin_drift"]) == pytest.approx(1.2, abs=0.12)
    # Eight places 3 px either side of the course, two degrees of freedom taken: 3 sqrt(8 / 6) px.
    assert value(found["left_margin_spread"]) == pytest.approx(0.3 * np.sqrt(8 / 6), abs=0.02)
    # Lines of equal length end ever farther right: the right margin narrows as the left one widens.
    assert value(found["right_margin_drift"]) == pytest.approx(-1.2, abs=0.12)
    for quantity in found.values():
        assert isinstance(quantity, Measured)
        assert quantity.low <= quantity.value <= quantity.high
    assert found["right_margin_drift"].high < 0


def test_an_indented_line_does_not_count() -> None:
    even = margins(page([300.0, 304, 298, 302, 300, 303, 297, 301]))
    indented = margins(page([300.0, 304, 298, 302, 420, 303, 297, 301]))
    assert value(indented["left_margin_drift"]) == pytest.approx(value(even["left_margin_drift"]), abs=0.06)
    assert value(indented["left_margin_spread"]) == pytest.approx(value(even["left_margin_spread"]), abs=0.1)


def test_a_page_laid_askew_has_no_drift_of_its_own() -> None:
    """Lines tilted by 2 degrees, their starts set off square to them as on a sheet turned about its corner."""
    rise = float(np.tan(np.radians(2.0)))
    starts = [300 + 160 * k * rise for k in range(8)]
    found = margins(page(starts, rise=rise))
    assert value(found["left_margin_drift"]) == pytest.approx(0.0, abs=0.05)


def test_the_last_line_has_no_right_margin() -> None:
    rows = [row_of(GAPS, left=300.0) for _ in range(6)]
    whole = margins(evidence_of(lines_of(rows)))
    rows[-1] = rows[-1][:2]
    short = margins(evidence_of(lines_of(rows)))
    assert value(short["right_margin_drift"]) == value(whole["right_margin_drift"])
    assert short["left_margin_drift"].n == 6
    assert short["right_margin_drift"].n == 5


def test_fewer_than_four_lines() -> None:
    found = margins(page([300.0, 300, 300]))
    assert {q.flag for q in found.values() if isinstance(q, NotMeasured)} == {"few-lines"}
    assert len(found) == 4
    found = margins(page([300.0, 302, 300, 301]))
    assert isinstance(found["left_margin_drift"], Measured)
    assert isinstance(found["right_margin_drift"], NotMeasured)
