"""Size and space of letters whose identity is known from the text, beside the measures that go by shape alone.

Over small letters of words written as in the text, or with a slip of spelling, that the alignment is fairly sure of;
h_i the ink height of letter i from its own foot, s the stroke width, L the line of its word. The height of a body is
that of its highest mark (see `letters`), because the box of a joined letter takes in bits of its joins and of taller
neighbours; that of any other letter is its box's:

    known_x_height = mean of h_i over a c e m n o r s u v w x z, mm
    known_height_cv = sqrt( sum_c sum_i ((h_i - s - m_c)^2 - e^2) / m_c^2 / (sum n_c - classes) ) over classes c of one
        letter each, three letters and more, m_c their mean height, e^2 the variance of two edges on whole pixels
    known_ascender_ratio = mean height of b d f h k l above L, over that of small letters, centre line to centre line
    known_descender_ratio = mean depth of g j p q y below L, over the same
    known_letter_space = mean gap between neighbours in a word that share no ink, least between their hulls, mm

The letters i and j give no height: their dots stand where they like. A letter whose height is off its class's by more
than three robust SD (1.4826 MAD, of heights over their class's median) and a tenth is taken for wrongly cut, and gives
none either.
Each letter's place, class, height and distance to the line are in the record.

What it does not see: letters the alignment is not sure of; joined letters are cut where it cuts them, and have no gap.

Source: height consistency within class, common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.alignment import OF_TEXT, Alignment, match_words
from handwriting.alignment.pixels import owners
from handwriting.bootstrap import line_bootstrap
from handwriting.geometry import Box, FloatArray
from handwriting.hulls import hull_gap
from handwriting.ink import grouped
from handwriting.letters import Letters
from handwriting.measures.common import COMMON, after_blur
from handwriting.measures.evidence import SEED, Evidence, length, plain
from handwriting.measures.size import HEIGHT_CV, HEIGHT_RATIO
from handwriting.quantity import NotMeasured, Quantity
from handwriting.statistics import MEAN

KEYS = (
    "known_x_height",
    "known_height_cv",
    "known_ascender_ratio",
    "known_descender_ratio",
    "known_letter_space",
)
LEAST = 30
_FEWEST, _OF_CLASS, _GAPS = 5, 3, 3
_SURE = 0.5
_FAR, _LEAST_FAR = 3.0, 0.1
_BODY, _TALL, _DEEP, _DOTTED = "acemnorsuvwxz", "bdfhkl", "gjpqy", "ij"


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """Known small letters: which, line from 0, ink height, lowest and highest ink above the line, px.

    `gaps` holds line and px of each gap between unjoined neighbours.
    """

    text: NDArray[np.str_]
    line: NDArray[np.int64]
    height: FloatArray
    foot: FloatArray
    top: FloatArray
    gaps: FloatArray

    def well_cut(self) -> _Known:
        """Leave out letters too far from their class's height to be cut where they end."""
        off = np.zeros(len(self.text))
        for sign in np.unique(self.text):
            mine = self.text == sign
            off[mine] = self.height[mine] / np.median(self.height[mine]) - 1
        # A class of one or two has its own middle: it shows no spread.
        number = np.unique(self.text, return_inverse=True, return_counts=True)
        telling = number[2][number[1]] >= _OF_CLASS
        if telling.sum() < _FEWEST:
            return self
        far = max(_FAR * 1.4826 * float(np.median(np.abs(off[telling]))), _LEAST_FAR)
        ok = np.abs(off) <= far
        return replace(
            self, text=self.text[ok], line=self.line[ok], height=self.height[ok], foot=self.foot[ok], top=self.top[ok]
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Marks:
    """Boxes (left, top, right, bottom) and heights of a page's marks, whether they are tall, and those of each word."""

    box: FloatArray
    height: FloatArray
    tall: NDArray[np.bool_]
    of_word: list[NDArray[np.intp]]

    @classmethod
    def of(cls, letters: Letters, words: int) -> _Marks:
        box = np.array([(m.box.left, m.box.top, m.box.right, m.box.bottom) for m in letters.marks]).reshape(-1, 4)
        word = np.array([m.word for m in letters.marks], np.int32)
        height = np.array([m.height for m in letters.marks])
        return cls(box, height, letters.share[:, 1:].sum(1) > 0.5, grouped(word, words))

    def heights(self, word: int, boxes: list[Box]) -> FloatArray:
        """Return the height of the highest mark of each letter, 0 where it has none; each mark is of one letter.

        The tops of a tall neighbour's strokes may lie in a small letter's box: they count only where there is no other.
        """
        mine = self.of_word[word]
        found = np.zeros(len(boxes))
        if not len(mine):
            return found
        letter = np.array([(b.left, b.top, b.right, b.bottom) for b in boxes])[:, None]
        reach = np.minimum(letter[..., 2:], self.box[mine, 2:]) - np.maximum(letter[..., :2], self.box[mine, :2])
        shared = np.clip(reach, 0.0, None).prod(2)
        owner = np.where(shared.max(0) > 0, shared.argmax(0), -1)
        for tall in (False, True):
            some = (self.tall[mine] == tall) & (owner >= 0)
            highest = np.zeros(len(boxes))
            np.maximum.at(highest, owner[some], self.height[mine[some]])
            found = np.where(found > 0, found, highest)
        return found


def known_letters(evidence: Evidence, alignment: Alignment | None) -> dict[str, Quantity]:
    """Return the measures of known letters by their key.

    Not measured without a text (flag ``no-text``) or with fewer than five letters of a kind, three gaps, or 30 letters
    for a spread (``few-letters``, ``joined``).
    """
    if alignment is None:
        return dict.fromkeys(KEYS, NotMeasured("no-text", "letters are told apart only where the text is known"))
    known = _collect(evidence, alignment).well_cut()
    body = np.isin(known.text, list(_BODY))
    n = int(body.sum())
    if n < _FEWEST:
        return dict.fromkeys(KEYS, NotMeasured("few-letters", f"{n} small letters were known for sure"))
    flags = ("few-letters",) if n < LEAST else ()
    joined = evidence.letters.joined
    value = MEAN.value(known.height[body])
    interval = line_bootstrap(_by_line(known.height[body], known.line[body]), MEAN, seed=SEED)
    # Letters cut out of soft writing take in bits of their neighbours: twice what blur leaves in whole pieces.
    shared = math.hypot(COMMON["known_x_height"].of(value, joined=joined), 2.0 * after_blur(evidence.blur_px))
    return {
        "known_x_height": length(evidence, value, interval, n, flags=flags, shared_px=shared, least_px=0.0),
        "known_height_cv": _spread(evidence, known),
        "known_ascender_ratio": _ratio(evidence, known, body, _TALL, known.top, "known_ascender_ratio"),
        "known_descender_ratio": _ratio(evidence, known, body, _DEEP, -known.foot, "known_descender_ratio"),
        "known_letter_space": _space(evidence, known),
    }


def _by_line(values: FloatArray, line: NDArray[np.int64]) -> list[FloatArray]:
    return [values[line == k] for k in np.unique(line)]


def _collect(evidence: Evidence, alignment: Alignment) -> _Known:
    pieces, stroke = evidence.lines.pieces, evidence.letters.stroke_px
    order = np.argsort(alignment.word, kind="stable")
    bounds = np.searchsorted(alignment.word[order], np.arange(len(alignment.words) + 1))
    rows: list[tuple[str, int, float, float, float]] = []
    gaps: list[tuple[float, float]] = []
    marks = _Marks.of(evidence.letters, len(evidence.words.words))
    for here, number in sorted(match_words(evidence.words, alignment).items(), key=lambda pair: pair[1]):
        word = alignment.words[number]
        if word.state not in OF_TEXT or not word.letters:
            continue
        line = evidence.lines.lines[word.line]
        by_mark = marks.heights(here, [letter.box for letter in word.letters])
        for letter, own in zip(word.letters, by_mark.tolist(), strict=True):
            if letter.confidence < _SURE or not letter.text.islower():
                continue
            small = letter.text in _BODY
            if small and own == 0:
                continue
            middle = 0.5 * (letter.box.left + letter.box.right)
            # Half a pixel to the edge of the baseline's row, and half from pixels' middles to boxes' edges.
            base = float(line.baseline.at(middle)) + 1.0
            box = letter.box
            height = own if small else box.height
            rows.append((letter.text, word.line, height, base - box.bottom, base - box.top))
        index = order[bounds[number] : bounds[number + 1]]
        mine = (pieces.x[index], pieces.y[index], pieces.piece[index])
        gaps += [(float(word.line), gap) for gap in _gaps(mine, owners(*mine, [x.box for x in word.letters]))]
    text, number_of, height, foot, top = zip(*rows, strict=True) if rows else ((),) * 5
    return _Known(
        np.array(text, np.str_),
        np.array(number_of, np.int64),
        np.array(height, np.float64),
        np.array(foot, np.float64),
        np.array(top, np.float64) - stroke,
        np.array(gaps, np.float64).reshape(-1, 2),
    )


def _gaps(ink: tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]], owner: NDArray[np.int64]) -> list[float]:
    """Return the gap of every two neighbouring letters of a word that share no piece of ink, px."""
    x, y, piece = ink
    found = []
    for k in range(int(owner.max(initial=-1))):
        left, right = owner == k, owner == k + 1
        if not left.any() or not right.any() or np.isin(piece[left], piece[right]).any():
            continue
        hulls = [
            np.asarray(cv2.convexHull(np.stack([x[m], -y[m]], 1).astype(np.float32)), np.float64).reshape(-1, 2)
            for m in (left, right)
        ]
        if min(len(hull) for hull in hulls) > 2:
            found.append(hull_gap(*hulls))
    return found


def _spread(evidence: Evidence, known: _Known) -> Quantity:
    classes, number, count = np.unique(known.text, return_inverse=True, return_counts=True)
    kept = (count >= _OF_CLASS) & ~np.isin(classes, list(_DOTTED))
    mine = kept[number]
    n = int(mine.sum())
    if n < LEAST:
        return NotMeasured("few-letters", f"{n} letters were known for sure; a spread of height needs {LEAST}")
    share = (number[mine][:, None] == np.flatnonzero(kept)).astype(np.float64)
    marks = np.column_stack([known.height[mine] - evidence.letters.stroke_px, share])
    value = HEIGHT_CV.value(marks)
    interval = line_bootstrap(_by_line(marks, known.line[mine]), HEIGHT_CV, seed=SEED)
    shared = COMMON["height_cv"].of(value, joined=evidence.letters.joined)
    return plain(value, "1", interval, n, shared=shared, least=0.0)


def _ratio(
    evidence: Evidence, known: _Known, body: NDArray[np.bool_], kind: str, values: FloatArray, like: str
) -> Quantity:
    of_kind = np.isin(known.text, list(kind))
    n = int(of_kind.sum())
    if n < _FEWEST:
        return NotMeasured("few-letters", f"{n} of the letters {kind} were known for sure; the ratio needs {_FEWEST}")
    stroke = evidence.letters.stroke_px
    marks = np.column_stack([known.height - stroke, body, values, of_kind]).astype(np.float64)
    value = HEIGHT_RATIO.value(marks)
    interval = line_bootstrap(_by_line(marks, known.line), HEIGHT_RATIO, seed=SEED)
    return plain(value, "1", interval, n, shared=COMMON[like].of(value, joined=evidence.letters.joined), least=0.0)


def _space(evidence: Evidence, known: _Known) -> Quantity:
    n = len(known.gaps)
    if n < _GAPS:
        return NotMeasured("joined", f"{n} gaps between known letters were found; this needs {_GAPS}")
    line, gap = known.gaps.T
    value = MEAN.value(gap)
    interval = line_bootstrap(_by_line(gap, line.astype(np.int64)), MEAN, seed=SEED)
    flags = ("few-gaps",) if n < LEAST else ()
    shared = COMMON["known_letter_space"].of(value, joined=evidence.letters.joined)
    return length(evidence, value, interval, n, flags=flags, shared_px=shared)
