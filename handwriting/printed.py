"""Set print aside: a printed passage, boxes and logos on the sheet are not writing.

Print is told from writing by its repeats. A printed letter is the same shape every time; no hand writes two letters so
alike, letter for letter, that their pictures agree nearly pixel for pixel at one size. Lines that have many such twins,
beside other lines on the page that have few, and whose letters stand straight on one level, are print. Straight-sided
frames and solid blocks are print by their shape.

What it does not see: a printed line of fewer than eight letters alone on the page, print that touches writing, and
print on a page that holds no writing at all.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.frame import Frame
from handwriting.geometry import Box
from handwriting.ink import Ink, Pieces
from handwriting.lines import Lines, find_lines
from handwriting.rules import Ruling

_SIDE = 16
_ALIKE = 0.90
_TWINS = 0.15
_STEADY = 0.05
_FEWEST = 8


def set_print_aside(ink: Ink, ruling: Ruling | None, frame: Frame) -> tuple[Ink, tuple[Box, ...], Lines]:
    """Return the ink without print, the boxes of what was set aside (frame px), and the lines of what is left."""
    pieces = ink.pieces
    printed = _shapes(pieces, frame.px_per_mm)
    boxes: tuple[Box, ...] = ()
    if frame.sheet is not None:
        printed |= _outside(pieces, frame)
    else:
        twins = _with_twin(pieces, ink.stroke_px, frame.px_per_mm)
        if twins.sum() >= _FEWEST:
            lines = find_lines(ink, ruling, frame.px_per_mm)
            found, boxes = _printed_lines(lines, twins, pieces)
            printed |= found
            if not printed.any():
                return ink, (), lines
    ink, boxes = _without(ink, printed, boxes)
    return ink, boxes, find_lines(ink, ruling, frame.px_per_mm)


def _without(ink: Ink, printed: NDArray[np.bool_], boxes: tuple[Box, ...]) -> tuple[Ink, tuple[Box, ...]]:
    if not printed.any():
        return ink, ()
    pieces = ink.pieces
    number = np.full(len(printed), -1, np.int32)
    number[~printed] = np.arange(int((~printed).sum()), dtype=np.int32)
    piece = number[pieces.piece]
    keep = piece >= 0
    rest = Pieces(pieces.x[keep], pieces.y[keep], piece[keep], pieces.boxes[~printed], pieces.shape)
    inside = [_box(b) for b in pieces.boxes[printed] if not any(_holds(box, _box(b)) for box in boxes)]
    return replace(ink, pieces=rest), (*boxes, *_merged(inside))


def _box(row: NDArray[np.int32]) -> Box:
    left, top, wide, tall = (float(v) for v in row[:4])
    return Box(left, top, left + wide, top + tall)


def _holds(outer: Box, inner: Box) -> bool:
    return (
        outer.left <= inner.left
        and outer.top <= inner.top
        and outer.right >= inner.right
        and outer.bottom >= inner.bottom
    )


def _merged(boxes: list[Box]) -> tuple[Box, ...]:
    """Join boxes that overlap, largest first, so that a frame and what stands in it show as one."""
    out: list[Box] = []
    for box in sorted(boxes, key=lambda b: -b.width * b.height):
        if not any(_holds(o, box) for o in out):
            out.append(box)
    return tuple(out)


def _shapes(pieces: Pieces, px_per_mm: float) -> NDArray[np.bool_]:
    """Tell frames (nearly all ink along the sides of a large box) and solid blocks."""
    left, top, wide, tall, area = (pieces.boxes[:, i] for i in range(5))
    large = (wide > 14 * px_per_mm) & (tall > 5 * px_per_mm)
    printed = (area > 0.8 * wide * tall) & (np.minimum(wide, tall) > 2.5 * px_per_mm)
    band = max(2.0, 0.9 * px_per_mm)
    for p in np.flatnonzero(large & (area < 0.35 * wide * tall)):
        mine = pieces.piece == p
        x, y = pieces.x[mine] - left[p], pieces.y[mine] - top[p]
        side = (x < band) | (x >= wide[p] - band) | (y < band) | (y >= tall[p] - band)
        printed[p] = side.mean() > 0.8 and area[p] > 1.2 * (wide[p] + tall[p])
    blocks = (np.minimum(wide, tall) > 2.5 * px_per_mm) & (area > 0.4 * wide * tall)
    rings = (np.minimum(wide, tall) > 5 * px_per_mm) & (np.abs(wide - tall) < 0.06 * np.maximum(wide, tall))
    for p in np.flatnonzero((blocks | rings) & ~printed):
        mine = pieces.piece == p
        points = np.stack([pieces.x[mine], pieces.y[mine]], 1)
        hull = cv2.contourArea(cv2.convexHull(points))
        # A scribble has a ragged outline, and no hand draws a circle true to a twentieth.
        solid = blocks[p] and area[p] > 0.93 * hull
        radius = np.hypot(*(points - (points.max(0) + points.min(0)) / 2).T)
        printed[p] = solid or bool(rings[p] and radius.std() < 0.05 * radius.mean())
    return printed


def _outside(pieces: Pieces, frame: Frame) -> NDArray[np.bool_]:
    """Tell the pieces of a copying sheet that lie outside its writing area: passage, marks, code, boxes."""
    sheet = frame.sheet
    if sheet is None:
        return np.zeros(len(pieces.boxes), bool)
    k = frame.px_per_mm * sheet.print_scale
    area = sheet.layout.area
    x = pieces.boxes[:, 0] + pieces.boxes[:, 2] / 2
    y = pieces.boxes[:, 1] + pieces.boxes[:, 3] / 2
    return (x < area.left * k) | (x > area.right * k) | (y < area.top * k) | (y > area.bottom * k)


def _with_twin(pieces: Pieces, stroke_px: float, px_per_mm: float) -> NDArray[np.bool_]:
    """Tell which pieces have a twin: another of the same size whose picture agrees almost pixel for pixel."""
    left, top, wide, tall, area = (pieces.boxes[:, i] for i in range(5))
    fit = (tall > 2.2 * stroke_px) & (tall < 12 * px_per_mm) & (wide > 1.5 * stroke_px) & (wide < 12 * px_per_mm)
    fit &= (tall >= 8) & (area < 0.75 * wide * tall)
    chosen = np.flatnonzero(fit)[:1500]
    twins = np.zeros(len(pieces.boxes), bool)
    if len(chosen) < _FEWEST:
        return twins
    order = np.argsort(pieces.piece, kind="stable")
    bounds = np.searchsorted(pieces.piece[order], np.arange(len(pieces.boxes) + 1))
    pictures = np.empty((len(chosen), _SIDE * _SIDE), np.float32)
    for i, p in enumerate(chosen):
        index = order[bounds[p] : bounds[p + 1]]
        image = np.zeros((tall[p], wide[p]), np.float32)
        image[pieces.y[index] - top[p], pieces.x[index] - left[p]] = 1
        small = cv2.resize(image, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA).ravel()
        pictures[i] = small
    # Agreement: overlap over union of the grey pictures.
    norms = (pictures**2).sum(1)
    inner = pictures @ pictures.T
    agree = inner / (norms[:, None] + norms[None, :] - inner)
    size = np.stack([wide[chosen], tall[chosen]], 1).astype(np.float64)
    slack = np.maximum(1.0, 0.04 * size[:, None, :])
    same = np.asarray((np.abs(size[:, None, :] - size[None, :, :]) <= slack).all(2))
    np.fill_diagonal(same, val=False)
    twins[chosen] = (same & (agree > _ALIKE)).any(1)
    return twins


def _printed_lines(lines: Lines, twins: NDArray[np.bool_], pieces: Pieces) -> tuple[NDArray[np.bool_], tuple[Box, ...]]:
    """Tell the pieces of lines that are print, with each line's box.

    The lines fall into two kinds, or there is no print: those with many twins, standing straight, and the others.
    """
    printed = np.zeros(len(pieces.boxes), bool)
    first = np.full(len(pieces.boxes), -1, np.int64)
    first[pieces.piece] = lines.line
    tall = pieces.boxes[:, 3]
    share: dict[int, float] = {}
    for i, line in enumerate(lines.lines):
        letters = (first == i) & (tall > 0.6 * line.x_height) & (tall < 2.6 * line.x_height)
        if letters.sum() >= _FEWEST:
            share[i] = float(twins[letters].mean())
    ordered = sorted(share.values())
    splits = [b for a, b in pairwise(ordered) if b >= max(_TWINS, 2.0 * a + 0.05)]
    if not splits:
        return printed, ()
    boxes = []
    for i in (i for i, s in share.items() if s >= splits[-1]):
        mine = first == i
        if _unsteadiness(lines, i, pieces.boxes[mine]) > _STEADY:
            continue
        printed |= mine
        b = pieces.boxes[mine]
        right, bottom = b[:, 0] + b[:, 2], b[:, 1] + b[:, 3]
        boxes.append(Box(float(b[:, 0].min()), float(b[:, 1].min()), float(right.max()), float(bottom.max())))
    return printed, tuple(boxes)


def _unsteadiness(lines: Lines, index: int, boxes: NDArray[np.int32]) -> float:
    """Return the robust spread of the feet of a line's letters about its baseline, in x-heights."""
    line = lines.lines[index]
    middle = boxes[:, 0] + boxes[:, 2] / 2
    lift = line.baseline.at(middle) - (boxes[:, 1] + boxes[:, 3])
    near = lift[(np.abs(lift) < 0.3 * line.x_height) & (boxes[:, 3] > 0.6 * line.x_height)]
    if len(near) < 4:
        return 1.0
    return float(1.4826 * np.median(np.abs(near - np.median(near))) / line.x_height)
