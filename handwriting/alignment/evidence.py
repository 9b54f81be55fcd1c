"""What every line of ink has to say before the text is known: signs seen by the reader, and gaps that may part words.

The lines of a page are laid end to end into one row of frames, a frame about a fifth of an x-height wide, with one
empty frame after each line. A gap is a stretch of columns, set upright by the writing's lean, that holds no ink of the
letters' bodies; the chance that it parts two words comes from a mixture of two kinds of gap over the page, as in
`words`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.ink import Ink
from handwriting.lines import Lines
from handwriting.reader.alphabet import BLANK, CLASSES, CROSSED_OUT, INDEX
from handwriting.reader.recogniser import Reading, Recogniser
from handwriting.words import Words, lean

_PAPER = 250
# A line's end parts words, save for the odd word that runs over.
_LINE_END = 0.97
# A join hides the gap between two words now and then: the chance of a word's end where the ink has no gap.
_NO_GAP = 0.004
# Log odds that a word read as letters is crossed out: from how much more the reader takes those letters for struck-out
# ink than it takes those of the page's other words, and from the log odds by the ink alone. Fitted to drawn pages with
# words crossed out in seven ways; above 0 for one word in 200 of lines that adults copied, mostly lone signs.
_STRUCK_ODDS = (-9.8, 1.95, 0.61)
_STRUCK_MOST = 8.0
# A strike shows against the page's other words; where there are fewer than these, only what the reader itself takes for
# struck out is likely to be.
_COMPARED, _UNCOMPARED = 12, -6.6
# So many frames are enough for what speaks against a strike: a part of a word may be struck.
_PART = 3
# What a frame of ink without a sign says for a strike beside one that is seen.
_STRUCK_INK = 0.4
# The stroke that crosses a word out runs over the gaps beside it: the chance of a word's end where struck ink begins or
# ends.
_STRUCK_END = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class LineView:
    """One line's place among the frames and its ink.

    Attributes
    ----------
    line : int
        Index of the line on the page.
    start, stop : int
        Its frames, `stop` exclusive; frame `stop` is the empty one after it.
    edges : ndarray, shape (frames + 1,)
        Column of the frame where each of its frames begins, px.
    pixels : ndarray of int64
        Its ink pixels, as indices into `Lines.pieces`.
    upright : ndarray
        Column of each of those pixels once the writing's lean is taken out, px.
    above : ndarray
        Height of each above the baseline, px.
    lean : float
        Columns to the right per row up.
    """

    line: int
    start: int
    stop: int
    edges: FloatArray
    pixels: NDArray[np.int64]
    upright: FloatArray
    above: FloatArray
    lean: float


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """The frames of a page.

    Attributes
    ----------
    signs : ndarray of float32, shape (T, CLASSES)
        Log probability of each sign, class 0 the blank; a blank in the frames between lines.
    places : ndarray of float32, shape (T, CLASSES)
        Log probability that the frame lies within a letter of the class.
    parting : ndarray, shape (T,)
        Chance that the gap over the frame parts two words; next to nothing where there is ink.
    crossing : ndarray of bool, shape (T,)
        The one frame of every gap at which a word that goes on across it answers for that.
    bare : ndarray of bool, shape (T,)
        Frames within a gap from edge to edge: no letter's body is there.
    struck : ndarray, shape (T,)
        What a sign seen there adds to the log odds that its word is crossed out; above 0 in ink beside a strike.
    views : tuple of LineView
    x_height : float
        Middle x-height of the page, px.
    """

    signs: NDArray[np.float32]
    places: NDArray[np.float32]
    parting: FloatArray
    crossing: NDArray[np.bool_]
    bare: NDArray[np.bool_]
    struck: FloatArray
    views: tuple[LineView, ...]
    x_height: float


def gather(ink: Ink, lines: Lines, reader: Recogniser, size: float = 1.0) -> Evidence:
    """Read every line and find its gaps.

    `size` is by what the lines' x-heights are multiplied.
    """
    order = np.argsort(lines.line, kind="stable")
    bounds = np.searchsorted(lines.line[order], np.arange(len(lines.lines) + 1))
    slant = lean(lines)
    views: list[LineView] = []
    signs, places = [], []
    start = 0
    between = np.full((1, CLASSES), -20.0, np.float32)
    between[0, BLANK] = 0.0
    for k in range(len(lines.lines)):
        mine = order[bounds[k] : bounds[k + 1]]
        reading, left = _read(ink, lines, k, mine, reader, size)
        frames = len(reading.log_probs)
        signs += [reading.log_probs, between]
        places += [reading.place_log_probs, between]
        edges = left + np.array([reading.line.crop_x(t - 0.5) for t in range(frames + 1)])
        views.append(_view(lines, k, mine, slant, start, edges))
        start += frames + 1
    parting, crossing, bare = _gaps(lines, views, start, size)
    middle = float(np.median([line.x_height for line in lines.lines]))
    read = np.concatenate(signs)
    struck = np.where(_letters(read), _UNCOMPARED / _PART, 0.0)
    return Evidence(read, np.concatenate(places), parting, crossing, bare, struck, tuple(views), middle)


def _letters(signs: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Tell in which frames the reader sees a sign that is not struck out."""
    return np.isin(signs.argmax(1), [BLANK, INDEX[" "], INDEX[CROSSED_OUT]], invert=True)


def strike(evidence: Evidence, words: Words, chance: FloatArray) -> Evidence:
    """Weigh for every word whether it is crossed out, by the reader's doubts and by its ink.

    A word counts once, however many letters the reader sees in it: its evidence is spread over their frames. Frames
    that the reader itself takes for struck out speak for themselves, so that a good word joined to a struck one stays
    good.

    Parameters
    ----------
    words : Words
        Words found by their gaps.
    chance : ndarray, shape (words,)
        That each is crossed out, by its ink alone.
    """
    view_of = {view.line: view for view in evidence.views}
    best, seen = evidence.signs.argmax(1), _letters(evidence.signs)
    out = best == INDEX[CROSSED_OUT]
    parting, beside = evidence.parting.copy(), np.zeros(len(best), np.bool_)
    for i, j in pairwise(np.flatnonzero(best != BLANK)):
        beside[i + 1 : j] = out[i] or out[j]
        if out[i] != out[j]:
            parting[i + 1 : j + 1] = np.maximum(parting[i + 1 : j + 1], _STRUCK_END)
    struck = evidence.struck.copy()
    rows, doubt = [], np.full(len(words.words), np.nan)
    for k, word in enumerate(words.words):
        view = view_of[word.line]
        a, b = np.searchsorted(view.edges, (word.box.left, word.box.right))
        frames = np.arange(view.start + max(0, int(a) - 1), min(view.stop, view.start + int(b)))
        rows.append(frames[seen[frames]])
        struck[frames[beside[frames] & ~evidence.bare[frames]]] = _STRUCK_INK
        if len(rows[k]):
            doubt[k] = evidence.signs[rows[k], INDEX[CROSSED_OUT]].mean()
    if np.isfinite(doubt).sum() >= _COMPARED:
        p = np.clip(chance, 0.003, 0.997)
        terms = np.column_stack([np.ones(len(p)), doubt - np.nanmedian(doubt), np.log(p / (1 - p))])
        odds = np.clip(terms @ np.array(_STRUCK_ODDS), -_STRUCK_MOST, _STRUCK_MOST)
        for mine, odd in zip(rows, odds, strict=True):
            struck[mine] = odd / max(1, len(mine) if odd > 0 else min(len(mine), _PART))
    return replace(evidence, struck=struck, parting=parting)


def views_of(lines: Lines) -> list[LineView]:
    """Return the ink of every line without frames, for use without a reader."""
    order = np.argsort(lines.line, kind="stable")
    bounds = np.searchsorted(lines.line[order], np.arange(len(lines.lines) + 1))
    slant = lean(lines)
    return [_view(lines, k, order[bounds[k] : bounds[k + 1]], slant, 0, np.zeros(1)) for k in range(len(lines.lines))]


def _view(lines: Lines, k: int, mine: NDArray[np.int64], slant: float, start: int, edges: FloatArray) -> LineView:
    above = lines.lines[k].baseline.at(lines.pieces.x[mine].astype(np.float64)) - lines.pieces.y[mine]
    upright = lines.pieces.x[mine] - slant * (above - 0.5 * lines.lines[k].x_height)
    return LineView(k, start, start + len(edges) - 1, edges, mine, upright, above, slant)


def _read(
    ink: Ink, lines: Lines, k: int, mine: NDArray[np.int64], reader: Recogniser, size: float
) -> tuple[Reading, int]:
    """Cut the line out, everything but its own ink painted over with paper, and read it."""
    line, pieces = lines.lines[k], lines.pieces
    x, y = pieces.x[mine], pieces.y[mine]
    pad = max(2, round(0.3 * line.x_height))
    height, width = ink.flat.shape
    left, right = max(0, int(x.min()) - pad), min(width, int(x.max()) + 1 + pad)
    top, bottom = max(0, int(y.min()) - pad), min(height, int(y.max()) + 1 + pad)
    mask = np.zeros((bottom - top, right - left), np.uint8)
    mask[y - top, x - left] = 1
    reach = max(1, round(0.3 * ink.stroke_px))
    mask = cv2.dilate(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    crop = np.where(mask > 0, ink.flat[top:bottom, left:right], np.uint8(_PAPER))
    columns = np.arange(left, right, dtype=np.float64) + 0.5
    return reader.read(crop, line.baseline.at(columns) - top, size * line.x_height), left


def find_gaps(lines: Lines, views: list[LineView], scale: float) -> list[tuple[int, float, float, float]]:
    """Return every gap: number of its view, left and right edge (upright columns), the chance that it parts words.

    `scale` is by what the lines' x-heights are multiplied.
    """
    found: list[tuple[int, float, float]] = []
    sizes = []
    for number, view in enumerate(views):
        size = scale * lines.lines[view.line].x_height
        zone = (view.above > -0.15 * size) & (view.above < 1.1 * size)
        columns = np.unique(np.rint(view.upright[zone]).astype(np.int64))
        steps = np.flatnonzero(np.diff(columns) > 1)
        found += [(number, float(columns[i]) + 0.5, float(columns[i + 1]) - 0.5) for i in steps]
        sizes += [size] * len(steps)
    chance = parting_chances(np.array([(b - a) / size for (_, a, b), size in zip(found, sizes, strict=True)]))
    return [(*gap, float(p)) for gap, p in zip(found, chance, strict=True)]


def _gaps(
    lines: Lines, views: list[LineView], frames: int, size: float
) -> tuple[FloatArray, NDArray[np.bool_], NDArray[np.bool_]]:
    """Lay the gaps over the frames."""
    parting = np.full(frames, _NO_GAP)
    crossing, bare = np.zeros(frames, np.bool_), np.zeros(frames, np.bool_)
    for number, left, right, p in find_gaps(lines, views, size):
        view = views[number]
        a, b = (int(i) for i in np.searchsorted(view.edges, (left, right), side="right") - 1)
        a, b = max(0, a), max(0, min(b, view.stop - view.start - 1))
        # The last sign before the gap may still be seen a frame into it, the next one a frame early.
        inside = slice(view.start + a, view.start + b + 1)
        parting[inside] = np.maximum(parting[inside], p)
        crossing[view.start + (a + b) // 2] = True
        bare[view.start + a + 1 : view.start + b] = True
    for view in views:
        parting[view.stop] = _LINE_END
        crossing[view.stop] = bare[view.stop] = True
    return parting, crossing, bare


# Usual gaps within a word and between words (mean, SD, how many gaps that knowledge is worth), x-heights.
_WITHIN = (0.25, 0.18, 12.0)
_BETWEEN = (1.2, 0.5, 4.0)
_SHARE = 0.45


def parting_chances(gaps: FloatArray) -> FloatArray:
    """Return for each gap (x-heights) the chance that it parts two words: two kinds of gap, log-normal, with priors.

    Between 0.002 and 0.99, so that no gap alone settles the matter.
    """
    if len(gaps) == 0:
        return np.empty(0)
    x = np.log(np.clip(gaps, 0.03, 4.0))
    kinds = [_log_normal(*_WITHIN), _log_normal(*_BETWEEN)]
    mean, sd = np.array([k[0] for k in kinds]), np.array([k[1] for k in kinds])
    weight = np.array([_WITHIN[2], _BETWEEN[2]])
    start, spread, share = mean.copy(), sd.copy(), _SHARE
    chance = np.zeros(len(x))
    for _ in range(60):
        density = np.exp(-0.5 * ((x[:, None] - mean) / sd) ** 2) / sd * np.array([1 - share, share]) + 1e-9
        chance = density[:, 1] / density.sum(1)
        chance = np.where(x <= mean[0], 0.0, np.where(x >= mean[1], 1.0, chance))
        for j, part in enumerate((1 - chance, chance)):
            total = float(part.sum())
            mean[j] = (weight[j] * start[j] + float(part @ x)) / (weight[j] + total)
            square = float(part @ (x - mean[j]) ** 2) + weight[j] * (spread[j] ** 2 + (mean[j] - start[j]) ** 2)
            sd[j] = np.sqrt(square / (weight[j] + total))
        share = (float(chance.sum()) + 10 * _SHARE) / (len(x) + 10)
    return np.clip(chance, 0.002, 0.99)


def _log_normal(mean: float, sd: float, _: float) -> tuple[float, float]:
    """Return mean and SD of the logarithm of a quantity of this mean and SD."""
    variance = float(np.log1p((sd / mean) ** 2))
    return float(np.log(mean)) - 0.5 * variance, float(np.sqrt(variance))
