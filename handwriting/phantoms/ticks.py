"""Coloured marks that a grown-up makes while the page is written: at the letter reached, or in the margin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handwriting.errors import UsageError
from handwriting.geometry import Box, FloatArray
from handwriting.phantoms.raster import ByteArray, draw_stroke
from handwriting.phantoms.truth import Truth

TICK_INKS: dict[str, tuple[int, int, int]] = {
    "red": (205, 45, 55),
    "orange": (235, 130, 35),
    "green": (40, 150, 80),
    "blue": (45, 80, 185),
    "purple": (140, 55, 160),
}
KINDS = ("check", "stroke", "dot", "slash", "margin")


@dataclass(frozen=True, slots=True)
class Ticks:
    """Marks to make.

    Parameters
    ----------
    words : tuple of int
        Words reached, by their index in `Truth.words`, in order.
    rgb : tuple of int
        Colour of the pen.
    kind : str
        One of `KINDS`: a check, a stroke or a dot above the letter reached, a slash through it, or a check in the left
        margin beside its line.
    size_mm, pen_mm : float
        Height of a check and width of the pen's line.
    """

    words: tuple[int, ...]
    rgb: tuple[int, int, int] = TICK_INKS["red"]
    kind: str = "check"
    size_mm: float = 3.0
    pen_mm: float = 0.5

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise UsageError(f"no tick is called {self.kind!r}", where="ticks", fix=f"Use one of: {', '.join(KINDS)}")


@dataclass(frozen=True, slots=True)
class TickTruth:
    """One mark: its word (index in `Truth.words`), the letter reached in it (None: in the margin), its ink, mm."""

    word: int
    letter: int | None
    box: Box


def draw_ticks(
    ticks: Ticks, truth: Truth, shape: tuple[int, int], seed: int
) -> tuple[ByteArray, tuple[TickTruth, ...]]:
    """Return how much of each pixel the marks cover, 0 to 255, and where they are.

    Raises
    ------
    UsageError
        A word to be marked is not on the page.
    """
    rng = np.random.default_rng([seed, 23])
    cover = np.zeros(shape, np.uint8)
    made = []
    for number in ticks.words:
        word = truth.words[number] if 0 <= number < len(truth.words) else None
        if word is None or word.line is None or not word.letters:
            raise UsageError(f"word {number} is not on the page", where="ticks", fix="Mark words that are written")
        letter = None if ticks.kind == "margin" else int(rng.integers(len(word.letters)))
        strokes = _strokes(ticks, truth, number, letter, rng)
        for stroke in strokes:
            draw_stroke(cover, stroke * truth.px_per_mm, ticks.pen_mm * truth.px_per_mm)
        points = np.concatenate(strokes)
        (left, top), (right, bottom) = points.min(0) - ticks.pen_mm / 2, points.max(0) + ticks.pen_mm / 2
        made.append(TickTruth(number, letter, Box(float(left), float(top), float(right), float(bottom))))
    return cover, tuple(made)


def _strokes(ticks: Ticks, truth: Truth, number: int, letter: int | None, rng: np.random.Generator) -> list[FloatArray]:
    """Return the strokes of one mark, mm of the captured page."""
    word = truth.words[number]
    s = ticks.size_mm * float(rng.uniform(0.8, 1.2))
    if letter is None:
        line = truth.lines[word.line or 0]
        first = truth.words[line.words[0]].letters[0]
        x = first.ink.left - float(rng.uniform(5, 9))
        return [_check(x, first.foot[1] - 0.3, s, rng)]
    ink = word.letters[letter].ink
    x = (ink.left + ink.right) / 2 + float(rng.uniform(-0.15, 0.15)) * (ink.right - ink.left)
    above = ink.top - float(rng.uniform(0.3, 0.8)) - ticks.pen_mm / 2
    if ticks.kind == "check":
        return [_check(x, above, s, rng)]
    if ticks.kind == "stroke":
        return [np.array([[x, above], [x + float(rng.uniform(-0.2, 0.2)) * s, above - 0.8 * s]])]
    if ticks.kind == "dot":
        turns = np.linspace(0, 4 * np.pi, 30)
        radius = np.linspace(0.05, 0.45, 30)
        return [np.column_stack([x + radius * np.cos(turns), above - 0.4 + radius * np.sin(turns)])]
    foot, lean = ink.bottom + 0.6, float(rng.uniform(0.1, 0.4))
    tall = foot - ink.top + 1.0
    return [np.array([[x - lean * tall / 2, foot], [x + lean * tall / 2, foot - tall]])]


def _check(x: float, y: float, s: float, rng: np.random.Generator) -> FloatArray:
    corners = np.array([[-0.35, -0.4], [0.0, 0.0], [0.6, -1.0]]) + rng.uniform(-0.07, 0.07, (3, 2)) * [[1], [0], [1]]
    return np.asarray(np.array([x, y]) + s * corners)
