"""The stages up to the lines, run on a grey picture of known scale."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from handwriting.frame import Frame
from handwriting.geometry import Box
from handwriting.ink import Ink, find_ink
from handwriting.lifting import flatten, lift_rules
from handwriting.lines import Lines
from handwriting.phantoms import Capture, Paper, Writer, draw
from handwriting.phantoms.truth import Truth
from handwriting.printed import set_print_aside
from handwriting.rules import Rules, find_rules

DPI = 200
PX_PER_MM = DPI / 25.4
CLEAN = Capture(dpi=DPI, noise_sd=1, blur_mm=0.03)
BLANK = Paper(rules="none", pitch_mm=13)


@dataclass(frozen=True)
class Looked:
    """What the stages made of a picture."""

    rules: Rules
    whole: Ink
    ink: Ink
    aside: tuple[Box, ...]
    lines: Lines

    @property
    def kept(self) -> float:
        """Share of the ink that belongs to a line of writing."""
        return float((self.lines.line >= 0).sum() / len(self.whole.pieces.x))


def look(grey: np.ndarray) -> Looked:
    """Run rules, ink, print and lines on a picture at `DPI`."""
    flat = flatten(grey, PX_PER_MM)
    rules = find_rules(flat, PX_PER_MM)
    lifted, cut = lift_rules(flat, rules, PX_PER_MM)
    whole = find_ink(lifted, cut, rules, PX_PER_MM)
    assert whole is not None
    ink, aside, lines = set_print_aside(whole, rules.across, Frame(grey, None, 1.0, 0, PX_PER_MM))
    return Looked(rules, whole, ink, aside, lines)


def drawn(
    text: str, writer: Writer, paper: Paper = BLANK, capture: Capture = CLEAN, seed: int = 1
) -> tuple[np.ndarray, Truth]:
    """Return the grey picture of a drawn page, and its truth."""
    page = draw(text, writer, paper, capture, seed)
    image = page.image if page.image.ndim == 2 else cv2.cvtColor(page.image, cv2.COLOR_RGB2GRAY)
    return np.ascontiguousarray(image), page.truth
