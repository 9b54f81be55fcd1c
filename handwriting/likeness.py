"""Whether what was found can be writing on paper at all, or the page is refused: blank, dark, or a picture.

Strokes of writing are thin beside their own height, and beside a stroke there is paper. The shades of a photograph
leave little bare, and next to what passes for a stroke stand other shades. On six real scans and 24 drawn pages
paper fills 97 % and more of the ring from one to two strokes' widths around the ink; on twenty photographs (of animals,
people, streets, things) 47 to 86 %.

What it does not see: a line drawing, and a photograph that is nearly all sky or wall.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.errors import NoWritingError
from handwriting.ink import Ink
from handwriting.lines import Lines

# Brighter than this (of 250) is bare paper once the light is evened out; a middle grey below this is no paper.
_BARE, _DARK = 230, 90
# Writing covers a few hundredths of a page; a picture's shades cover more, in patches wider than any pen's line.
_MOST_INK, _MUCH_INK, _BROAD_MM = 0.22, 0.1, 1.2
# Letters are three times as tall as the pen is wide or more.
_THICK, _THICKEST = 0.25, 0.62
# A page this bare is paper; of one less bare, what stands beside the strokes decides.
_BARE_PAGE, _PAPER_BESIDE = 0.85, 0.9


def nothing_found(grey: NDArray[np.uint8], name: str) -> NoWritingError:
    """Return the refusal of a page without any ink: blank, or dark all over."""
    if float(np.median(grey[::4, ::4])) < _DARK:
        return NoWritingError(
            "no writing was found: the picture is dark all over",
            where=name,
            fix="Check the light, and that the page lay in the scanner, and take it again",
        )
    return NoWritingError(
        "no writing was found: the page is blank", where=name, fix="Check that the right side was scanned"
    )


def refuse_pictures(ink: Ink, px_per_mm: float, name: str) -> None:
    """Refuse a page with more ink than any writing has.

    Raises
    ------
    NoWritingError
    """
    share = len(ink.pieces.x) / ink.flat.size
    if share > _MOST_INK or (share > _MUCH_INK and ink.stroke_px > _BROAD_MM * px_per_mm):
        raise NoWritingError(
            "no writing was found: most of the picture is dark or full of detail",
            where=name,
            fix="Scan the written page itself, dark ink on light paper",
        )


def refuse_unlike(lines: Lines, ink: Ink, name: str) -> None:
    """Refuse lines that are no strokes on paper, and a page without any.

    Raises
    ------
    NoWritingError
    """
    if not lines.lines or not _like_writing(lines, ink):
        raise NoWritingError(
            "no writing was found on the page",
            where=name,
            fix="Scan the written page itself, upright, dark ink on light paper",
        )


def _like_writing(lines: Lines, ink: Ink) -> bool:
    heights = sorted(line.x_height for line in lines.lines)
    thickness = ink.stroke_px / heights[len(heights) // 2]
    if thickness >= _THICKEST:
        return False
    if float((ink.flat[::4, ::4] > _BARE).mean()) > _BARE_PAGE:
        return True
    return thickness < _THICK and _paper_beside(ink) > _PAPER_BESIDE


def _paper_beside(ink: Ink) -> float:
    """Return the share of paper among the pixels one to two strokes' widths from the ink."""
    mask = ink.pieces.mask()
    stroke = max(3, round(ink.stroke_px))
    near, wider = (cv2.dilate(mask, np.ones((2 * r + 1, 2 * r + 1), np.uint8)) for r in (stroke, 2 * stroke))
    ring = (wider > 0) & (near == 0)
    return float((ink.flat[ring] > _BARE).mean()) if ring.any() else 0.0
