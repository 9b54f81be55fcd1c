"""Which words on the page are the same ink as words of the alignment."""

from __future__ import annotations

import numpy as np

from handwriting.alignment.result import Alignment
from handwriting.words import Words


def match_words(words: Words, alignment: Alignment) -> dict[int, int]:
    """Return for each word the word of the alignment that is the same ink; words changed since have none.

    The same: nine tenths of either's ink belong to the other.
    """
    if not words.words or not alignment.words:
        return {}
    both = (words.word >= 0) & (alignment.word >= 0)
    pairs = words.word[both].astype(np.int64) * len(alignment.words) + alignment.word[both]
    names, counts = np.unique(pairs, return_counts=True)
    here = np.bincount(words.word[words.word >= 0], minlength=len(words.words))
    there = np.bincount(alignment.word[alignment.word >= 0], minlength=len(alignment.words))
    a, b = names // len(alignment.words), names % len(alignment.words)
    same = counts >= 0.9 * np.maximum(here[a], there[b])
    return {int(i): int(j) for i, j in zip(a[same], b[same], strict=True)}
