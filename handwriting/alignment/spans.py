"""From the path through the text to spans of ink: which pixels belong to which visit of a word, and to which letter.

Two neighbours on a line are parted where the ink leaves most room between the last sign of the one and the first of
the other, else where it is thinnest. A connected piece of ink goes whole to the neighbour that holds nearly all of it;
only a piece that both share is cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.alignment.evidence import Evidence, LineView
from handwriting.alignment.expected import Expected
from handwriting.alignment.path import ADDED, AFTER, LETTER, SPACE, STRUCK, Path
from handwriting.geometry import Box, FloatArray
from handwriting.lines import Lines

# A piece of ink goes whole to the one that holds this share of it.
_NEARLY_ALL = 0.8


@dataclass(frozen=True, slots=True)
class Span:
    """One stretch of ink on one line.

    Attributes
    ----------
    kind : int
        LETTER for a word of the text, else ADDED or STRUCK (see `path`).
    word : int
        Index of the word in the text; for ADDED and STRUCK of the word they stand before.
    line : int
        Index of the line view.
    first, last : int
        Frames of its first and last sign.
    signs : tuple of (int, int)
        For a word: each sign found, by its number in the text, and the middle frame of its ink.
    """

    kind: int
    word: int
    line: int
    first: int
    last: int
    signs: tuple[tuple[int, int], ...]


def spans_of(path: Path, evidence: Evidence, expected: Expected) -> list[Span]:
    """Gather the path's visits into spans, in the order of the page; a visit that goes over a line's end gives two."""
    line = np.full(len(path.kind), -1)
    for i, view in enumerate(evidence.views):
        line[view.start : view.stop] = i
    inked = (path.kind == LETTER) | (path.kind == ADDED) | (path.kind == STRUCK)
    # Within an added word the reader's own signs mark its extent.
    blank = evidence.signs.argmax(1) == 0
    loose = ((path.kind == ADDED) | (path.kind == STRUCK)) & blank
    frames = np.flatnonzero(inked & ~loose & (line >= 0))
    key = path.visit[frames].astype(np.int64) * (len(evidence.views) + 1) + line[frames]
    spans = []
    for group in np.split(frames, np.flatnonzero(np.diff(key)) + 1) if len(frames) else []:
        kind = int(path.kind[group[0]])
        place = path.place[group]
        if kind != LETTER:
            spans.append(Span(kind, int(place[0]), int(line[group[0]]), int(group[0]), int(group[-1]), ()))
            continue
        cuts = np.flatnonzero(np.diff(place)) + 1
        signs = tuple((int(path.place[g[0]]), int(g[len(g) // 2])) for g in np.split(group, cuts))
        word = int(expected.word[place[0]])
        spans.append(Span(kind, word, int(line[group[0]]), int(group[0]), int(group[-1]), signs))
    return spans


def middle(view: LineView, frame: int) -> float:
    """Column of the middle of a frame, px."""
    i = frame - view.start
    return float(0.5 * (view.edges[i] + view.edges[i + 1]))


def part(view: LineView, lows: FloatArray, highs: FloatArray, weights: FloatArray | None = None) -> FloatArray:
    """Return the column at which to part neighbours: within each window the middle of the widest room, or the thinnest.

    Parameters
    ----------
    lows, highs : ndarray, shape (K,)
        The windows, px, upright columns.
    weights : ndarray, optional
        Ink of each column from `origin` on, made with `thickness`; worked out when left out.
    """
    origin, ink = thickness(view) if weights is None else (float(np.floor(view.upright.min())), weights)
    cuts = np.empty(len(lows))
    for k, (low, high) in enumerate(zip(lows, highs, strict=True)):
        a = int(np.clip(np.floor(low - origin), 0, len(ink) - 1))
        b = int(np.clip(np.ceil(high - origin), a + 1, len(ink)))
        window = ink[a:b]
        empty = window <= 0
        if empty.any():
            steps = np.flatnonzero(np.diff(np.concatenate([[False], empty, [False]]).astype(np.int8)))
            starts, stops = steps[::2], steps[1::2]
            widest = int(np.argmax(stops - starts))
            cuts[k] = origin + a + 0.5 * (starts[widest] + stops[widest])
        else:
            # Of equally thin columns the one nearest the middle.
            away = np.abs(np.arange(len(window)) - 0.5 * (len(window) - 1))
            cuts[k] = origin + a + int(np.argmin(window + 1e-3 * away)) + 0.5
    return cuts


def thickness(view: LineView) -> tuple[float, FloatArray]:
    """Return the first upright column of a line's ink and how many pixels stand in each from there on."""
    origin = float(np.floor(view.upright.min()))
    return origin, np.bincount((view.upright - origin).astype(np.int64)).astype(np.float64)


def share_out(view: LineView, lines: Lines, cuts: FloatArray, chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give each of the chosen pixels of a line the number of the stretch it belongs to, 0 left of the first cut.

    Parameters
    ----------
    cuts : ndarray, shape (K,)
        Ascending upright columns, px.
    chosen : ndarray of int64
        Positions in `view.pixels`.
    """
    number = np.searchsorted(cuts, view.upright[chosen])
    piece = lines.pieces.piece[view.pixels[chosen]]
    names, inverse, size = np.unique(piece, return_inverse=True, return_counts=True)
    stretches = len(cuts) + 1
    counts = np.bincount(inverse * stretches + number, minlength=len(names) * stretches).reshape(-1, stretches)
    most = counts.argmax(1)
    whole = counts[np.arange(len(names)), most] >= _NEARLY_ALL * size
    return np.where(whole[inverse], most[inverse], number)


def box_of(lines: Lines, pixels: NDArray[np.int64]) -> Box:
    """Return the upright box of some ink pixels, frame px."""
    x, y = lines.pieces.x[pixels], lines.pieces.y[pixels]
    return Box(float(x.min()), float(y.min()), float(x.max() + 1), float(y.max() + 1))


__all__ = ["ADDED", "AFTER", "LETTER", "SPACE", "STRUCK", "Span", "box_of", "middle", "part", "share_out", "spans_of"]
