"""Words that look crossed out: how likely each is, from the ink alone, for a person to confirm.

Nothing is dropped or counted here. Each word's ink is laid on a grid in x-heights along and above its baseline, and
described by

    course          the most ink a nearly level course through the body zone meets, as a share of its length
    rising, falling the same of a straight line from end to end that rises or falls; cross the lesser of the two
    ink, over       share of the body zone that is inked, and of the zone above it
    runs            how often a column of the body zone changes from paper to ink
    strokes         how often a row does, to an x-height of length
    holes           enclosed patches of paper less pieces, to an x-height of length
    pieces          connected pieces, to an x-height of length
    narrow, width   one over the width in x-heights, and its logarithm

Hands differ (a joined one has few pieces, a broad pen much ink), so all but the last two are taken as how far they
stand off those of the page's words of like width. A logistic function of these gives the chance.

What it does not see: letters struck out inside a word that stands, a correction made letter upon letter, and ink under
correction fluid. Words of one or two letters show little; where most of a page is crossed out, nothing stands off.

The weights are fitted to drawn pages whose words are crossed out in seven ways, and to lines that adults copied, some
with crossed-out words (Copiste d'un jour, Bibliotheque et Archives nationales du Quebec 2024, CC BY 4.0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.lines import Lines
from handwriting.words import Words

FEATURES = (
    "course",
    "rising",
    "falling",
    "cross",
    "ink",
    "over",
    "runs",
    "strokes",
    "holes",
    "pieces",
    "narrow",
    "width",
)

# Cells to an x-height; the grid runs from this many x-heights below the baseline to this many above it.
_CELLS, _BELOW, _ABOVE = 12, 0.5, 2.0
_WIDEST = 14.0
# What a step up or down costs the course, in cells of ink.
_STEP = 0.35


# From which chance on a word is shown as crossed out.
SHOWN = 0.4
# How many words nearest in width a word is held against.
_NEAR = 31
# By figure: the least quartile range to divide by, and the weight; fitted as said above.
_LEAST_SPREAD = np.array([0.05, 0.06, 0.072, 0.06, 0.05, 0.024, 0.086, 0.1, 0.36, 0.25])
_WEIGHTS = np.array([0.825, 0.595, 1.03, 0.72, 1.812, 0.339, 0.379, -2.192, 1.376, -0.47, -2.086, -0.931])
_BIAS = -4.85


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """How likely each word is crossed out.

    Attributes
    ----------
    chance : ndarray, shape (words,)
        By the words' own order, 0 to 1.
    """

    chance: FloatArray

    def __post_init__(self) -> None:
        chance = np.array(self.chance, dtype=np.float64)
        chance.flags.writeable = False
        object.__setattr__(self, "chance", chance)

    @property
    def shown(self) -> NDArray[np.int64]:
        """Indices of the words to show to a person as crossed out."""
        return np.flatnonzero(self.chance >= SHOWN)


def find_crossings(lines: Lines, words: Words) -> Crossings:
    """Find the words that look crossed out.

    Parameters
    ----------
    lines : Lines
    words : Words
        Of the same page: found by their gaps, or known from the text.
    """
    if not words.words:
        return Crossings(np.empty(0))
    evidence = stand_out(describe(lines, words))
    return Crossings(1 / (1 + np.exp(-np.clip(evidence @ _WEIGHTS + _BIAS, -30, 30))))


def stand_out(seen: FloatArray) -> FloatArray:
    """Return how far each word's figures stand off those of the page's words nearest to it in width.

    In quartile ranges of those words; the last two figures, which are of width alone, stay as they are.
    """
    order = np.argsort(seen[:, -1], kind="stable")
    near = min(_NEAR, len(seen))
    windows = np.lib.stride_tricks.sliding_window_view(seen[order, :-2], near, axis=0)
    low, middle, high = np.percentile(windows, [25, 50, 75], axis=2)
    place = np.empty(len(seen), np.int64)
    place[order] = np.clip(np.arange(len(seen)) - near // 2, 0, len(middle) - 1)
    off = (seen[:, :-2] - middle[place]) / (high[place] - low[place] + _LEAST_SPREAD)
    return np.concatenate([np.clip(off, -4, 8), seen[:, -2:]], axis=1)


def describe(lines: Lines, words: Words) -> FloatArray:
    """Return the description of every word, shape (words, 8), in the order of `FEATURES`."""
    grid, width = _grids(lines, words)
    body = slice(round(0.1 * _CELLS) + _foot(), round(1.05 * _CELLS) + _foot())
    over = slice(round(1.15 * _CELLS) + _foot(), round(1.8 * _CELLS) + _foot())
    cells = np.maximum(width, 1)
    length = cells / _CELLS
    zone = grid[:, body]
    runs = (np.diff(zone.astype(np.int8), axis=1, prepend=0) > 0).sum((1, 2)) / cells
    strokes = (np.diff(zone.astype(np.int8), axis=2, prepend=0) > 0).sum((1, 2)) / (zone.shape[1] * length)
    pieces = _pieces(lines, words)
    rising, falling = _straight(grid, cells)
    return np.column_stack(
        [
            _course(grid[:, round(0.1 * _CELLS) + _foot() : round(1.2 * _CELLS) + _foot()], cells),
            rising,
            falling,
            np.minimum(rising, falling),
            zone.sum((1, 2)) / (cells * zone.shape[1]),
            grid[:, over].sum((1, 2)) / (cells * (over.stop - over.start)),
            runs,
            strokes,
            _holes(grid) / length,
            pieces / length,
            1 / length,
            np.log(length),
        ]
    )


def _foot() -> int:
    """Return the row of the grid on which the baseline stands."""
    return round(_BELOW * _CELLS)


def _grids(lines: Lines, words: Words) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Return each word's ink on its grid, shape (words, rows, columns), and how many columns it fills."""
    pieces, number = lines.pieces, words.word
    left = np.array([word.box.left for word in words.words])
    size = np.array([lines.lines[word.line].x_height for word in words.words])
    cell = size / _CELLS
    rows = _foot() + round(_ABOVE * _CELLS)
    widest = round(_WIDEST * _CELLS)
    # Ink of no word, -1, comes upon the last word and is left out.
    scale = cell.take(number)
    row = lines.above() / scale
    row += 0.5 + _foot()
    column = pieces.x - left.take(number)
    column /= scale
    inside = (number >= 0) & (row >= 0) & (row < rows) & (column < widest)
    width = np.minimum([int(np.ceil(word.box.width / c)) for word, c in zip(words.words, cell, strict=True)], widest)
    columns = int(width.max())
    place = number * np.int32(rows)
    place += row.astype(np.int32)
    place *= columns
    place += np.minimum(column.astype(np.int32), columns - 1)
    # What is left out comes upon a place of its own, the first: quicker than parting it off.
    place += 1
    place *= inside
    ink = np.bincount(place, minlength=len(left) * rows * columns + 1)[1:].reshape(len(left), rows, columns)
    # A cell is inked when a third of it is.
    return ink > np.maximum(cell**2 / 3, 0.5)[:, None, None], width


def _course(zone: NDArray[np.bool_], cells: NDArray[np.int64]) -> FloatArray:
    """Return the share of ink on the best nearly level course from a word's left end to its right."""
    columns = np.ascontiguousarray(zone.transpose(2, 1, 0), np.float64)
    # Courses of all words side by side, and above and below them rows that no course takes.
    best = np.full((zone.shape[1] + 2, len(zone)), -np.inf)
    inner = best[1:-1]
    inner[:] = columns[0]
    result = np.zeros(len(zone))
    for number, column in enumerate(columns):
        if number:
            step = np.maximum(best[:-2], best[2:])
            step -= _STEP
            np.maximum(inner, step, out=inner)
            inner += column
        ends = np.flatnonzero(cells == number + 1)
        if len(ends):
            result[ends] = inner[:, ends].max(0)
    return result / cells


def _straight(grid: NDArray[np.bool_], cells: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Return the most ink, as a share, on a straight line from end to end that rises, and on one that falls."""
    rows = _foot() + np.round(_CELLS * np.linspace(-0.3, 1.7, 13)).astype(np.int64)
    start, end = np.triu_indices(len(rows), 2)
    along = np.linspace(0.08, 0.92, 25)
    column = (along * (cells[:, None] - 1) + 0.5).astype(np.int64)
    row = (rows[start, None] + along * (rows[end] - rows[start])[:, None] + 0.5).astype(np.int64)
    # A line a cell off still meets a stroke three cells wide. Places along come first: sums over them are quick.
    line = row.T[:, None, :] * grid.shape[2] + (np.arange(len(grid)) * grid[0].size)[:, None]
    cell = grid.view(np.uint8).reshape(-1)
    rising, falling = (
        cell.take(line + columns.T[:, :, None]).sum(0, dtype=np.uint8).max(1) / len(along)
        for columns in (column, column[:, ::-1])
    )
    return rising, falling


def _holes(grid: NDArray[np.bool_]) -> FloatArray:
    """Return how many enclosed patches of paper each grid holds, less its pieces: from the Euler number by quads.

    Source: bit quads, Gray 1971, IEEE Transactions on Computers C-20, 551-561 (recalled, not re-read).
    """
    padded = np.pad(grid, ((0, 0), (1, 1), (1, 1))).astype(np.int8)
    a, b = padded[:, :-1, :-1], padded[:, :-1, 1:]
    c, d = padded[:, 1:, :-1], padded[:, 1:, 1:]
    total = a + b + c + d
    ones, threes = (total == 1).sum((1, 2)), (total == 3).sum((1, 2))
    crossed = ((total == 2) & (a == d)).sum((1, 2))
    # Ink touching at corners is one piece.
    return np.asarray(-(ones - threes - 2 * crossed) / 4.0)


def _pieces(lines: Lines, words: Words) -> FloatArray:
    """Return how many pieces each word has."""
    count = len(lines.pieces.boxes)
    # The first row is that of ink of no word, -1.
    present = np.zeros((len(words.words) + 1) * count, np.bool_)
    place = np.multiply(words.word + 1, count, dtype=np.int64)
    place += lines.pieces.piece
    present[place] = True
    return np.asarray(present.reshape(-1, count)[1:].sum(axis=1), np.float64)
