"""Set print aside: a printed passage, boxes and logos on the sheet are not writing.

Print is told from writing by its repeats. A printed letter is the same shape every time; no hand writes two letters so
alike, letter for letter, that their pictures agree nearly pixel for pixel at one size. Rows that have many such twins
(`rows`), where the rest of the page has few, and whose letters stand straight on one level, are print. Straight-sided
frames and solid blocks are print by their shape.

What it does not see: a printed row of fewer than eight letters alone on the page, print that touches writing, and
print on a page that holds no writing at all.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.components import ranges
from handwriting.frame import Frame
from handwriting.geometry import Box
from handwriting.ink import Ink, Pieces
from handwriting.lines import Lines, find_lines
from handwriting.rows import Rows, rows_of
from handwriting.rules import Ruling
from handwriting.shapes import printed_shapes
from handwriting.strays import set_head_aside, set_strays_aside

_SIDE = 16
_ALIKE = 0.90
_TWINS = 0.15
_STEADY = 0.05
_FEWEST = 8
_PAIRS = 6
_CLEAR = 2.0
_ALIEN = 20.0
# Bare paper beside a sheet's rules up to its marks or the line before the passage, by the hand that it is made for.
_BESIDE_MM = {"right": 6.0, "left": 3.5}


def set_print_aside(
    ink: Ink, ruling: Ruling | None, frame: Frame, known: tuple[Box, ...] = ()
) -> tuple[Ink, tuple[Box, ...], Lines]:
    """Return the ink without print, the boxes of what was set aside (frame px), and the lines of what is left.

    Single marks off the column of text and the head of a sheet above its print (`strays`) are set aside with it;
    `known` are areas of print that were set aside before.
    """
    shapes = printed_shapes(ink.pieces, 0.0 if ruling is None else ruling.slope, frame.px_per_mm)
    if frame.sheets:
        shapes |= _outside(ink.pieces, frame)
    ink, boxes = _without(ink, shapes, ())
    rows: tuple[Box, ...] = ()
    if not frame.sheets:
        printed, rows = _printed_letters(ink, ruling, frame.px_per_mm)
        if printed.any():
            ink, found = _without(ink, printed, rows)
            boxes = (*boxes, *found)
    lines, head = set_head_aside(find_lines(ink, ruling, frame.px_per_mm), (*known, *rows))
    lines, strays = set_strays_aside(lines)
    return ink, (*boxes, *head, *strays), lines


def set_area_aside(ink: Ink, area: Box) -> tuple[Ink, tuple[Box, ...]]:
    """Return the ink without the pieces whose middle lies in an area known to be print, and the area's box."""
    boxes = ink.pieces.boxes
    x, y = boxes[:, 0] + boxes[:, 2] / 2, boxes[:, 1] + boxes[:, 3] / 2
    inside = (x >= area.left) & (x <= area.right) & (y >= area.top) & (y <= area.bottom)
    return _without(ink, inside, (area,))


def _without(ink: Ink, printed: NDArray[np.bool_], boxes: tuple[Box, ...]) -> tuple[Ink, tuple[Box, ...]]:
    if not printed.any():
        return ink, ()
    rows = ink.pieces.boxes[printed]
    inside = [_box(b) for b in rows if not any(_holds(box, _box(b)) for box in boxes)]
    return ink.without(printed), (*boxes, *_merged(inside))


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


def _outside(pieces: Pieces, frame: Frame) -> NDArray[np.bool_]:
    """Tell the pieces of a copying sheet that lie outside its writing area: passage, marks, code, boxes.

    Lines may begin before the rules and run on past them: as far as nothing is printed there.
    """
    x = pieces.boxes[:, 0] + pieces.boxes[:, 2] / 2
    y = pieces.boxes[:, 1] + pieces.boxes[:, 3] / 2
    inside = np.zeros(len(pieces.boxes), bool)
    for sheet, top in zip(frame.sheets, frame.tops, strict=True):
        k = frame.px_per_mm * sheet.print_scale
        area, beside = sheet.layout.area, _BESIDE_MM[sheet.code.hand]
        inside |= (
            (x >= (area.left - beside) * k)
            & (x <= (area.right + beside) * k)
            & (y >= top + area.top * k)
            & (y <= top + area.bottom * k)
        )
    return ~inside


def _printed_letters(ink: Ink, ruling: Ruling | None, px_per_mm: float) -> tuple[NDArray[np.bool_], tuple[Box, ...]]:
    """Tell the pieces in rows of print, with each row's box."""
    pieces = ink.pieces
    letters = _letter_like(pieces, ink.stroke_px, px_per_mm)
    pairs = _twins(pieces, np.flatnonzero(letters))
    twins = np.unique(pairs)
    if len(twins) < _FEWEST:
        return np.zeros(len(letters), bool), ()
    rows = rows_of(pieces.boxes, twins, ~letters, None if ruling is None else ruling.slope)
    return _printed_rows(rows, pairs, letters, pieces)


def _letter_like(pieces: Pieces, stroke_px: float, px_per_mm: float) -> NDArray[np.bool_]:
    """Tell the pieces that may be letters or words by their size."""
    wide, tall, area = (pieces.boxes[:, i] for i in (2, 3, 4))
    fit = (tall > 2.2 * stroke_px) & (tall < 12 * px_per_mm) & (wide > 1.5 * stroke_px) & (wide < 12 * px_per_mm)
    return np.asarray(fit & (tall >= 8) & (area < 0.75 * wide * tall))


def _twins(pieces: Pieces, chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the pairs of chosen pieces that agree almost pixel for pixel at one size, shape (pairs, 2)."""
    pairs = _of_one_size(pieces, chosen)
    if len(pairs) == 0:
        return pairs
    asked, place = np.unique(pairs, return_inverse=True)
    pictures = np.empty((len(asked), _SIDE * _SIDE), np.float32)
    for i, image in enumerate(_images(pieces, asked)):
        pictures[i] = cv2.resize(image, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA).ravel()
    # Agreement: overlap over union of the grey pictures.
    norms = (pictures**2).sum(1)
    one, other = place.reshape(-1, 2).T
    inner = np.einsum("ij,ij->i", pictures[one], pictures[other])
    return np.asarray(pairs[inner > _ALIKE * (norms[one] + norms[other] - inner)])


def _images(pieces: Pieces, asked: NDArray[np.int64]) -> list[NDArray[np.float32]]:
    """Return the picture of each piece asked for in its box, ink 1 on 0."""
    left, top, wide, tall, _ = pieces.boxes[asked].T.astype(np.int64)
    ends = np.cumsum(wide * tall)
    # All of them end to end, so that their pixels are placed at once.
    number = np.full(len(pieces.boxes), -1, np.int64)
    number[asked] = np.arange(len(asked))
    piece = number.take(pieces.piece)
    some = np.flatnonzero(piece >= 0)
    piece = piece[some]
    at = (ends - wide * tall - top * wide - left)[piece]
    at += wide[piece] * pieces.y[some]
    at += pieces.x[some]
    laid = np.zeros(int(ends[-1]), np.float32)
    laid[at] = 1
    return [part.reshape(-1, w) for part, w in zip(np.split(laid, ends[:-1]), wide.tolist(), strict=True)]


def _of_one_size(pieces: Pieces, chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the pairs of pieces, of those chosen, of one width and height and with their ink lying alike."""
    size = pieces.boxes[:, 2:4].astype(np.float64)
    chosen = chosen[np.argsort(size[chosen, 0], kind="stable")]
    wide = size[chosen, 0]
    last = np.searchsorted(wide, np.maximum(wide + 1, wide / 0.96), side="right")
    place = np.arange(len(chosen))
    count = last - place - 1
    one, other = np.repeat(place, count), ranges(place + 1, count)
    pairs = np.stack([chosen[one], chosen[other]], 1)
    tall = size[pairs, 1]
    pairs = pairs[np.abs(tall[:, 0] - tall[:, 1]) <= np.maximum(1, 0.04 * tall.max(1))]
    # Share of the box inked, and where the ink's middle lies in it: a quick look before the pictures are compared.
    n = len(pieces.boxes)
    total = np.maximum(pieces.boxes[:, 4], 1)
    looks = [total / size.prod(1)]
    piece = pieces.piece.astype(np.intp)
    for axis, at in ((0, pieces.x), (1, pieces.y)):
        looks.append((np.bincount(piece, at, n) / total - pieces.boxes[:, axis] + 0.5) / size[:, axis])
    for look, slack in zip(looks, (0.07, 0.05, 0.05), strict=True):
        pairs = pairs[np.abs(look[pairs[:, 0]] - look[pairs[:, 1]]) < slack]
    return np.asarray(pairs)


def _printed_rows(
    rows: Rows, pairs: NDArray[np.int64], letters: NDArray[np.bool_], pieces: Pieces
) -> tuple[NDArray[np.bool_], tuple[Box, ...]]:
    """Tell the pieces of rows that are print, with each row's box.

    The rows fall into two kinds, or there is no print: those with many twins, standing straight, and the others, among
    them all that stands in no row. Once some print is known, rows of few letters are print when their letters have
    twins in it.
    """
    n = len(rows.x_height)
    tall = pieces.boxes[:, 3]
    x_height = rows.x_height[rows.row]
    letters = np.where(rows.row >= 0, (tall > 0.6 * x_height) & (tall < 2.6 * x_height), letters)
    row = np.where(rows.row >= 0, rows.row, n)
    count = np.bincount(row[letters], minlength=n + 1)
    steady = np.append(rows.unsteadiness <= _STEADY, False)
    known = _seeds(pairs[(letters[pairs]).all(1)], row, count) & steady

    def with_twin(among: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Count the letters of each row that have a twin among these pieces."""
        mine = np.zeros(len(row), bool)
        mine[pairs[among[pairs[:, 1]], 0]] = True
        mine[pairs[among[pairs[:, 0]], 1]] = True
        found: NDArray[np.int64] = np.bincount(row[letters & mine], minlength=n + 1)
        return found

    heights = np.append(rows.x_height, np.inf)
    while known.any():
        repeated = with_twin(letters & known[row])
        typical = float(np.median(repeated[known] / count[known]))
        alike = np.abs(heights / np.median(heights[known]) - 1) < 0.06
        more = (repeated >= 2) & (repeated >= max(0.5 * typical, _TWINS) * count) & alike & ~known
        more &= steady | (count < 4)
        if not more.any():
            break
        known |= more
    boxes = []
    for i in np.flatnonzero(known):
        b = pieces.boxes[row == i]
        right, bottom = b[:, 0] + b[:, 2], b[:, 1] + b[:, 3]
        boxes.append(Box(float(b[:, 0].min()), float(b[:, 1].min()), float(right.max()), float(bottom.max())))
    return known[row], tuple(sorted(boxes, key=lambda box: (box.top, box.left)))


def _seeds(pairs: NDArray[np.int64], row: NDArray[np.int64], count: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell the rows of enough letters whose letters repeat each other, and not those of the others.

    A very even hand repeats itself too, but all over the page, and less than print does.
    """
    n = len(count)
    twins = np.zeros((n, n))
    np.add.at(twins, (row[pairs[:, 0]], row[pairs[:, 1]]), 1)
    twins += twins.T
    repeated = np.bincount(row[np.unique(pairs)], minlength=n)
    asked = np.flatnonzero(count >= _FEWEST)
    order = asked[np.argsort(-twins[asked].sum(1) / count[asked], kind="stable")]
    best, clearest = order[:0], _ALIEN
    for k in range(1, len(order)):
        some, rest = order[:k], order[k:]
        letters, others = int(count[some].sum()), int(count[rest].sum())
        inside, across = twins[np.ix_(some, some)].sum() / 2, twins[np.ix_(some, rest)].sum()
        elsewhere = twins[np.ix_(rest, rest)].sum() / 2
        # As many pairs across as inside are expected of one hand, for as many chances.
        expected = 2 * inside * others / letters
        more = inside / letters**2 > _CLEAR * (elsewhere + 1) / others**2
        if (
            more
            and repeated[some].sum() >= _TWINS * letters
            and inside >= _PAIRS
            and expected > clearest * (across + 1)
        ):
            best, clearest = some, expected / (across + 1)
    known = np.zeros(n, bool)
    known[best] = True
    return known
