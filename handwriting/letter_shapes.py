"""How alike the instances of one letter are, once size, slant and position are taken out.

    v_i     = soft picture of the middle line of letter i, brought to one position, one slant and one size by its first
              and second moments (upright ellipse of one height; width follows), of length 1
    alike_c = mean of v_i . v_j over all pairs i < j of letters of class c            (1: all the same)
    shape_consistency = sum_c (n_c - 1) alike_c / sum_c (n_c - 1)    over classes of five letters and more

The middle line (skeleton) takes the pen's width out. Capitals and small letters are classes of their own. Consistency,
not beauty: letters are set beside each other, never beside a model. Interval: jackknife over lines of writing with
Student's t.

Builds on: normalisation by moments, Hu 1962, IRE Transactions on Information Theory 8, 179-187; soft matching of
skeletons is our own choice. What it does not see: letters whose ink cannot be parted from their neighbours are cut
where the alignment cuts them, which makes joined hands look less alike; and whether a letter is well formed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import stats
from skimage.morphology import skeletonize

from handwriting.alignment import Alignment
from handwriting.alignment.pixels import owners
from handwriting.geometry import Box, FloatArray
from handwriting.lines import Lines
from handwriting.quantity import Measured, NotMeasured

FEWEST = 5
FEWEST_CLASSES = 3
_GRID = 28
_SPAN = 2.6
_SOFT = 1.5
_LEAST_POINTS = 8
_LEAST_CONFIDENCE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class LetterShape:
    """One letter: which, its line from 0, its word from 1, its box (frame px), its soft picture."""

    text: str
    line: int
    word: int
    box: Box
    soft: FloatArray


def letter_shapes(lines: Lines, alignment: Alignment) -> tuple[LetterShape, ...]:
    """Return the shape of every letter the alignment is fairly sure of, in the order of the page."""
    pieces = lines.pieces
    found = []
    order = np.argsort(alignment.word, kind="stable")
    bounds = np.searchsorted(alignment.word[order], np.arange(len(alignment.words) + 1))
    for number, word in enumerate(alignment.words):
        index = order[bounds[number] : bounds[number + 1]]
        x, y = pieces.x[index], pieces.y[index]
        owner = owners(x, y, pieces.piece[index], [letter.box for letter in word.letters])
        for k, letter in enumerate(word.letters):
            if not letter.text.isalpha() or letter.confidence < _LEAST_CONFIDENCE:
                continue
            soft = soft_picture(x[owner == k], y[owner == k])
            if soft is not None:
                found.append(LetterShape(letter.text, word.line, number + 1, letter.box, soft))
    return tuple(found)


def soft_picture(x: NDArray[np.int32], y: NDArray[np.int32]) -> FloatArray | None:
    """Return the soft picture of ink, shape (cells,), of length 1; None where there is too little of it.

    Parameters
    ----------
    x, y : ndarray of int, shape (pixels,)
        Columns and rows of the ink.
    """
    if len(x) < _LEAST_POINTS:
        return None
    left, top = int(x.min()) - 1, int(y.min()) - 1
    mask = np.zeros((int(y.max()) - top + 2, int(x.max()) - left + 2), np.bool_)
    mask[y - top, x - left] = True
    rows, columns = np.nonzero(skeletonize(mask))
    if len(rows) < _LEAST_POINTS:
        return None
    across, down = columns - columns.mean(), rows - rows.mean()
    tall = float(np.sqrt((down**2).mean()))
    if tall < 1.0:
        return None
    # The shear that leaves width and height uncorrelated takes the slant out.
    across = across - down * float((across * down).mean()) / tall**2
    scale = _GRID / 2 / _SPAN / tall
    where = np.stack([across, down], 1) * scale + _GRID / 2 - 0.5
    return _splat(where)


def _splat(where: FloatArray) -> FloatArray | None:
    """Spread points over the cells around them, blur, and bring to length 1."""
    whole = np.floor(where).astype(int)
    part = where - whole
    picture = np.zeros((_GRID, _GRID), np.float32)
    for right in (0, 1):
        for low in (0, 1):
            weight = np.abs(1 - right - part[:, 0]) * np.abs(1 - low - part[:, 1])
            cx, cy = whole[:, 0] + right, whole[:, 1] + low
            ok = (cx >= 0) & (cx < _GRID) & (cy >= 0) & (cy < _GRID)
            np.add.at(picture, (cy[ok], cx[ok]), weight[ok].astype(np.float32))
    soft = cv2.GaussianBlur(picture, (0, 0), _SOFT).astype(np.float64).ravel()
    size = float(np.linalg.norm(soft))
    return soft / size if size > 0 else None


def alike(shapes: tuple[LetterShape, ...]) -> dict[str, float]:
    """Return for every class of five letters and more how alike they are, the least alike first."""
    classes = _classes(shapes)
    values = {text: _mean_pair(vectors) for text, (vectors, _) in classes.items()}
    return dict(sorted(values.items(), key=lambda item: item[1]))


def shape_consistency(shapes: tuple[LetterShape, ...]) -> Measured | NotMeasured:
    """Return the consistency of letter shapes, pooled over classes, with its 95 % interval.

    Not measured with fewer than three classes of five letters. Flag ``few-lines`` under four lines.
    """
    classes = _classes(shapes)
    if len(classes) < FEWEST_CLASSES:
        return NotMeasured("few-letters", f"fewer than {FEWEST_CLASSES} letters were found {FEWEST} times each")
    lines = sorted({shape.line for shape in shapes})
    value = _pooled(classes, None)
    n = sum(len(vectors) for vectors, _ in classes.values())
    if len(lines) < 2:
        return NotMeasured("few-lines", "the spread over lines needs two lines of writing")
    left_out = np.array([_pooled(classes, line) for line in lines])
    count = len(lines)
    error = float(np.sqrt((count - 1) / count * ((left_out - left_out.mean()) ** 2).sum()))
    half = float(stats.t.ppf(0.975, count - 1)) * error
    flags = ("few-lines",) if count < 4 else ()
    return Measured(value, "1", max(0.0, value - half), min(1.0, value + half), n, flags=flags)


def _classes(shapes: tuple[LetterShape, ...]) -> dict[str, tuple[FloatArray, NDArray[np.int64]]]:
    """Return the soft pictures and lines of each class that is large enough."""
    grouped: dict[str, list[LetterShape]] = {}
    for shape in shapes:
        grouped.setdefault(shape.text, []).append(shape)
    return {
        text: (np.stack([s.soft for s in group]), np.array([s.line for s in group]))
        for text, group in grouped.items()
        if len(group) >= FEWEST
    }


def _mean_pair(vectors: FloatArray) -> float:
    """Return the mean product of all pairs of rows."""
    n = len(vectors)
    total = vectors.sum(0)
    return float((total @ total - n) / (n * (n - 1)))


def _pooled(classes: dict[str, tuple[FloatArray, NDArray[np.int64]]], without: int | None) -> float:
    value = weight = 0.0
    for vectors, line in classes.values():
        rest = vectors if without is None else vectors[line != without]
        if len(rest) > 1:
            value += (len(rest) - 1) * _mean_pair(rest)
            weight += len(rest) - 1
    return value / weight if weight else 0.0
