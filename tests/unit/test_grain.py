"""Pencil on rough paper: strokes broken by the paper's grain are joined, and clean ones are left alone.

The grain is drawn here: spots without lead over a drawn page, no published source.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from handwriting import ink as stage
from handwriting.ink import find_ink
from handwriting.lifting import flatten, lift_rules
from handwriting.phantoms import PASSAGES, Capture, Paper, Writer, draw
from handwriting.rules import find_rules

SCALE = 300 / 25.4
PAPER = Paper(width_mm=160, height_mm=110, rules="none", pitch_mm=10, top_mm=25)


@pytest.fixture(scope="module")
def clean():
    hand = Writer(x_height_mm=2.6, pen_width_mm=0.35, joined=True)
    image = draw(PASSAGES[1][:160], hand, PAPER, Capture(dpi=300, noise_sd=0, blur_mm=0.02), 1).image
    return np.ascontiguousarray(image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY))


def grainy(grey, share=0.4):
    """Let a third of the lead lie in spots a pixel or two wide, so many of the ink."""
    rng = np.random.default_rng(5)
    spots = cv2.GaussianBlur(rng.random(grey.shape).astype(np.float32), (0, 0), 0.5)
    lead = np.where(spots > np.quantile(spots, 1 - share), 0.35, 1.0)
    return np.rint(245 - (245 - grey.astype(np.float64)) * lead).clip(0, 255).astype(np.uint8)


def found(grey):
    flat = flatten(grey, SCALE)
    rules = find_rules(flat, SCALE)
    ink = find_ink(*lift_rules(flat, rules, SCALE), rules, SCALE)
    assert ink is not None
    return ink


def test_grainy_strokes_are_joined(clean, monkeypatch):
    whole, mended = found(clean), found(grainy(clean))
    monkeypatch.setattr(stage, "_grainy", lambda pieces, px_per_mm: False)
    broken = found(grainy(clean))
    assert len(broken.pieces.boxes) > 1.5 * len(whole.pieces.boxes)
    assert len(mended.pieces.boxes) < 0.5 * (len(whole.pieces.boxes) + len(broken.pieces.boxes))
    # Gaps are filled; nothing is added around.
    true, there = whole.pieces.mask() > 0, mended.pieces.mask() > 0
    assert (there & ~true).sum() < 0.02 * true.sum()
    assert (there & true).sum() > (broken.pieces.mask() > 0).sum()


def test_clean_strokes_are_left_alone(clean, monkeypatch):
    before = found(clean)
    monkeypatch.setattr(stage, "_grainy", lambda pieces, px_per_mm: False)
    assert (found(clean).pieces.mask() == before.pieces.mask()).all()
