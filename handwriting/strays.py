"""Marks that are no lines of the writing: a page number, a slash of the pen, a tick, the head of a printed sheet.

A line of writing starts in the left part of the column of text, or is a word or more long. What does neither, and
stands on a course of its own, is set aside. So is the head of a sheet: a few lines above the printed passage (a title,
too few letters to be told for print; a name and a date), where the writing follows below it.

What it does not see: words beside the column, which stay lines of their own, marks on pages of fewer than three
lines, and the head of a sheet without a printed passage.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import Box
from handwriting.lines import Lines

_FEWEST = 3
# The head of a sheet has so many lines at most, and so small a share of all.
_HEAD, _HEAD_SHARE = 3, 0.35
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
    boxes = (_of_line(lines, int(i)) for i in np.flatnonzero(stray))
    # One long stroke may have been cut into two lines.
    return lines.only(~stray), tuple(dict.fromkeys(boxes))


def set_head_aside(lines: Lines, rows: Sequence[Box]) -> tuple[Lines, tuple[Box, ...]]:
    """Return the lines without the head of the sheet above its rows of print, and its boxes, frame px."""
    count = len(lines.lines)
    if not rows or count <= _FEWEST:
        return lines, ()
    first = min(rows, key=lambda row: row.top)
    head = lines.runs().extents(count)[:, 3] <= (first.top + first.bottom) / 2
    if not 0 < head.sum() <= min(_HEAD, _HEAD_SHARE * count):
        return lines, ()
    return lines.only(~head), tuple(_of_line(lines, int(i)) for i in np.flatnonzero(head))


def _of_line(lines: Lines, i: int) -> Box:
    """Return the box around the pieces of one line."""
    return _around(lines.pieces.boxes[np.unique(lines.pieces.piece[lines.line == i])])


def _around(rows: NDArray[np.int32]) -> Box:
    """Return the box around pieces."""
    left, top = (float(v) for v in rows[:, :2].min(0))
    right, bottom = (float(v) for v in (rows[:, :2] + rows[:, 2:4]).max(0))
    return Box(left, top, right, bottom)
