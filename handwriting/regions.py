"""Where the bodies of words lie in the reduced picture: regions in which it answers like a line of writing."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.ink import Pieces


def level_cells(pieces: Pieces, slope: float, cell: int) -> tuple[NDArray[np.int32], tuple[int, int]]:
    """Return the cell of every ink pixel once the page is sheared level, in the flat view, and the picture's shape."""
    height, width = pieces.shape
    shift = -min(0.0, float(-slope * width / cell)) + 2
    shape = (int(height / cell + abs(slope) * width / cell + shift + 4), width // cell + 2)
    # Plain sums, each into what is there: quicker than looking rows and columns up.
    down, rise = pieces.y / cell, pieces.x / cell
    rise *= slope
    down -= rise
    down += shift
    place = down.astype(np.int32)
    place *= shape[1]
    place += pieces.x // np.int32(cell)
    return place, shape


def find_regions(answer: NDArray[np.float32], smooth: NDArray[np.float32], body: float) -> NDArray[np.int32]:
    """Return the numbered connected regions where the answer says body."""
    strong = float(np.percentile(answer[answer > 0], 90)) if (answer > 0).any() else 0.0
    mask = ((answer > 0.10 * strong) & (answer > 0.06 * smooth)).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4, ltype=cv2.CV_32S)
    keep = np.arange(count)
    keep[stats[:, cv2.CC_STAT_AREA] < 0.5 * body**2] = 0
    keep[0] = 0
    regions: NDArray[np.int32] = keep.astype(np.int32).take(labels)
    for r in np.flatnonzero(keep):
        left, top, wide, tall = (int(v) for v in stats[r, :4])
        if tall > 1.8 * body and wide > 4 * body:
            window = slice(top, top + tall), slice(left, left + wide)
            part = _parted(regions[window] == r, answer[window], strong, body)
            regions[window][part > 1] = part[part > 1] - 2 + count
            count += max(0, int(part.max()) - 1)
    return regions


def _parted(region: NDArray[np.bool_], answer: NDArray[np.float32], strong: float, body: float) -> NDArray[np.int32]:
    """Tell the lines of a region apart that bridges two where they touch: numbers from 1, which is all there is of one.

    Where most columns hold two bands, the threshold is raised until the bands come apart, each a good part of the
    region long; every cell then goes to the nearest of them.
    """
    whole = region.astype(np.int32)
    bands = (np.diff(whole, axis=0, prepend=0) > 0).sum(0)
    if (bands > 1).sum() < 0.5 * (bands > 0).sum():
        return whole
    for part in (0.2, 0.3, 0.4, 0.5, 0.6):
        core = (region & (answer > part * strong)).astype(np.uint8)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(core, connectivity=4, ltype=cv2.CV_32S)
        long = np.flatnonzero(stats[:, cv2.CC_STAT_WIDTH] > 0.4 * region.shape[1])
        long = long[long > 0]
        if len(long) > 1:
            number = np.zeros(count, np.int32)
            number[long] = np.arange(1, len(long) + 1)
            return nearest(number[labels] - 1) * whole + whole
    return whole


def nearest(zone: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return for each cell the number of the zone nearest to it; -1 in `zone` stands for none."""
    return _nearest(zone)[0]


def nearest_at(zone: NDArray[np.int32], row: NDArray[np.int32], column: NDArray[np.int32]) -> NDArray[np.int32]:
    """Return `nearest` for some cells that lie together: no more is looked at than may hold what is nearest."""
    top, foot, left, right = int(row.min()), int(row.max()), int(column.min()), int(column.max())
    reach = foot - top + 1
    while True:
        first, before = max(0, top - reach), max(0, left - reach)
        part = zone[first : foot + reach + 1, before : right + reach + 1]
        if (part >= 0).any():
            number, away = _nearest(part)
            place = row - first, column - before
            if float(away[place].max()) <= reach:
                return number[place]
        if part.size == zone.size:
            return nearest(zone)[row, column]
        reach *= 2


def _nearest(zone: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
    """Return the number of the nearest zone, and how far it is, in cells."""
    away, index = cv2.distanceTransformWithLabels(
        (zone < 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    lookup = np.full(int(index.max()) + 1, -1, np.int32)
    inside = zone >= 0
    lookup[index[inside]] = zone[inside]
    return lookup.take(index), np.asarray(away, np.float32)
