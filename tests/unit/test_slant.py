"""Slant: bars of exactly known slant, on level and on rising lines."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module

import cv2
import numpy as np
import pytest
from drawn_bars import PITCH, X_HEIGHT, Bar, evidence_of, lines_of, row_of

from handwriting.geometry import Polyline
from handwriting.ink import Pieces
from handwriting.lifting import PAPER
from handwriting.lines import Lines, TextLine
from handwriting.measures.evidence import Evidence
from handwriting.measures.slant import slant
from handwriting.phantoms.raster import draw_stroke
from handwriting.quantity import Measured, NotMeasured

# Odd fractions, so that the grid cuts every bar at another place.
GAPS = [12.13, 12.37, 60.71, 12.59, 12.83, 60.19, 12.47, 12.91, 60.29, 12.07, 12.67]


def page(slant_deg: float, rise: float = 0.0) -> Evidence:
    return evidence_of(lines_of([row_of(GAPS, slant_deg=slant_deg)] * 3, rise=rise))


@pytest.mark.parametrize("slant_deg", [44.0, 45.0, 46.0, 60.0, 89.0, 90.0, 91.0, 120.0, 134.0, 135.0, 136.0])
def test_slant_of_bars(slant_deg: float) -> None:
    found = slant(page(slant_deg))["slant"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(slant_deg, abs=0.5)
    assert found.low <= found.value <= found.high
    assert found.flags == ()


@pytest.mark.parametrize("slant_deg", [18.0, 24.0, 156.0, 162.0])
def test_bars_that_lean_further_than_writing_does_are_no_crash(slant_deg: float) -> None:
    assert set(slant(page(slant_deg))) == {"slant", "slant_spread"}


def test_slant_is_to_the_line_not_to_the_page() -> None:
    """Bars that lean 80 degrees to the page's level on a line rising by 3 degrees lean 77 degrees to the line."""
    rise = float(np.tan(np.radians(3.0)))
    # A bar leans 1 / tan(slant) columns for each row above its line: its direction is (lean, 1 + rise lean).
    lean = 1 / np.tan(np.radians(80.0))
    page_deg = np.degrees(np.arctan2(1 + rise * lean, lean))
    found = slant(page(80.0, rise))["slant"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(page_deg - 3.0, abs=0.5)


def test_spread_of_known_angles() -> None:
    angles = np.random.default_rng(1).normal(85, 5, (6, 20))
    rows = [[Bar(300 + 60 * i, height=60, slant_deg=float(a)) for i, a in enumerate(line)] for line in angles]
    found = slant(evidence_of(lines_of(rows)))
    spread = found["slant_spread"]
    assert isinstance(spread, Measured)
    assert spread.value == pytest.approx(float(angles.std(ddof=1)), abs=0.4)
    assert spread.low < float(angles.std(ddof=1)) < spread.high
    assert found["slant"].value == pytest.approx(85, abs=1.2)


def shaded(angles: np.ndarray, *, tremble: float = 0.0, bow: float = 0.0) -> Evidence:
    """Return a page of pen strokes 20 px tall and 4 px wide with soft edges, one row of angles a line.

    Every other stroke is bent to the right by `bow` px for each px up, squared.
    """
    rng = np.random.default_rng(3)
    cover = np.zeros((120 * len(angles) + 120, 40 * angles.shape[1] + 200), np.uint8)
    courses = []
    for k, row in enumerate(angles):
        base = 120.0 * (k + 1)
        courses.append(TextLine(Polyline(np.array([0.0, cover.shape[1]]), np.full(2, base - 0.5)), 24.0, None))
        for i, angle in enumerate(row):
            up = np.linspace(0, 20, 9)
            along = 100 + 40 * i + rng.random() + up / np.tan(np.radians(angle)) + tremble * rng.standard_normal(9)
            along = along + (i % 2) * bow * up**2
            draw_stroke(cover, np.column_stack([along, base - 2 - up]), 4.0)
    count, labels, stats, _ = cv2.connectedComponentsWithStats((cover >= 128).astype(np.uint8), connectivity=8)
    y, x = np.nonzero(labels)
    pieces = Pieces(x.astype(np.int32), y.astype(np.int32), labels[y, x].astype(np.int32) - 1, stats[1:], cover.shape)
    line = np.rint(y / 120 - 0.9).astype(np.int32).clip(0, len(angles) - 1)
    page = evidence_of(Lines(tuple(courses), line, pieces, 24.0, 0.0), stroke_px=4.0)
    flat = (PAPER - cover * (150 / 255)).astype(np.uint8)
    assert count == angles.size + 1
    return replace(page, ink=replace(page.ink, flat=flat))


def test_edges_are_placed_within_the_pixel() -> None:
    """Short stems that lean by less than a column all look upright, pixel by pixel."""
    found = slant(shaded(np.full((3, 20), 91.3)))
    assert isinstance(found["slant"], Measured)
    assert found["slant"].value == pytest.approx(91.3, abs=0.15)
    spread = found["slant_spread"]
    assert isinstance(spread, NotMeasured) or spread.value < 0.5


def test_a_tremble_inside_the_stems_is_no_spread_of_slant() -> None:
    angles = np.random.default_rng(2).normal(85, 1.5, (8, 30))
    still, trembling = (slant(shaded(angles, tremble=t))["slant_spread"] for t in (0.0, 0.5))
    for found in (still, trembling):
        assert isinstance(found, Measured)
        assert found.value == pytest.approx(float(angles.std(ddof=1)), abs=0.3)


def test_bent_strokes_are_no_stems() -> None:
    """Hooks whose ends lean 28 degrees apart: straight enough to be stretches, not to show a slant."""
    found = slant(shaded(np.full((3, 40), 92.0), bow=0.012))
    assert isinstance(found["slant"], Measured)
    assert found["slant"].value == pytest.approx(92.0, abs=0.3)
    assert found["slant"].n <= 120


def test_stems_with_ink_along_their_side_show_no_slant() -> None:
    rows = [
        [Bar(300 + 60 * i, 6.0 if i % 2 else 11.0, height=60, slant_deg=90.0 if i % 2 else 96.0) for i in range(20)]
        for _ in range(3)
    ]
    found = slant(evidence_of(lines_of(rows)))["slant"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(90.0, abs=0.3)
    assert found.n == 60


@pytest.mark.parametrize("joined", [True, False])
def test_stems_drawn_up_and_down_count_by_their_way_down(joined: bool) -> None:
    """The pen goes up 8 degrees further right, from half a stroke beside the foot; single strokes are joins upwards."""
    rows = [
        [bar for i in range(14) for bar in (Bar(300 + 80 * i, slant_deg=92.0), Bar(303 + 80 * i, slant_deg=84.0))]
        + [Bar(1500 + 80 * i, slant_deg=66.0) for i in range(7)]
    ] * 4
    apart = evidence_of(lines_of(rows))
    x, y = apart.lines.pieces.x, apart.lines.pieces.y
    mask = np.zeros(apart.lines.pieces.shape, np.uint8)
    mask[y, x] = 1
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    y, x = np.nonzero(mask)
    pieces = Pieces(x.astype(np.int32), y.astype(np.int32), labels[y, x].astype(np.int32) - 1, stats[1:], mask.shape)
    line = np.rint(y / PITCH - 1.4).astype(np.int32).clip(0, 3)
    page = evidence_of(Lines(apart.lines.lines, line, pieces, X_HEIGHT, 0.0))
    found = slant(replace(page, letters=replace(page.letters, joined=joined)))["slant"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(92.0, abs=1.0)


def test_bars_that_lean_otherwise_are_left_out() -> None:
    rows = [
        [Bar(300 + 60 * i, height=60, slant_deg=70.0 if i % 5 == 0 else 100.0) for i in range(20)] for _ in range(3)
    ]
    found = slant(evidence_of(lines_of(rows)))["slant"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(100.0, abs=0.5)


def test_flag_when_the_second_estimate_disagrees(monkeypatch: pytest.MonkeyPatch) -> None:
    evidence = page(80.0)
    monkeypatch.setattr(import_module("handwriting.measures.slant"), "lean", lambda _: 1 / np.tan(np.radians(74.0)))
    found = slant(evidence)["slant"]
    assert isinstance(found, Measured)
    assert found.flags == ("slant-unsure",)


def test_too_few_strokes() -> None:
    found = slant(evidence_of(lines_of([[Bar(300), Bar(340)]])))
    for key in ("slant", "slant_spread"):
        assert isinstance(found[key], NotMeasured)
        assert found[key].flag == "slant-unsure"


def test_the_scale_does_not_enter() -> None:
    one = page(80.0)
    assert slant(one)["slant"] == slant(replace(one, mm_per_px=None))["slant"]
