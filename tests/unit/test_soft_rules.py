"""Rules lifted off soft pictures: drawn rules and strokes blurred by scipy's Gaussian filter; truth is ink alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from handwriting.geometry import Box
from handwriting.lifting import PAPER, lift_rules
from handwriting.rules import Rules, Ruling
from handwriting.soft_rules import lift_soft_rules

PX_PER_MM = 300 / 25.4
ROWS = (90, 190, 290)
LEFT, RIGHT = 40, 760
INK, RULE, WIDE = 170.0, 60.0, 4


def page(blur: tuple[float, float], off: int = 0, noise: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Return stems that stand on rules, `off` px below their place: with the rules and without, blurred (down, across).

    The upper two rules are written on, the lowest is bare; ink hides the rule under it.
    """
    ink = np.zeros((380, 800))
    for row in ROWS[:2]:
        for left in (*range(60, 340, 22), *range(400, 740, 22)):
            ink[row - 36 : row + 1, left : left + 5] = INK
    ruled = np.zeros_like(ink)
    for row in ROWS:
        ruled[row + off - WIDE // 2 : row + off + WIDE // 2, LEFT:RIGHT] = RULE
    pictures = []
    for dark in (np.maximum(ink, ruled), ink):
        soft = PAPER - ndimage.gaussian_filter(dark, blur)
        grain = np.random.default_rng(4).normal(0, noise, soft.shape)
        pictures.append(np.clip(np.rint(soft + grain), 0, PAPER).astype(np.uint8))
    return pictures[0], pictures[1]


def family() -> Ruling:
    return Ruling(
        kind="single",
        offsets=np.array(ROWS, float) - 0.5,
        slope=0.0,
        bend=0.0,
        turn=0.0,
        pitch=100.0,
        pitch_error=0.0,
        residual_rms=0.0,
        darkness=0.0,
        left=LEFT,
        right=RIGHT,
    )


def lifted(picture: np.ndarray, blur: tuple[float, float]) -> np.ndarray:
    spread = np.diag([blur[1] ** 2, blur[0] ** 2])
    whole = Box(0, 0, picture.shape[1], picture.shape[0])
    return lift_soft_rules(
        picture, Rules(family(), None), (whole,), lambda p: np.tile(spread, (len(p), 1, 1)), PX_PER_MM
    )


@pytest.mark.parametrize("blur", [(1.0, 1.0), (2.4, 2.4), (3.8, 3.0)])
@pytest.mark.parametrize("off", [0, 1, -2])
def test_soft_rules_leave_the_ink_alone(blur: tuple[float, float], off: int) -> None:
    ruled, plain = page(blur, off)
    left = lifted(ruled, blur).astype(float) - plain
    assert np.abs(left).max() < 15
    assert np.sqrt((left**2).mean()) < 1.5
    # The rule itself takes far more, and a lift by cross-sections a millimetre wide leaves the flanks of a soft one.
    assert np.abs(ruled.astype(float) - plain).max() > 20
    if max(blur) > 3:
        narrow = lift_rules(ruled, Rules(family(), None), PX_PER_MM)[0].astype(float) - plain
        assert np.sqrt((narrow**2).mean()) > 2 * np.sqrt((left**2).mean())


def test_noise_does_not_lead_it_astray() -> None:
    ruled, plain = page((2.8, 2.8), 1, noise=6.0)
    left = lifted(ruled, (2.8, 2.8)).astype(float) - plain
    assert np.abs(ndimage.gaussian_filter(left, (1, 8))[:, 20:-20]).max() < 5


def test_paper_that_has_no_rules_where_they_should_be_stays_nearly_as_it_is() -> None:
    _, plain = page((2.4, 2.4))
    assert np.abs(lifted(plain, (2.4, 2.4)).astype(float) - plain).max() < 12


def test_upright_rules_are_lifted_as_level_ones() -> None:
    ruled, _ = page((3.0, 1.8), 1)
    whole = Box(0, 0, ruled.shape[0], ruled.shape[1])
    spread = np.diag([3.0**2, 1.8**2])
    upright = lift_soft_rules(
        np.ascontiguousarray(ruled.T),
        Rules(None, family()),
        (whole,),
        lambda p: np.tile(spread, (len(p), 1, 1)),
        PX_PER_MM,
    )
    assert np.abs(upright.T.astype(int) - lifted(ruled, (3.0, 1.8))).max() <= 2
