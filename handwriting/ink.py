"""Pen ink: cut the even picture without its rules at half depth.

Half depth. A pen stroke blurred by the scanner crosses half its depth where the unblurred edge lay, so heights and
widths measured on the mask are unbiased as long as strokes are wider than the blur. The depth of the ink is taken
locally (pencil fades, pens run dry), in cells of about 4 mm.

What it does not see: ink lighter than a tenth of the darkest, ink under correction fluid, and where pen and a printed
black rule run into each other along the rule.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.components import Components, cell_sums, components, level_counts, with_more
from handwriting.geometry import Box, FloatArray
from handwriting.lifting import PAPER
from handwriting.rule_bits import crossings, families, leftover, lone_boxes
from handwriting.rules import Rules

ByteImage = NDArray[np.uint8]
# Rows and columns.
Places = tuple[NDArray[np.int64], NDArray[np.int64]]

# Pencil on rough paper: pieces smaller than this are crumbs, and a page of more such a share is grainy (drawn pens give
# 0.12 at most, real ones 0.03 to 0.13, pencil 0.2 to 0.28); how far its grain is smoothed, and the widest gap joined.
_CRUMB_MM, _CRUMBS, _GRAIN_MM, _GAP_MM = 0.5, 0.16, 0.065, 0.17
# Rows of a band, one band looked at in how many, and rows beyond it that the distances inside may depend on: few are
# enough for most pens.
_BAND, _EVERY, _BEYOND = 96, 3, (12, 40)


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """The ink as connected pieces, kept as a list of its pixels: a page is mostly paper.

    Attributes
    ----------
    x, y, piece : ndarray of int32, shape (pixels,)
        Column, row and piece number of every ink pixel, row by row.
    boxes : ndarray of int32, shape (pieces, 5)
        Left, top, width, height and area of each piece, px.
    shape : tuple of int
        Height and width of the frame.
    """

    x: NDArray[np.int32]
    y: NDArray[np.int32]
    piece: NDArray[np.int32]
    boxes: NDArray[np.int32]
    shape: tuple[int, ...]

    def mask(self) -> ByteImage:
        """Return the picture of the ink, 255 on 0."""
        image = np.zeros(self.shape, np.uint8)
        image[self.y, self.x] = 255
        return image

    def members(self, asked: NDArray[np.int64]) -> list[NDArray[np.intp]]:
        """Return for each piece asked for the indices of its pixels, in their order."""
        number = np.full(len(self.boxes), -1, np.int32)
        number[asked] = np.arange(len(asked), dtype=np.int32)
        mine = number.take(self.piece)
        some = np.flatnonzero(mine >= 0)
        return [some[index] for index in grouped(mine[some], len(asked))]


def grouped(number: NDArray[np.int32], count: int) -> list[NDArray[np.intp]]:
    """Return for every number from 0 to `count` - 1 where it stands, in order; -1 stands for none."""
    # Numbers of 8 or 16 bits are sorted digit by digit, in a fraction of the time.
    small = (number + 1).astype(np.uint8 if count < 255 else np.uint16 if count < 65535 else np.int32)
    order = np.argsort(small, kind="stable")
    bounds = np.cumsum(np.bincount(small, minlength=count + 1))
    return [order[first:last] for first, last in pairwise(bounds.tolist())]


@dataclass(frozen=True, slots=True, eq=False)
class Ink:
    """The pen's marks.

    Attributes
    ----------
    pieces : Pieces
        The connected pieces of ink.
    flat : ndarray of uint8, shape (H, W)
        The page with even light and without rules: paper 255.
    stroke_px : float
        Typical stroke width, px.
    depth : float
        Typical depth of the ink below the paper, 0 to 255.
    noise : float
        Standard deviation of the paper, 0 to 255.
    set_aside : tuple of Box
        Punch holes, scan edges and other solid matter that is not writing, and lines of no ruling, frame px.
    middles : ndarray, shape (pieces, 2), or None
        For each piece the sum of the stroke widths found along its middle, px, and how many.
    """

    pieces: Pieces
    flat: ByteImage
    stroke_px: float
    depth: float
    noise: float
    set_aside: tuple[Box, ...] = ()
    middles: FloatArray | None = None

    def without(self, gone: NDArray[np.bool_]) -> Ink:
        """Return the ink without some of its pieces (True: gone); the stroke width is that of what is left."""
        pieces = self.pieces
        number = np.full(len(gone), -1, np.int32)
        number[~gone] = np.arange(int((~gone).sum()), dtype=np.int32)
        piece = number.take(pieces.piece)
        keep = piece >= 0
        rest = Pieces(pieces.x[keep], pieces.y[keep], piece[keep], pieces.boxes[~gone], pieces.shape)
        if self.middles is None or not rest.x.size:
            return replace(self, pieces=rest)
        middles = self.middles[~gone]
        return replace(self, pieces=rest, stroke_px=_stroke_width(middles), middles=middles)


def find_ink(lifted: ByteImage, cut: ByteImage, rules: Rules, px_per_mm: float) -> Ink | None:
    """Cut the picture at half the local depth of the ink; None when there is nothing darker than paper grain."""
    noise = _noise(lifted)
    depth_map, depth = _depth(lifted, noise, px_per_mm)
    if depth_map is None:
        return None
    # Half the depth of the stroke at hand: thin and light strokes never reach the depth of thick ones. Never inside the
    # paper's own grain, nor so faint that show-through from the back would count.
    levels = _levels(depth_map, noise, lifted.shape)
    mask = _below(lifted, *levels, px_per_mm)
    if cut.any():
        mask = _rejoin(mask, cut, px_per_mm)
    found, holes = components(mask), _holes(mask, px_per_mm)
    keep, aside = _sorted_out(found, holes, mask.shape, rules, px_per_mm)
    if _grainy(found.boxes[keep], px_per_mm):
        more = _gaps(mask, lifted, *levels, px_per_mm)
        found, mask = with_more(found, more), cv2.bitwise_or(mask, more, dst=mask)
        # Holes are solid: mending makes none.
        keep, aside = _sorted_out(found, holes, mask.shape, rules, px_per_mm)
    if not keep.any():
        return None
    number = np.where(keep, np.cumsum(keep) - 1, -1).astype(np.int32)
    pieces = Pieces(*found.pixels(number), found.boxes[keep], mask.shape)
    middles = _middles(mask, pieces)
    return Ink(pieces, lifted, _stroke_width(middles), depth, noise, (*aside, *lone_boxes(rules)), middles)


def _grainy(boxes: NDArray[np.int32], px_per_mm: float) -> bool:
    """Tell whether strokes lie in pieces, as pencil on rough paper: more crumbs than there are dots in any text."""
    if not len(boxes):
        return False
    crumbs = boxes[:, 2:4].max(1) < _CRUMB_MM * px_per_mm
    return float(crumbs.mean()) > _CRUMBS


def _gaps(mask: ByteImage, lifted: ByteImage, deepest: ByteImage, floor: ByteImage, px_per_mm: float) -> ByteImage:
    """Return the gaps in grainy strokes (255, else 0): what is ink when looked at less sharply, and lies between ink.

    Outlines stay where they are.
    """
    smooth = np.asarray(cv2.GaussianBlur(lifted, (0, 0), _GRAIN_MM * px_per_mm), np.uint8)
    between = cv2.morphologyEx(
        mask, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(_GAP_MM * px_per_mm) + 1,) * 2)
    )
    # What is ink already is out of `between`.
    cv2.subtract(between, mask, dst=between)
    return np.asarray(cv2.bitwise_and(between, _below(smooth, deepest, floor, px_per_mm), dst=between), np.uint8)


def _levels(depth_map: FloatArray, noise: float, shape: tuple[int, ...]) -> tuple[ByteImage, ByteImage]:
    """Return for every pixel the level of the deepest ink about it, and the level above which nothing is ink."""
    floor = PAPER - np.maximum(0.24 * depth_map, 4.5 * noise)
    deepest, highest = (
        np.asarray(
            cv2.resize(np.clip(cells, 0, 255).astype(np.uint8), shape[1::-1], interpolation=cv2.INTER_LINEAR), np.uint8
        )
        for cells in (PAPER - depth_map, floor)
    )
    return deepest, highest


def _below(lifted: ByteImage, deepest: ByteImage, floor: ByteImage, px_per_mm: float) -> ByteImage:
    """Return where the picture is darker than half the local depth of the ink (255, else 0)."""
    reach = max(3, round(0.5 * px_per_mm)) | 1
    level = cv2.erode(lifted, np.ones((reach, reach), np.uint8))
    # One picture serves all steps: memory that is new costs more than the steps.
    cv2.max(level, deepest, dst=level)
    cv2.convertScaleAbs(level, dst=level, alpha=0.5, beta=PAPER / 2)
    cv2.min(level, floor, dst=level)
    return np.asarray(cv2.compare(lifted, level, cv2.CMP_LT, dst=level), np.uint8)


def _noise(flat: ByteImage) -> float:
    """Return the standard deviation of bare paper, from the differences of neighbours in a sample of rows."""
    rows = flat[:: max(1, flat.shape[0] // 200)]
    here, there = rows[:, 1:], rows[:, :-1]
    difference = cv2.absdiff(here, there)[cv2.min(here, there) > 225]
    if not difference.size:
        return 1.0
    # The median from the counts of whole grey levels.
    counts = np.cumsum(cv2.calcHist([difference], [0], None, [256], [0, 256]).reshape(-1).astype(np.int64))
    half = (counts[-1] - 1) // 2, counts[-1] // 2
    median = np.searchsorted(counts, half, side="right").mean()
    return float(1.4826 * median / np.sqrt(2))


def _depth(flat: ByteImage, noise: float, px_per_mm: float) -> tuple[FloatArray | None, float]:
    """Depth of the ink in cells of about 4 mm (255 scale), smoothed over empty cells, and its typical value."""
    floor = max(18.0, 6 * noise)
    levels = PAPER - np.arange(256)
    counts = level_counts(flat, PAPER - floor)
    if counts.sum() < 30:
        return None, 0.0
    # Otsu among the pixels clearly darker than paper tells faint smudges and edges from stroke cores.
    order = np.argsort(levels)
    sizes, values = counts[order], levels[order].astype(np.float64)
    total, mean = sizes.sum(), (sizes * values).sum() / sizes.sum()
    below = np.cumsum(sizes)
    moment = np.cumsum(sizes * values)
    between = (mean * below - moment) ** 2 / np.maximum(below * (total - below), 1e-9)
    core = float(values[int(np.argmax(between))])
    cell = max(8, round(4 * px_per_mm))
    darkest = cv2.compare(flat, PAPER - max(floor, 0.8 * core), cv2.CMP_LE)
    shape = (max(1, flat.shape[0] // cell), max(1, flat.shape[1] // cell))
    cells = cell_sums(darkest, shape) / 255
    sums = PAPER * cells - cell_sums(cv2.bitwise_and(darkest, flat, dst=darkest), shape)
    size = flat.size / cells.size
    area, sums = cells / size, sums / size
    enough = area > 0.002
    if not enough.any():
        return None, 0.0
    typical = float(sums[enough].sum() / area[enough].sum())
    prior = 0.02
    smooth_area = cv2.GaussianBlur(np.where(enough, area, 0), (0, 0), 1.2) + prior * 0.05
    smooth_sum = cv2.GaussianBlur(np.where(enough, sums, 0), (0, 0), 1.2) + prior * 0.05 * typical
    return (smooth_sum / smooth_area).astype(np.float64), typical


def _rejoin(mask: ByteImage, cut: ByteImage, px_per_mm: float) -> ByteImage:
    """Bridge strokes that an opaque rule cut: ink above and below, straight or leaning, with only the rule between."""
    reach = max(3, round(0.6 * px_per_mm)) | 1
    joined = mask.copy()
    for lean in (-1, 0, 1):
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.uint8)
        ends = (reach - lean * reach // 2, 2 * reach), (reach + lean * reach // 2, 0)
        cv2.line(kernel, *ends, 1, 1)
        joined |= cv2.bitwise_and(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel), cut)
    return joined


def _sorted_out(
    all_ink: Components, holes: Places, shape: tuple[int, ...], rules: Rules, px_per_mm: float
) -> tuple[NDArray[np.bool_], tuple[Box, ...]]:
    """Tell the pieces that are of the pen, and return where scan edges and punch holes are; `holes` as `_holes` tells.

    Specks and bits of rules are not of the pen either.
    """
    height, width = shape
    left, top, wide, tall, area = all_ink.boxes.T
    # Specks: smaller than a disc a third of a thin pen stroke across.
    keep = area >= max(4, (0.16 * px_per_mm) ** 2)
    edge = (left <= 1) | (top <= 1) | (left + wide >= width - 1) | (top + tall >= height - 1)
    aside = edge & ((wide > 0.35 * width) | (tall > 0.35 * height) | (area > (8 * px_per_mm) ** 2))
    solid = area > 0.68 * wide * tall
    rounded = (np.minimum(wide, tall) > 3.2 * px_per_mm) & (np.maximum(wide, tall) < 9 * px_per_mm) & solid
    beside = (left < 28 * px_per_mm) | (left + wide > width - 28 * px_per_mm)
    aside |= rounded & beside & (np.abs(wide - tall) < 0.35 * np.maximum(wide, tall))
    aside[all_ink.piece_at(*holes, width)] = True
    keep &= ~aside
    for family, turned in families(rules):
        kept = np.flatnonzero(keep)
        keep[kept] = ~leftover(family, left[kept], top[kept], wide[kept], tall[kept], px_per_mm, turned=turned)
    boxes = tuple(
        Box(float(left[i]), float(top[i]), float(left[i] + wide[i]), float(top[i] + tall[i]))
        for i in np.flatnonzero(aside)
    )
    if rules.down is not None or rules.margins or rules.lone_down:
        keep &= ~crossings(rules, all_ink, px_per_mm)
    return keep, boxes


def _holes(mask: ByteImage, px_per_mm: float) -> Places:
    """Return rows and columns near the left or right edge round which a full disc 3 mm across is ink.

    Those are punch holes, ruled or not.
    """
    step = max(1, round(px_per_mm / 3))
    across = max(3, round(3.0 * px_per_mm / step))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across, across))
    edge = 28 * px_per_mm / step
    height, width = mask.shape
    # Two strips are enough, as wide as a disc at their inner edge reaches.
    strip = step * (int(edge) + 2 * across)
    starts = (0, (width - strip) // (2 * step) * (2 * step)) if 2 * strip < width else (0,)
    found = []
    for start in starts:
        part = mask[:, start : start + strip] if start == 0 and len(starts) > 1 else mask[:, start:]
        small = cv2.resize(part, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
        y, x = np.divmod(np.flatnonzero(cv2.erode(small, disc) > 235), small.shape[1])
        x += start // step
        beside = (x < edge) | (x > round(width / step) - edge)
        row, column = (np.minimum(v[beside] * step + step // 2, most - 1) for v, most in ((y, height), (x, width)))
        found.append((row, column))
    rows, columns = (np.concatenate(v) for v in zip(*found, strict=True))
    return rows, columns


def _middles(mask: ByteImage, pieces: Pieces) -> FloatArray:
    """Return for each piece the sum of the stroke widths along some of its middles, px, and how many these are.

    A width is twice the distance to the edge where that distance is largest among its neighbours; where strokes cross
    or run together there are few such places. Distances run to the centre of the nearest paper pixel, and the middle
    seldom falls on a pixel's: both together come to 0.7 px of width (strokes of known width, 2 to 14 px, drawn at all
    angles).
    """
    count = len(pieces.boxes)
    found = np.zeros((count, 2))
    height = mask.shape[0]
    # A third of the page, in bands as high as a few lines, tells the width as well as all of it.
    for top in range(0, height, _BAND * _EVERY):
        bottom = min(height, top + _BAND)
        # Numbers of another kind than the rows would have these copied.
        first, last = np.searchsorted(pieces.y, np.array([top, bottom], pieces.y.dtype))
        if first == last:
            continue
        x, y, piece = pieces.x[first:last], pieces.y[first:last], pieces.piece[first:last]
        for beyond in _BEYOND:
            above, left = max(0, top - beyond), max(0, int(x.min()) - beyond)
            window = mask[above : bottom + beyond, left : int(x.max()) + beyond]
            distance = cv2.distanceTransform(window, cv2.DIST_L2, 5)
            place = (y - np.int32(above)) * np.int32(window.shape[1]) + (x - np.int32(left))
            here = distance.reshape(-1).take(place)
            # Then no paper outside the window is nearer.
            if float(here.max()) < beyond - 3:
                break
        around = cv2.dilate(distance, np.ones((3, 3), np.uint8)).reshape(-1).take(place)
        middle = np.flatnonzero(here >= around - 1e-3)
        owner = piece.take(middle)
        found[:, 0] += np.bincount(owner, 2.0 * here.take(middle) - 0.7, count)
        found[:, 1] += np.bincount(owner, minlength=count)
    return found


def _stroke_width(middles: FloatArray) -> float:
    """Return the typical stroke width of pieces, px."""
    total, count = middles.sum(0)
    return float(max(total / max(count, 1.0), 1.0))
