"""Corrections that change what was found: words parted or joined, baselines moved, marks set aside, names blanked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from handwriting.baselines import rule_of
from handwriting.calibration import Scale
from handwriting.errors import UsageError
from handwriting.geometry import Box, Polyline
from handwriting.lifting import PAPER
from handwriting.lines import TextLine
from handwriting.pipeline import Found
from handwriting.words import Words, known_words

Point = tuple[float, float]
# A length drawn by hand on the picture is known to half a pixel at either end and to a ruler's quarter millimetre.
_DRAWN_SD_PX = 0.5
_RULER_SD_MM = 0.25
_SHORTEST_PX = 20.0
_LEAST_BODY = 0.3


def word_at(words: Words, at: Point) -> int:
    """Return the index of the word whose box holds a place, the smallest if several do.

    Raises
    ------
    UsageError
        There is no word there.
    """
    x, y = at
    holding = [
        i for i, w in enumerate(words.words) if w.box.left <= x <= w.box.right and w.box.top <= y <= w.box.bottom
    ]
    if not holding:
        raise UsageError(f"there is no word at {x:.0f}, {y:.0f}", fix="Point into the word that is meant")
    return min(holding, key=lambda i: words.words[i].box.width * words.words[i].box.height)


def split(found: Found, at: Point) -> Found:
    """Part the word at a place: pieces to one side of it stay whole, a piece across it is cut straight down."""
    number = word_at(found.words, at)
    word = found.words.word.copy()
    mine = np.flatnonzero(word == number)
    pieces = found.lines.pieces
    x, piece = pieces.x[mine], pieces.piece[mine]
    _, index = np.unique(piece, return_inverse=True)
    low, high = np.full(index.max() + 1, np.inf), np.full(index.max() + 1, -np.inf)
    np.minimum.at(low, index, x)
    np.maximum.at(high, index, x)
    # A piece that reaches only a little beyond the place was not meant to be cut.
    reach = 0.15 * (high - low)
    whole_right, whole_left = low + reach >= at[0], high - reach < at[0]
    right = np.where(whole_right[index], True, np.where(whole_left[index], False, x >= at[0]))
    if right.all() or not right.any():
        raise UsageError("there is nothing of the word on one side of that place", fix="Point between its letters")
    word[mine[right]] = len(found.words.words)
    return _with_words(found, word)


def join(found: Found, at: Point) -> Found:
    """Join the word at a place with the next on its line."""
    number = word_at(found.words, at)
    words = found.words.words
    if number + 1 >= len(words) or words[number + 1].line != words[number].line:
        raise UsageError("there is no next word on that line", fix="Point into the left one of the two words")
    word = found.words.word.copy()
    word[word == number + 1] = number
    return _with_words(found, word)


def set_aside(found: Found, at: Point, *, line: bool) -> Found:
    """Set a word, or the whole line it stands on, aside as not writing."""
    number = word_at(found.words, at)
    if line:
        return _without(found, found.lines.line == found.words.words[number].line)
    return _without(found, found.words.word == number)


def blank(found: Found, area: Box) -> Found:
    """Paint over a part of the picture, such as a name, and forget the ink in it."""
    frame = found.frame
    height, width = frame.grey.shape
    rows = slice(max(0, int(area.top)), min(height, int(np.ceil(area.bottom))))
    columns = slice(max(0, int(area.left)), min(width, int(np.ceil(area.right))))
    if rows.start >= rows.stop or columns.start >= columns.stop:
        raise UsageError("the part to blank lies outside the page", fix="Draw it on the page")
    grey = frame.grey.copy()
    grey[rows, columns] = PAPER
    colour = None
    if frame.colour is not None:
        colour = frame.colour.copy()
        colour[rows, columns] = PAPER
    pieces = found.lines.pieces
    inside = (pieces.y >= rows.start) & (pieces.y < rows.stop)
    inside &= (pieces.x >= columns.start) & (pieces.x < columns.stop)
    flat = found.ink.flat.copy()
    flat[rows, columns] = PAPER
    painted = replace(found, frame=replace(frame, grey=grey, colour=colour), ink=replace(found.ink, flat=flat))
    return _without(painted, inside & (found.lines.line >= 0)) if inside.any() else painted


def move_baseline(found: Found, at: Point, to: Point) -> Found:
    """Let the baseline of the line at a place pass through another place; x-height and rule follow."""
    lines = found.lines
    number = _line_near(found, at)
    old = lines.lines[number].baseline
    x, y = np.asarray(old.x), np.asarray(old.y)
    nearest = int(np.argmin(np.abs(x - to[0])))
    # Near a corner the corner moves; further off there is a new one.
    if abs(x[nearest] - to[0]) <= 2 * lines.body_px:
        y = y.copy()
        y[nearest] = to[1]
    else:
        place = int(np.searchsorted(x, to[0]))
        x, y = np.insert(x, place, to[0]), np.insert(y, place, to[1])
    baseline = Polyline(x, y)
    # Heights are taken from the baseline, so they change by what it moved under the writing.
    under = lines.pieces.x[lines.line == number].astype(np.float64)
    x_height = lines.lines[number].x_height + float((baseline.at(under) - old.at(under)).mean())
    if x_height < _LEAST_BODY * lines.lines[number].x_height:
        raise UsageError("that would put the baseline above the writing", fix="Put it at the foot of the letters")
    usual = float(np.median([line.x_height for line in lines.lines]))
    moved = TextLine(baseline, x_height, rule_of(baseline, found.ruling, usual))
    rows = tuple(moved if i == number else line for i, line in enumerate(lines.lines))
    changed = replace(found, lines=replace(lines, lines=rows))
    return _with_words(changed, found.words.word)


def drawn_scale(found: Found, ends: tuple[float, ...]) -> Scale:
    """Return the scale by a length of known mm drawn on the picture, in frame pixels."""
    x0, y0, x1, y1, length_mm = ends
    length_px = float(np.hypot(x1 - x0, y1 - y0))
    if length_px < _SHORTEST_PX or not 5 <= length_mm <= 1000:
        raise UsageError("that length is too short to give a scale", fix="Draw along 5 mm to 1000 mm, best 100 mm")
    sd = float(np.hypot(np.sqrt(2) * _DRAWN_SD_PX / length_px, _RULER_SD_MM / length_mm))
    sentence = f"The scale comes from a length of {length_mm:g} mm drawn on the picture by a person."
    return Scale(length_mm / length_px, sd, "drawn by a person", sentence)


def _line_near(found: Found, at: Point) -> int:
    """Return the line whose baseline passes nearest to a place, within two x-heights."""
    away = [
        abs(float(line.baseline.at(at[0])) - at[1])
        + max(0.0, float(line.baseline.x[0]) - at[0], at[0] - float(line.baseline.x[-1]))
        for line in found.lines.lines
    ]
    nearest = int(np.argmin(away))
    if away[nearest] > 2 * found.lines.lines[nearest].x_height:
        raise UsageError(f"there is no line at {at[0]:.0f}, {at[1]:.0f}", fix="Point on the baseline that is meant")
    return nearest


def _without(found: Found, gone: NDArray[np.bool_]) -> Found:
    """Take ink out of lines and words; lines left without ink go, and where the ink was is noted."""
    lines = found.lines
    pieces = lines.pieces
    line = np.where(gone, -1, lines.line).astype(np.int32)
    kept = np.unique(line[line >= 0])
    if not kept.size:
        raise UsageError("nothing would be left on the page", fix="Leave at least one line of writing")
    number = np.full(len(lines.lines) + 1, -1, np.int32)
    number[kept] = np.arange(len(kept), dtype=np.int32)
    x, y = pieces.x[gone], pieces.y[gone]
    box = Box(float(x.min()), float(y.min()), float(x.max() + 1), float(y.max() + 1))
    left = replace(lines, lines=tuple(lines.lines[i] for i in kept), line=number[line])
    ink = replace(found.ink, set_aside=(*found.ink.set_aside, box))
    word = np.where(gone, -1, found.words.word).astype(np.int32)
    return _with_words(replace(found, lines=left, ink=ink), word)


def _with_words(found: Found, word: NDArray[np.int32]) -> Found:
    return replace(found, words=known_words(found.lines, word, found.ink.stroke_px))
