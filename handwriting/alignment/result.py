"""What the alignment found: every written word and letter with its place, state and confidence, and the counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import Box

STATES = ("written", "misspelt?", "repeated", "added", "crossed-out?")


@dataclass(frozen=True, slots=True)
class WrittenLetter:
    """One sign as written: which, its box (frame px), and the chance that both are right, 0 to 1."""

    text: str
    box: Box
    confidence: float


@dataclass(frozen=True, slots=True)
class WrittenWord:
    """One word on the page.

    Attributes
    ----------
    line : int
        Line it stands on, from 0.
    box : Box
        Of its ink, frame px.
    state : str
        ``written`` as in the text; ``misspelt?`` a word of the text with other letters; ``repeated`` a word of the text
        written once more; ``added`` not in the text; ``crossed-out?``. Question marks are for a person to settle.
    text : str or None
        The word of the text, None for added and crossed-out words.
    index : int or None
        Its place among the words of the text, from 0.
    seen : str
        How it seems to be spelt, small letters without marks; for an added word what the reader sees.
    letters_written : int
        Letters counted in it.
    letters : tuple of WrittenLetter
    confidence : float
        Chance that word and state are right, 0 to 1.
    """

    line: int
    box: Box
    state: str
    text: str | None
    index: int | None
    seen: str
    letters_written: int
    letters: tuple[WrittenLetter, ...]
    confidence: float


@dataclass(frozen=True, slots=True)
class LetterTotals:
    """Letters by the counting rule.

    Attributes
    ----------
    written : int
        Letters of the words of the text as they were written, misspelt ones too.
    low, high : int
        95 % interval of `written`, from the words' confidences.
    matching : int
        Letters of the words written as in the text.
    repeated, added, crossed_out : int
        Letters of words written once more, of words that are not in the text, and (roughly) under crossings-out.
    left_out : int
        Letters of the words missing before the last word reached.
    capitals, digits, punctuation : int
        In the words of the text as written; capitals are letters too.
    """

    written: int
    low: int
    high: int
    matching: int
    repeated: int
    added: int
    crossed_out: int
    left_out: int
    capitals: int
    digits: int
    punctuation: int


@dataclass(frozen=True, slots=True)
class LetterEstimate:
    """Letters on a page whose text is not known, as far as the reader can tell, with a 95 % interval."""

    written: int
    low: int
    high: int


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """A page laid against its text.

    Attributes
    ----------
    words : tuple of WrittenWord
        In the order of the page.
    left_out : tuple of int
        Words of the text missing before the last one reached, by index.
    reached : int or None
        Index of the last word of the text reached.
    totals : LetterTotals
    fit : float
        How far ink and text agree: 1 when read to the letter, 0 when no better than with another text.
    confidence : float
        Mean confidence of the words.
    word : ndarray of int32, shape (pixels,)
        For every ink pixel of `Lines.pieces` the index of its word, or -1.
    """

    words: tuple[WrittenWord, ...]
    left_out: tuple[int, ...]
    reached: int | None
    totals: LetterTotals
    fit: float
    confidence: float
    word: NDArray[np.int32]
