"""Stroke width, contacts and fill: bars of known width, pieces shared by lines, lines of known length."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_bars import Bar, evidence_of, lines_of, row_of

from handwriting.lifting import PAPER
from handwriting.measures.stroke import strokes
from handwriting.quantity import Measured, NotMeasured

GAPS = [12.0, 12.0, 60.0, 12.0, 12.0, 60.0, 12.0]


@pytest.mark.parametrize("slant_deg", [60.0, 90.0, 130.0])
@pytest.mark.parametrize("width", [3.0, 6.3, 12.0])
def test_width_is_square_to_the_stroke(width: float, slant_deg: float) -> None:
    row = row_of(GAPS, left=300.3, width=width / np.sin(np.radians(slant_deg)), slant_deg=slant_deg)
    found = strokes(evidence_of(lines_of([row] * 3), stroke_px=width))["stroke_width"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(0.1 * width, abs=0.035)


def test_stems_with_ink_at_their_side_do_not_widen_the_pen() -> None:
    row = [Bar(300 + 60 * i, 12.0 if i % 3 == 0 else 6.0) for i in range(18)]
    found = strokes(evidence_of(lines_of([row] * 3)))["stroke_width"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(0.6, abs=0.03)


def test_stems_drawn_up_and_down_do_not_widen_the_pen() -> None:
    # Most stems are two strokes lying half over one another, with a crowd about their own width (9 px).
    row = [Bar(300 + 60 * i, 6.0 if i % 3 == 0 else 9.0) for i in range(18)]
    found = strokes(evidence_of(lines_of([row] * 3)))["stroke_width"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(0.6, abs=0.03)


def test_where_wide_strokes_may_be_the_pens_only_the_upper_end_moves() -> None:
    # Single strokes (6 px) stand in two lines of six: some draws of lines find none, but none narrower.
    rows = [[Bar(300 + 60 * i, 6.0 if k < 2 else 9.0) for i in range(18)] for k in range(6)]
    found = strokes(evidence_of(lines_of(rows)))["stroke_width"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(0.6, abs=0.03)
    assert found.low > 0.55
    assert found.high > 0.8


@pytest.mark.parametrize("width", [2.45, 4.3, 4.55, 7.7])
def test_upright_strokes_of_part_of_a_pixel(width: float) -> None:
    # Most cover the same number of whole pixels, and would read 2, 4, 5 and 8.
    places = 300 + 20.1 * np.arange(40)
    evidence = evidence_of(lines_of([[Bar(float(x), width) for x in places]] * 3))
    column = np.arange(evidence.ink.flat.shape[1])
    cover = np.clip(np.minimum(column[:, None] + 1, places + width) - np.maximum(column[:, None], places), 0, 1).sum(1)
    flat = np.where(np.any(evidence.ink.flat < PAPER, axis=1, keepdims=True), PAPER - 150 * cover, PAPER)
    ink = replace(evidence.ink, flat=np.rint(flat).astype(np.uint8))
    found = strokes(replace(evidence, ink=ink))["stroke_width"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(0.1 * width, abs=0.01)


def test_a_piece_in_two_lines_is_one_contact() -> None:
    evidence = evidence_of(lines_of([row_of(GAPS)] * 4))
    none = strokes(evidence)["line_contacts"]
    assert isinstance(none, Measured)
    assert none.value == 0
    assert none.low == 0
    # Exact upper end of a Poisson count of 0 at 95 %: chi-square(0.975; 2) / 2 = 3.689, over three pairs of lines.
    assert none.high == pytest.approx(3.689 / 3, abs=0.001)
    line = evidence.lines.line.copy()
    line[np.flatnonzero(evidence.lines.pieces.piece == 3)[:40]] = 1
    found = strokes(replace(evidence, lines=replace(evidence.lines, line=line)))["line_contacts"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(1 / 3)


def test_fill_of_the_page() -> None:
    evidence = evidence_of(lines_of([row_of([70.0] * 10), row_of([70.0] * 10), row_of([70.0] * 3)]))
    found = strokes(evidence)["line_fill"]
    assert isinstance(found, Measured)
    long, short = 10 * 76 + 6, 3 * 76 + 6
    assert found.value == pytest.approx((2 * long + short) / 3 / 2600, abs=0.002)


def test_too_little_to_measure() -> None:
    found = strokes(evidence_of(lines_of([[Bar(300)]])))
    assert isinstance(found["stroke_width"], NotMeasured)
    assert isinstance(found["line_contacts"], NotMeasured)
    assert found["line_contacts"].flag == "few-lines"
