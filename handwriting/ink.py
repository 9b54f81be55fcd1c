"""Pen ink: even out the light, lift the printed rules off, and cut at half depth.

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

from handwriting.geometry import Box, FloatArray
from handwriting.rules import Rules, Ruling

ByteImage = NDArray[np.uint8]

_CELL = 8
# Rows of a band, one band looked at in how many, and rows beyond it that the distances inside may depend on.
_BAND, _EVERY, _BEYOND = 96, 3, 40


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

    def members(self) -> list[NDArray[np.intp]]:
        """Return for every piece the indices of its pixels, in their order."""
        return grouped(self.piece, len(self.boxes))


def grouped(number: NDArray[np.int32], count: int) -> list[NDArray[np.intp]]:
    """Return for every number from 0 to `count` - 1 where it stands, in order; -1 stands for none."""
    # Numbers of 16 bits are sorted digit by digit, in a fraction of the time.
    small = (number + 1).astype(np.uint16) if count < 65535 else number + 1
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
        Punch holes, scan edges and other solid matter that is not writing, frame px.
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
        piece = number[pieces.piece]
        keep = piece >= 0
        rest = Pieces(pieces.x[keep], pieces.y[keep], piece[keep], pieces.boxes[~gone], pieces.shape)
        if self.middles is None or not rest.x.size:
            return replace(self, pieces=rest)
        middles = self.middles[~gone]
        return replace(self, pieces=rest, stroke_px=_stroke_width(middles), middles=middles)


def flatten(grey: ByteImage, px_per_mm: float) -> ByteImage:
    """Even out light and shadow: divide by the paper's own brightness.

    The paper is taken as the brightest of each neighbourhood about 6 mm across, smoothed; strokes are narrower.
    """
    small = cv2.resize(grey, None, fx=1 / _CELL, fy=1 / _CELL, interpolation=cv2.INTER_AREA)
    reach = max(1, round(3.0 * px_per_mm / _CELL))
    paper = cv2.dilate(small, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)))
    paper = cv2.erode(paper, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1)))
    paper = cv2.GaussianBlur(paper, (0, 0), max(1.0, reach * 0.7))
    # Closing takes the brightest grain; paper proper is the mean, found again from the pixels that look like paper.
    ratio = small.astype(np.float32) / np.maximum(paper, 1)
    bright = ratio[ratio > 0.85]
    grain = float(np.median(bright)) if bright.size else 1.0
    paper = np.clip(paper.astype(np.float32) * grain, 24, 255).astype(np.uint8)
    full = cv2.resize(paper, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.divide(grey, full, scale=250))


PAPER = 250  # what `flatten` makes of bare paper


def lift_rules(flat: ByteImage, rules: Rules, px_per_mm: float) -> tuple[ByteImage, NDArray[np.uint8]]:
    """Divide the rules out of the picture; return it and a mask (255) of where opaque rules had to be cut."""
    lifted = flat.copy()
    cut = np.zeros_like(flat)
    if rules.across is not None:
        _lift(lifted, cut, rules.across, px_per_mm)
    for family in (rules.down, *rules.margins):
        if family is not None:
            # The transposed view shares memory: writing to it writes to the picture.
            _lift(lifted.T, cut.T, family, px_per_mm)
    return lifted, cut


def _lift(image: ByteImage, cut: ByteImage, ruling: Ruling, px_per_mm: float) -> None:
    """Divide one family of rules out, in place, each by its own cross-section along its length."""
    height, width = image.shape
    reach = max(3, round(0.45 * px_per_mm))
    offsets = np.arange(-reach, reach + 1)
    x0, x1 = int(max(0, ruling.left - 2 * px_per_mm)), int(min(width, ruling.right + 2 * px_per_mm))
    x = np.arange(x0, x1)
    along = np.arange(len(x))
    if len(x) < 20:
        return
    pieces = max(2, round(len(x) / (20 * px_per_mm)))
    length = len(x) // pieces
    centres = length * (np.arange(pieces) + 0.5)
    for k in range(len(ruling.offsets)):
        rows = np.rint(ruling.at(k, x.astype(np.float64))).astype(int)
        if rows.min() < reach or rows.max() >= height - reach:
            continue
        index = rows[None, :] + offsets[:, None]
        band = image[index, x[None, :]]
        cells = band[:, : length * pieces].reshape(len(offsets), pieces, length)
        profile = np.percentile(cells, 62, axis=2)
        edge = np.maximum(profile[:2].mean(0), profile[-2:].mean(0))
        profile = np.minimum(profile / np.maximum(edge, 1), 1)
        profile[profile > 0.985] = 1
        spread = np.stack([np.interp(along, centres, p) for p in profile]).astype(np.float32)
        opaque = spread < 0.42
        image[index, x[None, :]] = np.where(opaque, PAPER, np.clip(band / np.maximum(spread, 0.42), 0, PAPER)).astype(
            np.uint8
        )
        cut[index, x[None, :]] = np.where(opaque, 255, 0).astype(np.uint8)


def find_ink(lifted: ByteImage, cut: ByteImage, rules: Rules, px_per_mm: float) -> Ink | None:
    """Cut the picture at half the local depth of the ink; None when there is nothing darker than paper grain."""
    noise = _noise(lifted)
    depth_map, depth = _depth(lifted, noise, px_per_mm)
    if depth_map is None:
        return None
    # Half the depth of the stroke at hand: thin and light strokes never reach the depth of thick ones. Never inside the
    # paper's own grain, nor so faint that show-through from the back would count.
    size = (lifted.shape[1], lifted.shape[0])
    floor = np.clip(PAPER - np.maximum(0.24 * depth_map, 4.5 * noise), 0, 255).astype(np.uint8)
    deepest = np.clip(PAPER - depth_map, 0, 255).astype(np.uint8)
    reach = max(3, round(0.5 * px_per_mm)) | 1
    peak = cv2.erode(lifted, np.ones((reach, reach), np.uint8))
    peak = cv2.max(peak, cv2.resize(deepest, size, interpolation=cv2.INTER_LINEAR))
    half = cv2.addWeighted(peak, 0.5, peak, 0.0, PAPER / 2)
    limit = cv2.min(half, cv2.resize(floor, size, interpolation=cv2.INTER_LINEAR))
    mask = cv2.compare(lifted, limit, cv2.CMP_LT)
    if cut.any():
        mask = _rejoin(mask, cut, px_per_mm)
    pieces, aside = _pieces(mask, rules, px_per_mm)
    if len(pieces.boxes) == 0:
        return None
    middles = _middles(mask, pieces)
    return Ink(pieces, lifted, _stroke_width(middles), depth, noise, aside, middles)


def _noise(flat: ByteImage) -> float:
    """Return the standard deviation of bare paper, from the differences of neighbours in a sample of rows."""
    rows = flat[:: max(1, flat.shape[0] // 200)]
    here, there = rows[:, 1:], rows[:, :-1]
    difference = cv2.absdiff(here, there)[cv2.min(here, there) > 225]
    if not difference.size:
        return 1.0
    # The median from the counts of whole grey levels.
    counts = np.cumsum(np.bincount(difference, minlength=256))
    half = (counts[-1] - 1) // 2, counts[-1] // 2
    median = np.searchsorted(counts, half, side="right").mean()
    return float(1.4826 * median / np.sqrt(2))


def _depth(flat: ByteImage, noise: float, px_per_mm: float) -> tuple[FloatArray | None, float]:
    """Depth of the ink in cells of about 4 mm (255 scale), smoothed over empty cells, and its typical value."""
    floor = max(18.0, 6 * noise)
    histogram = cv2.calcHist([flat], [0], None, [256], [0, 256]).ravel()
    levels = PAPER - np.arange(256)
    counts = np.where(levels >= floor, histogram, 0)
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
    shape = (max(1, flat.shape[1] // cell), max(1, flat.shape[0] // cell))
    # The dark pixels are few: counted cell by cell, not over the whole page.
    at = cv2.findNonZero(cv2.compare(flat, PAPER - max(floor, 0.8 * core), cv2.CMP_LE))
    if at is None:
        return None, 0.0
    x, y = at.reshape(-1, 2).T
    place = (y * shape[1] // flat.shape[0]) * shape[0] + x * shape[0] // flat.shape[1]
    cells = np.bincount(place, minlength=shape[0] * shape[1])
    size = flat.size / cells.size
    area = (cells / size).reshape(shape[1], shape[0])
    sums = np.bincount(place, PAPER - flat[y, x].astype(np.float64), cells.size).reshape(area.shape) / size
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


def _pieces(mask: ByteImage, rules: Rules, px_per_mm: float) -> tuple[Pieces, tuple[Box, ...]]:
    """Split the mask into connected pieces; specks, bits of rules, scan edges and punch holes are set aside."""
    height, width = mask.shape
    # The block-based algorithm takes less than half the time of OpenCV's own choice here.
    count, labels, stats, _ = cv2.connectedComponentsWithStatsWithAlgorithm(mask, 8, cv2.CV_32S, cv2.CCL_GRANA)
    left, top, wide, tall, area = (stats[:, i] for i in range(5))
    # Specks: smaller than a disc a third of a thin pen stroke across.
    keep = area >= max(4, (0.16 * px_per_mm) ** 2)
    edge = (left <= 1) | (top <= 1) | (left + wide >= width - 1) | (top + tall >= height - 1)
    aside = edge & ((wide > 0.35 * width) | (tall > 0.35 * height) | (area > (8 * px_per_mm) ** 2))
    solid = area > 0.68 * wide * tall
    rounded = (np.minimum(wide, tall) > 3.2 * px_per_mm) & (np.maximum(wide, tall) < 9 * px_per_mm) & solid
    beside = (left < 28 * px_per_mm) | (left + wide > width - 28 * px_per_mm)
    aside |= rounded & beside & (np.abs(wide - tall) < 0.35 * np.maximum(wide, tall))
    aside |= _holes(mask, labels, count, px_per_mm)
    aside[0] = keep[0] = False
    keep &= ~aside
    for family, turned in ((rules.across, False), (rules.down, True), *((m, True) for m in rules.margins)):
        if family is not None:
            keep &= ~_leftover(family, left, top, wide, tall, px_per_mm, turned=turned)
    boxes = tuple(
        Box(float(left[i]), float(top[i]), float(left[i] + wide[i]), float(top[i] + tall[i]))
        for i in np.flatnonzero(aside)
    )
    number = np.full(count, -1, np.int32)
    number[keep] = np.arange(int(keep.sum()), dtype=np.int32)
    points = cv2.findNonZero(mask)
    if points is None:
        return Pieces(
            np.empty(0, np.int32), np.empty(0, np.int32), np.empty(0, np.int32), np.empty((0, 5), np.int32), mask.shape
        ), boxes
    x, y = np.ascontiguousarray(points.reshape(-1, 2).T)
    label = labels[y, x]
    if rules.down is not None or rules.margins:
        keep &= ~_crossings(rules, x, y, label, stats, px_per_mm)
        number[:] = -1
        number[keep] = np.arange(int(keep.sum()), dtype=np.int32)
    piece = number[label]
    wanted = piece >= 0
    return Pieces(x[wanted], y[wanted], piece[wanted], stats[keep], mask.shape), boxes


def _holes(mask: ByteImage, labels: NDArray[np.int32], count: int, px_per_mm: float) -> NDArray[np.bool_]:
    """Tell which pieces near the left or right edge hold a full disc 3 mm across: punch holes, ruled or not."""
    step = max(1, round(px_per_mm / 3))
    small = cv2.resize(mask, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    across = max(3, round(3.0 * px_per_mm / step))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (across, across))
    y, x = np.nonzero(cv2.erode(small, disc) > 235)
    edge = 28 * px_per_mm / step
    beside = (x < edge) | (x > small.shape[1] - edge)
    found = np.zeros(count, bool)
    found[
        labels[
            np.minimum(y[beside] * step + step // 2, labels.shape[0] - 1),
            np.minimum(x[beside] * step + step // 2, labels.shape[1] - 1),
        ]
    ] = True
    return found


def _crossings(
    rules: Rules,
    x: NDArray[np.int32],
    y: NDArray[np.int32],
    piece: NDArray[np.int32],
    stats: NDArray[np.int32],
    px_per_mm: float,
) -> NDArray[np.bool_]:
    """Tell which pieces are bits of crossing rules: thin, and nearly all of their ink lies along rules of any way."""
    near = np.zeros(len(x), bool)
    for family, along, across in ((rules.across, x, y), (rules.down, y, x), *((m, y, x) for m in rules.margins)):
        if family is None:
            continue
        at = along.astype(np.float64)
        level = across - family.slope * at - family.bend * at * at
        nearest = np.clip(np.searchsorted(family.offsets, level), 1, max(1, len(family.offsets) - 1))
        distance = np.abs(level - family.offsets[np.minimum(nearest, len(family.offsets) - 1)])
        distance = np.minimum(distance, np.abs(level - family.offsets[nearest - 1]))
        near |= distance < 0.34 * px_per_mm
    count = len(stats)
    share = np.bincount(piece, near, count) / np.maximum(np.bincount(piece, minlength=count), 1)
    thin = stats[:, 4] < 0.36 * px_per_mm * (stats[:, 2] + stats[:, 3])
    out: NDArray[np.bool_] = (share > 0.9) & thin
    return out


def _leftover(
    family: Ruling,
    left: NDArray[np.int32],
    top: NDArray[np.int32],
    wide: NDArray[np.int32],
    tall: NDArray[np.int32],
    px_per_mm: float,
    *,
    turned: bool,
) -> NDArray[np.bool_]:
    """Tell which components are bits of a printed rule: wholly within its band and thin, or a dot of a dotted rule."""
    along, across = (top + tall / 2, left + wide / 2) if turned else (left + wide / 2, top + tall / 2)
    thick, length = (wide, tall) if turned else (tall, wide)
    k = np.arange(len(family.offsets))
    slope = family.slope + family.turn * k
    rows = family.offsets[None, :] + along[:, None] * slope[None, :] + family.bend * (along**2)[:, None]
    distance = np.abs(rows - across[:, None]).min(1)
    near = distance < 0.3 * px_per_mm
    thin = thick < 0.45 * px_per_mm
    inside = (along > family.left - 4 * px_per_mm) & (along < family.right + 4 * px_per_mm)
    return np.asarray(near & thin & inside & ((length > 2.2 * thick) | (thick < 0.36 * px_per_mm)))


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
        first, last = np.searchsorted(pieces.y, (top, bottom))
        if first == last:
            continue
        above = max(0, top - _BEYOND)
        distance = cv2.distanceTransform(mask[above : bottom + _BEYOND], cv2.DIST_L2, 5)
        x, y, piece = pieces.x[first:last], pieces.y[first:last] - above, pieces.piece[first:last]
        around = cv2.dilate(distance, np.ones((3, 3), np.uint8))[y, x]
        here = distance[y, x]
        middle = here >= around - 1e-3
        found[:, 0] += np.bincount(piece[middle], 2.0 * here[middle] - 0.7, count)
        found[:, 1] += np.bincount(piece[middle], minlength=count)
    return found


def _stroke_width(middles: FloatArray) -> float:
    """Return the typical stroke width of pieces, px."""
    total, count = middles.sum(0)
    return float(max(total / max(count, 1.0), 1.0))
