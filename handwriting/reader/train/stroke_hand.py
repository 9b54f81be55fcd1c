"""Lines written with the phantoms' stroke alphabet: endless writers, each with its own forms, sizes, slant and joins.

Where a font repeats one outline, here every letter is drawn anew from moved pen points, so that its shape differs from
one instance to the next as a hand's does.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from handwriting.phantoms.alphabet import glyphs
from handwriting.phantoms.layout import PlacedWord, Task, hull_gap, write_word
from handwriting.phantoms.writer import Habits, Writer
from handwriting.reader.alphabet import ALPHABET, INDEX
from handwriting.reader.train.draw import (
    CANVAS_BASELINE_PX,
    CANVAS_HEIGHT_PX,
    CANVAS_WIDTH_PX,
    CANVAS_X_HEIGHT_PX,
    NO_LETTER,
    DrawnLine,
    cross_out,
    in_capitals,
)

USABLE = frozenset(sign for sign in ALPHABET if sign == " " or (glyphs(sign, joined=False)))
_FINER = 3


def random_writer(rng: np.random.Generator) -> Writer:
    """Draw a writer, from neat to hardly in command of the pen."""
    rough = float(rng.beta(1.3, 1.2))
    x, joined = 2.6, bool(rng.random() < 0.6)
    letter_space = x * (rng.uniform(0.0, 0.25) if joined else rng.uniform(0.08, 0.4))
    return Writer(
        x_height_mm=x,
        height_cv=0.04 + 0.22 * rough * float(rng.random()),
        ascender_ratio=float(rng.uniform(1.5, 2.3)),
        descender_ratio=float(rng.uniform(0.6, 1.1)),
        capital_ratio=float(rng.uniform(1.4, 2.1)),
        slant_deg=float(np.clip(rng.normal(84, 10), 58, 112)),
        slant_sd_deg=1 + 7 * rough,
        word_space_mm=max(x * float(rng.uniform(0.5, 2.4)), 1.5 * letter_space),
        word_space_cv=0.1 + 0.2 * rough,
        letter_space_mm=float(letter_space),
        letter_space_cv=0.2 + 0.4 * rough,
        bounce_mm=x * (0.01 + 0.10 * rough),
        tremor_mm=0.004 + 0.05 * rough * float(rng.random()),
        pen_width_mm=float(rng.uniform(0.22, 0.7)),
        pen_width_cv=0.03 + 0.1 * rough,
        joined=joined,
        shape_jitter=0.05 + 0.75 * rough,
        width_scale=float(rng.uniform(0.7, 1.3)),
        style=int(rng.integers(64)),
        habits=Habits(break_rate=0.3 * rough),
    )


def write_line(text: str, rng: np.random.Generator, *, capitals: bool = False) -> DrawnLine:
    """Write `text` (canonical, signs of `USABLE`) as a new random writer; cut at a word where the canvas ends.

    `capitals`: see `draw.draw_line`.
    """
    writer = random_writer(rng)
    scale = CANVAS_X_HEIGHT_PX * rng.uniform(0.85, 1.15) / writer.x_height_mm
    if capitals:
        scale *= rng.uniform(0.5, 1.0)
    start_px = float(rng.uniform(6, 24))
    placed: list[PlacedWord] = []
    for said in text.split(" "):
        shown = in_capitals(said, USABLE) if capitals else said
        word = write_word(Task(None, said, shown, "written"), writer, rng)
        if placed:
            gap = writer.word_space_mm * max(0.4, 1 + writer.word_space_cv * float(rng.normal()))
            word.moved(gap - hull_gap(placed[-1].hull, word.hull))
            if start_px + word.hull[:, 0].max() * scale > CANVAS_WIDTH_PX - 10:
                break
        placed.append(word)
    text = " ".join(text.split(" ")[: len(placed)])
    end = int(min(start_px + placed[-1].hull[:, 0].max() * scale + rng.uniform(6, 24), CANVAS_WIDTH_PX))
    ink = np.asarray(_draw(placed, writer, scale, start_px)[:, :end]).copy()
    columns, spans = _letters(placed, scale, start_px)
    target = cross_out(ink, text, spans, columns, rng)
    return DrawnLine(ink, target, columns[:end])


def _draw(words: list[PlacedWord], writer: Writer, scale: float, start_px: float) -> npt.NDArray[np.uint8]:
    fine = np.zeros((CANVAS_HEIGHT_PX * _FINER, CANVAS_WIDTH_PX * _FINER), np.uint8)
    strokes = [
        (stroke, letter.drawn.pen_mm) for word in words for letter in word.letters for stroke in letter.strokes
    ] + [join for word in words for join in word.joins]
    for points, pen_mm in strokes:
        path = np.column_stack([points[:, 0] * scale + start_px, CANVAS_BASELINE_PX - points[:, 1] * scale])
        width = max(1, round((pen_mm or writer.pen_width_mm) * scale * _FINER))
        cv2.polylines(fine, [np.rint(path * _FINER * 16).astype(np.int32)], False, 255, width, cv2.LINE_AA, 4)
    return np.asarray(cv2.resize(fine, (CANVAS_WIDTH_PX, CANVAS_HEIGHT_PX), interpolation=cv2.INTER_AREA), np.uint8)


def _letters(
    words: list[PlacedWord], scale: float, start_px: float
) -> tuple[npt.NDArray[np.int16], list[tuple[int, float, float]]]:
    """Letter of each canvas column, and each letter's place in the text with its left and right column."""
    columns = np.full(CANVAS_WIDTH_PX, NO_LETTER, np.int16)
    spans, at = [], 0
    for k, word in enumerate(words):
        edges = [(float(letter.hull[:, 0].min()), float(letter.hull[:, 0].max())) for letter in word.letters]
        for i, (left, right) in enumerate(edges):
            # Neighbours meet half way across the gap or overlap between them.
            x0 = left if i == 0 else (edges[i - 1][1] + left) / 2
            x1 = right if i + 1 == len(edges) else (right + edges[i + 1][0]) / 2
            spans.append((at, x0 * scale + start_px, max(x1, x0) * scale + start_px))
            columns[max(int(spans[-1][1]), 0) : max(int(np.ceil(spans[-1][2])), 0)] = INDEX[word.task.asked[i]]
            at += 1
        if k + 1 < len(words):
            gap = (edges[-1][1] * scale + start_px, float(words[k + 1].hull[:, 0].min()) * scale + start_px)
            columns[max(int(np.ceil(gap[0])), 0) : max(int(gap[1]), 0)] = INDEX[" "]
            spans.append((at, *gap))
            at += 1
    return columns, spans
