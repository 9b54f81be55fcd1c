"""Marks that are no lines of writing: a page number, a slash of the pen, a tick.

A line of writing starts in the left part of the column of text, or is a word or more long. What does neither, and
stands on a course of its own, is set aside.

What it does not see: words beside the column, which stay lines of their own, and marks on pages of fewer than three
lines.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import Box
from handwriting.lines import Lines

_FEWEST = 3
# In x-heights: narrower than any word of two letters or more with its neighbours.
_NARROW = 3.0


def set_strays_aside(lines: Lines) -> tuple[Lines, tuple[Box, ...]]:
    """Return the lines without single marks off the column of text, and the boxes of those, frame px."""
    count = len(lines.lines)
    if count < _FEWEST:
        return lines, ()
    ends = lines.runs().extents(count)
    left, right = float(np.median(ends[:, 0])), float(np.percentile(ends[:, 2], 90))
    x_height = float(np.median([line.x_height for line in lines.lines]))
    wide, tall = ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1]
    off = (ends[:, 0] > left + (right - left) / 3) | (ends[:, 2] < left - x_height)
    stray = off & ((wide < _NARROW * x_height) | (wide < tall))
    if not stray.any():
        return lines, ()
    pieces = lines.pieces
    boxes = (_around(pieces.boxes[np.unique(pieces.piece[lines.line == i])]) for i in np.flatnonzero(stray))
    # One long stroke may have been cut into two lines.
    return lines.only(~stray), tuple(dict.fromkeys(boxes))


def _around(rows: NDArray[np.int32]) -> Box:
    """Return the box around pieces."""
    left, top = (float(v) for v in rows[:, :2].min(0))
    right, bottom = (float(v) for v in (rows[:, :2] + rows[:, 2:4]).max(0))
    return Box(left, top, right, bottom)
