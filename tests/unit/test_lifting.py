"""Rules that cross from row to row of the picture are lifted whole: pale ink on dark rules, skewed.

The truth is the same page with its rules drawn in the paper's own white.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import cv2
import numpy as np
import pytest
from stages import CLEAN

from handwriting.ink import find_ink
from handwriting.lifting import flatten, lift_rules
from handwriting.phantoms import PASSAGES, Paper, Writer, draw
from handwriting.phantoms.capture import INKS
from handwriting.rules import find_rules

SHEET = Paper(width_mm=160, height_mm=100, top_mm=25, pitch_mm=10, rule_width_mm=0.15)
GREY, WHITE = (120, 120, 120), (255, 255, 255)


@pytest.mark.parametrize("skew_deg", [0.0, 0.2, 0.6, 1.2])
@pytest.mark.parametrize("kind", ["single", "squared"])
@pytest.mark.parametrize("dpi", [150.0, 300.0])
def test_skewed_rules_leave_no_ink_behind(dpi: float, kind: Literal["single", "squared"], skew_deg: float) -> None:
    capture = replace(CLEAN, dpi=dpi, skew_deg=skew_deg, ink_rgb=INKS["pencil"], texture=0.3)
    masks = []
    for rgb in (GREY, WHITE):
        grey = draw(PASSAGES[1][:120], Writer(), replace(SHEET, rules=kind, rule_rgb=rgb), capture, 1).image
        flat = flatten(grey, capture.px_per_mm)
        rules = find_rules(flat, capture.px_per_mm)
        assert (rules.across is not None) == (rgb == GREY)
        ink = find_ink(*lift_rules(flat, rules, capture.px_per_mm), rules, capture.px_per_mm)
        assert ink is not None
        masks.append(ink.pieces.mask())
    found, true = masks
    around = np.ones((3, 3), np.uint8)
    added = (found > 0) & (cv2.dilate(true, around, iterations=2) == 0)
    lost = (true > 0) & (cv2.dilate(found, around) == 0)
    # One profile for whole stretches left 1 to 8 % here.
    assert added.sum() < 0.001 * (true > 0).sum()
    assert lost.sum() < 0.001 * (true > 0).sum()
