"""Slope of the rules, slant and stroke width against independent estimates by scikit-image and scipy.

The Hough transform (skimage.transform.hough_line), the structure tensor (skimage.feature.structure_tensor) and the
skeleton (skimage.morphology.skeletonize) work in other ways than the project does.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import convolve
from skimage.feature import structure_tensor
from skimage.morphology import skeletonize
from skimage.transform import hough_line

from handwriting.ink import find_ink
from handwriting.letters import find_letters
from handwriting.lifting import flatten, lift_rules
from handwriting.lines import find_lines
from handwriting.measures.evidence import Evidence
from handwriting.measures.slant import slant
from handwriting.phantoms import ABLE, Capture, Paper, draw
from handwriting.quantity import Measured
from handwriting.rules import find_rules
from handwriting.words import find_words

DPI = 300
PX_PER_MM = DPI / 25.4
TEXT = "a small red boat sails over the wide grey sea and back again to the old harbour " * 3


def scanned(slant_deg=86.0, skew_deg=0.0, rules="single", seed=5):
    writer = replace(ABLE, x_height_mm=2.6, slant_deg=slant_deg, slant_sd_deg=1.0)
    paper = Paper(height_mm=150.0, rules=rules, pitch_mm=10.0)
    made = draw(TEXT, writer, paper, Capture(dpi=DPI, skew_deg=skew_deg), seed=seed).image
    return made if made.ndim == 2 else cv2.cvtColor(made, cv2.COLOR_RGB2GRAY)


def stages(grey):
    flat = flatten(grey, PX_PER_MM)
    rules = find_rules(flat, PX_PER_MM)
    lifted, cut = lift_rules(flat, rules, PX_PER_MM)
    return flat, rules, find_ink(lifted, cut, rules, PX_PER_MM)


@pytest.mark.parametrize("skew_deg", [-2.0, 0.0, 1.3])
def test_slope_of_the_rules_against_the_hough_transform(skew_deg):
    flat, rules, _ = stages(scanned(skew_deg=skew_deg))
    # Rules are lighter than the pen; the normal of a level line stands at 90 degrees.
    printed = (flat < 225) & (flat > 140)
    theta = np.deg2rad(np.arange(86.0, 94.0, 0.02))
    votes, _, _ = hough_line(printed, theta)
    best = theta[int(np.argmax((votes.astype(float) ** 2).sum(0)))]
    by_hough = np.rad2deg(np.arctan(-np.cos(best) / np.sin(best)))
    assert rules.across is not None
    assert np.rad2deg(np.arctan(rules.across.slope)) == pytest.approx(by_hough, abs=0.1)


def by_structure_tensor(ink):
    """Angle of the near-upright edges: 90 upright, below 90 leaning right."""
    picture = cv2.GaussianBlur(ink.pieces.mask(), (0, 0), 1.0).astype(float)
    rr, rc, cc = structure_tensor(picture, sigma=3.0, order="rc")
    energy, doubled = rr + cc, np.arctan2(2 * rc, cc - rr)
    coherence = np.hypot(2 * rc, cc - rr) / np.maximum(energy, 1e-9)
    # The gradient's angle (from the x axis, y down) is the stroke's from upright.
    lean = np.rad2deg(doubled / 2)
    strong = (coherence > 0.9) & (energy > np.percentile(energy[energy > 1], 50)) & (np.abs(lean) < 50)
    histogram, edges = np.histogram(lean[strong], bins=np.arange(-50, 51, 1.0), weights=energy[strong])
    smooth = np.convolve(histogram, np.exp(-0.5 * (np.arange(-6, 7) / 2.5) ** 2), "same")
    return 90.0 - float(edges[int(np.argmax(smooth))] + 0.5)


@pytest.mark.parametrize("slant_deg", [65.0, 80.0, 90.0, 105.0])
def test_slant_against_the_structure_tensor(slant_deg):
    _, rules, ink = stages(scanned(slant_deg=slant_deg, rules="none"))
    lines = find_lines(ink, rules.across, PX_PER_MM)
    words = find_words(lines, ink.stroke_px)
    letters = find_letters(ink, lines, words)
    found = slant(Evidence(ink, rules.across, lines, words, letters, 1 / PX_PER_MM, 0.0))["slant"]
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(by_structure_tensor(ink), abs=3.0)
    assert found.value == pytest.approx(slant_deg, abs=3.0)


@pytest.mark.parametrize("pen_mm", [0.3, 0.5, 0.8])
def test_stroke_width_against_the_skeleton(pen_mm):
    writer = replace(ABLE, x_height_mm=4.0, pen_width_mm=pen_mm, pen_width_cv=0.0)
    paper = Paper(height_mm=150.0, rules="none", pitch_mm=14.0)
    made = draw(TEXT, writer, paper, Capture(dpi=DPI), seed=6).image
    _, _, ink = stages(made if made.ndim == 2 else cv2.cvtColor(made, cv2.COLOR_RGB2GRAY))
    mask = ink.pieces.mask() > 0
    bone = skeletonize(mask).astype(int)
    straight = convolve(bone, np.array([[0, 0, 0], [0, 0, 1], [0, 1, 0]]), mode="constant") * bone
    slanting = convolve(bone, np.array([[0, 0, 0], [0, 0, 0], [1, 0, 1]]), mode="constant") * bone
    length = straight.sum() + np.sqrt(2) * slanting.sum()
    # The skeleton stops half a width short of each end.
    ends = int(((convolve(bone, np.ones((3, 3), int), mode="constant") == 2) & (bone == 1)).sum())
    length += ends * ink.stroke_px / 2
    assert ink.stroke_px == pytest.approx(mask.sum() / length, rel=0.08)
