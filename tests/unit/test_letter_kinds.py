"""Kinds of marks: drawn from known numbers, with looks that tell kinds apart, tell nothing, or mislead."""

from __future__ import annotations

import numpy as np
import pytest
from test_size import BODY, STROKE, evidence_of, measured

from handwriting.geometry import FloatArray
from handwriting.letter_kinds import find_kinds, looks

RATIO = np.array([1.0, 1.55, 2.0, 1.9])
SHARE = (0.66, 0.09, 0.18, 0.07)
# Breadth of tops in bodies, as drawn letters have it: e and n; t; l and d; g and y.
BREADTH = np.array([0.55, 0.12, 0.1, 0.45])


def off(seed: int, spread: float, manner: str) -> float:
    """Return how far the bodies' height read off the marks lies from that of the bodies, relative."""
    rng = np.random.default_rng(seed)
    kind = rng.choice(4, 400, p=SHARE)
    size = 1 + spread * rng.standard_normal(400)
    height = BODY * size * RATIO[kind] + rng.normal(0, 0.4, 400)
    foot = 1.5 * rng.standard_normal(400) - np.where(kind == 3, 0.9 * BODY * size, 0.0)
    # A tenth of the bodies are as slender as tall letters.
    breadth = np.abs(np.where((kind == 0) & (rng.random(400) < 0.1), 0.05, BREADTH[kind]) + rng.normal(0, 0.1, 400))
    told = {
        "nothing": np.full(400, 0.33),
        "noise": rng.uniform(0, 0.7, 400),
        "breadth": breadth,
        "breadth that grows with the letter": breadth * size,
    }[manner]
    no = np.zeros(400, bool)
    share, _ = find_kinds(height, foot, looks(told, no), no, float(BODY))
    return float(share[:, 0] @ height / share[:, 0].sum() / height[kind == 0].mean() - 1)


def errors(spread: float, manner: str) -> FloatArray:
    return np.array([off(seed, spread, manner) for seed in range(20)])


@pytest.mark.parametrize(("manner", "left"), [("breadth", 0.95), ("breadth that grows with the letter", 0.75)])
def test_looks_tell_bodies_from_tall_letters_where_heights_overlap(manner: str, left: float) -> None:
    by_height, by_look = errors(0.2, "nothing"), errors(0.2, manner)
    assert np.sqrt((by_look**2).mean()) < left * np.sqrt((by_height**2).mean())
    assert abs(by_look.mean()) < 0.005


@pytest.mark.parametrize("spread", [0.1, 0.2])
def test_looks_that_tell_nothing_do_no_harm(spread: float) -> None:
    without, with_noise = errors(spread, "nothing"), errors(spread, "noise")
    assert np.sqrt((with_noise**2).mean()) < 1.1 * np.sqrt((without**2).mean()) + 0.0005
    assert np.abs(with_noise - without).max() < 0.005


def test_marks_under_a_dot_give_no_height() -> None:
    """In many hands i is lower than other bodies, and as slender as tall letters."""
    rng = np.random.default_rng(2)
    bars, widths, dots = [], [], []
    for _ in range(10):
        heights = np.rint(BODY * (1 + 0.1 * rng.standard_normal(24)) * np.repeat([1.0, 0.75, 2.0], [16, 4, 4]))
        bars.append([(0, int(height) + STROKE) for height in heights])
        widths.append([20] * 16 + [5] * 8)
        dots.append([(int(heights[i]) + 12, 5) if 16 <= i < 20 else None for i in range(24)])
    with_dots = evidence_of(bars, widths=widths, above=dots)
    without = evidence_of(bars, widths=widths)
    assert with_dots.letters.dotted.sum() == 40
    assert not without.letters.dotted.any()
    # Seen by their feet all the same.
    assert with_dots.letters.share[with_dots.letters.dotted, :3].sum(1).min() > 0.9
    assert measured(with_dots, "x_height_centre").value == pytest.approx(0.1 * BODY, rel=0.01)
    assert measured(without, "x_height_centre").value < 0.097 * BODY


def test_a_page_of_i_alone_is_measured_by_them() -> None:
    page = evidence_of([[(0, BODY + STROKE)] * 12] * 4, widths=[[5] * 12] * 4, above=[[(BODY + 16, 5)] * 12] * 4)
    assert page.letters.dotted.all()
    assert page.letters.centre[0] == pytest.approx(BODY, rel=0.05)
