"""The page made even: light and shadow divided out, then the printed rules.

A rule is taken out by its own cross-section along its length, so that ink over it stays. Where pen and a printed black
rule run into each other along the rule, both go.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.rule_bits import families
from handwriting.rule_strips import medians
from handwriting.rules import Rules, Ruling

ByteImage = NDArray[np.uint8]
Index = NDArray[np.int64]

PAPER = 250
"""What `flatten` makes of bare paper."""

_CELL = 8
# Darkness (of 255) below which nothing is written at a place.
_TRACE = 30.0


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
    grain = float(medians(bright)) if bright.size else 1.0
    paper = np.clip(paper.astype(np.float32) * grain, 24, 255).astype(np.uint8)
    full = cv2.resize(paper, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.divide(grey, full, scale=250))


def lift_rules(flat: ByteImage, rules: Rules, px_per_mm: float) -> tuple[ByteImage, NDArray[np.uint8]]:
    """Divide the rules out of the picture; return it and a mask (255) of where opaque rules had to be cut."""
    lifted = flat.copy()
    cut = np.zeros_like(flat)
    for family, turned in families(rules):
        # The transposed view shares memory: writing to it writes to the picture.
        image, where = (lifted.T, cut.T) if turned else (lifted, cut)
        _lift(image, where, family, px_per_mm)
    return lifted, cut


def _lift(image: ByteImage, cut: ByteImage, ruling: Ruling, px_per_mm: float) -> None:
    """Divide one family of rules out, in place, each by its own cross-section along its length."""
    height, width = image.shape
    # Places in the flat view of what both pictures are views of: quicker than looking rows and columns up.
    down, across = image.strides
    level, where = (view.T.reshape(-1) if down < across else view.reshape(-1) for view in (image, cut))
    reach = max(3, round(0.45 * px_per_mm), round(ruling.thickness / 2 + 0.3 * px_per_mm))
    offsets = np.arange(-reach, reach + 1)
    # Where a family ends is known to a strip; a lone line's ends were looked for.
    beyond = (0.5 if ruling.thickness else 2.0) * px_per_mm
    x0, x1 = int(max(0, ruling.left - beyond)), int(min(width, ruling.right + beyond))
    x = np.arange(x0, x1)
    if len(x) < 20:
        return
    stretch = 20 * px_per_mm
    for k in range(len(ruling.offsets)):
        course = ruling.at(k, x.astype(np.float64))
        rows = np.rint(course).astype(int)
        # On a page that is turned a little, rules run off its upper or lower edge.
        seen = (rows > -reach) & (rows < height + reach)
        if seen.sum() < 20:
            continue
        # A line crosses from row to row: its profile is taken for each quarter of a pixel it lies off its row.
        quarter = np.clip(np.floor(4 * (rows[seen] - course[seen] + 0.5)), 0, 3).astype(np.uint8)
        order = np.argsort(quarter, kind="stable")
        index, along = rows[seen][order] + offsets[:, None], x[seen][order] * across
        whole = index[0].min() >= 0 and index[-1].max() < height
        inside = None if whole else (index >= 0) & (index < height)
        place = (index if inside is None else np.clip(index, 0, height - 1)) * down + along
        band = level.take(place)
        if ruling.dashed:
            _put(level, place, _without_dashes(band, ruling, px_per_mm), inside)
            continue
        spread = _by_quarters(band, quarter, order, stretch)
        without = np.minimum(band, np.uint8(PAPER))
        # A line reaches into some rows of its band only.
        dimmed = np.flatnonzero(spread.min(1) < 1)
        spread = spread[dimmed]
        opaque = spread < 0.42
        clear = np.minimum(band[dimmed] / np.maximum(spread, 0.42), PAPER)
        clear[opaque] = PAPER
        without[dimmed] = clear.astype(np.uint8)
        _put(level, place, without, inside)
        if opaque.any():
            gone = where.take(place)
            gone[dimmed] = np.where(opaque, 255, gone[dimmed])
            _put(where, place, gone, inside)


def _put(level: ByteImage, place: Index, values: ByteImage, inside: NDArray[np.bool_] | None) -> None:
    """Write a band along a line into the flat view, in place; without what lies beyond its edges, where any does."""
    if inside is None:
        level[place] = values
    else:
        level[place[inside]] = values[inside]


def _without_dashes(band: ByteImage, ruling: Ruling, px_per_mm: float) -> ByteImage:
    """Return the band without the dashes along its middle: paper in the columns where nothing is written beside them.

    A profile along the line would be that of the gaps. What is written hides the dashes under it.
    """
    middle = len(band) // 2
    half = max(2, round(ruling.thickness / 2 + 0.1 * px_per_mm))
    # Blurred, a dash leaves a trace beside itself.
    light = PAPER - max(_TRACE, 0.3 * ruling.darkness)
    bare = np.minimum(band[: middle - half].min(0, initial=255), band[middle + half + 1 :].min(0, initial=255)) > light
    out = band.copy()
    out[middle - half : middle + half + 1, bare] = PAPER
    return out


def _by_quarters(band: ByteImage, quarter: Index, order: Index, stretch: float) -> NDArray[np.float32]:
    """Return `_let_through` by quarters, of few columns by all; `order` sorts the line's columns into the band's."""
    counts = np.bincount(quarter, minlength=4)
    few, ends = counts <= 0.5 * stretch, np.cumsum(counts)
    spread = np.empty(band.shape, np.float32)
    if (few & (counts > 0)).any():
        spread = _let_through(band[:, np.argsort(order)], stretch)[:, order]
    for first, last in zip((ends - counts)[~few], ends[~few], strict=True):
        spread[:, first:last] = _let_through(band[:, first:last], stretch)
    return spread


def _let_through(band: ByteImage, stretch: float) -> NDArray[np.float32]:
    """Return the share of light that a line lets through, in each row and column of a band along it.

    Taken in stretches of so many columns: what the brighter three eighths of them exceed is the line without writing.
    """
    size, count = band.shape
    pieces = max(2, round(count / stretch))
    length = count // pieces
    cells = band[:, : length * pieces].reshape(size, pieces, length)
    profile = _share_below(cells, 0.62)
    edge = np.maximum(profile[0] + profile[1], profile[-2] + profile[-1]) / 2
    profile = np.minimum(profile / np.maximum(edge, 1), 1)
    profile[profile > 0.985] = 1
    # Between the middles of two stretches both count, the nearer one the more.
    place = np.clip(np.arange(count) / length - 0.5, 0, pieces - 1)
    share = np.maximum(1 - np.abs(place - np.arange(pieces)[:, None]), 0)
    return np.asarray(profile @ share, np.float32)


def _share_below(values: ByteImage, share: float) -> FloatArray:
    """Return the quantile of grey levels along the last axis as numpy gives it; whole levels are sorted by counting."""
    ranked = np.sort(values, axis=-1, kind="stable")
    place = share * (values.shape[-1] - 1)
    first = int(place)
    low, high = (ranked[..., min(at, values.shape[-1] - 1)].astype(np.float64) for at in (first, first + 1))
    return np.asarray(low + (high - low) * (place - first))
