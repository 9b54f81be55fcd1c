"""See shadow and glare on a straightened sheet: what the paper's own brightness does from place to place."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

_TILE = 16
_PAPER_SHARE = 80
_DEEP = 0.5
_STEEP = 0.72
_WASHED = 252.0
_DULL = 236.0
_SPOT_SHARE = 0.006


def see_light(page: NDArray[np.uint8], in_view: NDArray[np.uint8]) -> list[str]:
    """Return flag codes for light that spoils a page.

    Parameters
    ----------
    page : array (height, width)
        The straightened page, about 2 px per mm, grey; a tile is then 8 mm.
    in_view : array (height, width)
        0 where the page lies beyond the picture's edge: there is no light to judge.

    Notes
    -----
    Paper is the 80th percentile of a tile. *Shadow*: some paper is less than half as bright as the brightest, or drops
    by more than 28 % from one tile to the next. *Glare*: a spot of washed-out tiles on paper that is elsewhere well
    below white; paper that is white all over (a scan) is no glare.
    """
    tiles = _tiles(page)
    seen = _tiles(in_view).min(axis=-1) > 0
    if not seen.any():
        return []
    paper = np.percentile(tiles, _PAPER_SHARE, axis=-1)
    paper[~seen] = np.median(paper[seen])
    paper = np.asarray(cv2.medianBlur(paper.astype(np.float32), 3), dtype=np.float64)
    paper = np.where(seen, paper, np.nan)[1:-1, 1:-1]
    if np.isnan(paper).all():
        return []
    flags = []
    down = np.minimum(paper[1:] / paper[:-1], paper[:-1] / np.maximum(paper[1:], 1.0))
    across = np.minimum(paper[:, 1:] / paper[:, :-1], paper[:, :-1] / np.maximum(paper[:, 1:], 1.0))
    drops = int((down < _STEEP).sum() + (across < _STEEP).sum())
    if np.nanpercentile(paper, 2) < _DEEP * np.nanpercentile(paper, 98) or drops >= 6:
        flags.append("sheet-shadow")
    washed = (seen & (np.percentile(tiles, 50, axis=-1) >= _WASHED)).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(washed)
    largest = int(stats[1:, cv2.CC_STAT_AREA].max()) if len(stats) > 1 else 0
    rest = paper[(washed[1:-1, 1:-1] == 0) & ~np.isnan(paper)]
    if largest >= max(3.0, _SPOT_SHARE * washed.size) and rest.size and np.median(rest) < _DULL:
        flags.append("sheet-glare")
    return flags


def _tiles(page: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a picture as tiles of pixels, shape (rows, columns, pixels)."""
    rows, columns = page.shape[0] // _TILE, page.shape[1] // _TILE
    tiles = page[: rows * _TILE, : columns * _TILE].reshape(rows, _TILE, columns, _TILE).swapaxes(1, 2)
    return tiles.reshape(rows, columns, -1)
