"""Count what was written, by the project's counting rule, with the interval that the words' confidences leave."""

from __future__ import annotations

import unicodedata

import numpy as np
from numpy.typing import NDArray

from handwriting.alignment.expected import Expected
from handwriting.alignment.result import Alignment, LetterTotals, WrittenWord

# A state without a question mark is a person's word.
OF_TEXT = ("written", "misspelt?", "misspelt")


def tally(words: list[WrittenWord], expected: Expected, word: NDArray[np.int32], fit: float) -> Alignment:
    """Put the words together with their counts."""
    done = {w.index for w in words if w.index is not None}
    reached = max(done) if done else None
    left_out = tuple(i for i in range(reached or 0) if i not in done)
    sure = float(np.mean([w.confidence for w in words])) if words else 0.0
    return Alignment(tuple(words), left_out, reached, _totals(words, expected, left_out), fit, sure, word)


def _totals(words: list[WrittenWord], expected: Expected, left_out: tuple[int, ...]) -> LetterTotals:
    def letters(*states: str) -> int:
        return sum(w.letters_written for w in words if w.state in states)

    kept = [w for w in words if w.state in OF_TEXT]
    kinds = [unicodedata.category(sign) for w in kept for sign in w.text or ""]
    written = letters(*OF_TEXT)
    # A word misread may be off by all its letters, one misjudged in its spelling by one.
    variance = sum((1 - w.confidence) * (w.letters_written**2 if w.state == "added" else 1.0) for w in words)
    half = int(np.ceil(1.96 * np.sqrt(variance)))
    return LetterTotals(
        written=written,
        low=max(0, written - half),
        high=written + half,
        matching=letters("written"),
        repeated=letters("repeated"),
        added=letters("added"),
        crossed_out=letters("crossed-out?", "crossed-out"),
        left_out=sum(expected.words[i].letters for i in left_out),
        capitals=kinds.count("Lu") + kinds.count("Lt"),
        digits=sum(k[0] == "N" for k in kinds),
        punctuation=sum(k[0] == "P" for k in kinds),
    )
