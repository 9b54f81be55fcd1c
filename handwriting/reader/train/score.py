"""Character error of the reader, with the diacritics counted and without."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from handwriting.reader.alphabet import CROSSED_OUT, without_marks


def edit_distance(read: str, true: str) -> int:
    """Least number of letters put in, left out or changed (Levenshtein 1966)."""
    row = list(range(len(true) + 1))
    for i, a in enumerate(read, 1):
        before, row[0] = row[0], i
        for j, b in enumerate(true, 1):
            before, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, before + (a != b))
    return row[-1]


def spoken(text: str) -> str:
    """Give the text without its struck runs, single spaces."""
    return re.sub(" +", " ", text.replace(CROSSED_OUT, "")).strip()


@dataclass(frozen=True, slots=True)
class CharacterError:
    """Edits per character of the true text, over all lines together.

    Attributes
    ----------
    full : float
        Every sign counted.
    plain : float
        Diacritics taken off both sides first.
    caseless : float
        Diacritics and case taken off both sides first.
    characters : int
        Characters of the true text.
    """

    full: float
    plain: float
    caseless: float
    characters: int


def character_error(pairs: Iterable[tuple[str, str]]) -> CharacterError:
    """Score (read, true) pairs; struck runs are left out of both."""
    edits = [0, 0, 0]
    characters = 0
    for raw_read, raw_true in pairs:
        read, true = spoken(raw_read), spoken(raw_true)
        bare, bare_true = without_marks(read), without_marks(true)
        edits[0] += edit_distance(read, true)
        edits[1] += edit_distance(bare, bare_true)
        edits[2] += edit_distance(bare.lower(), bare_true.lower())
        characters += len(true)
    n = max(characters, 1)
    return CharacterError(edits[0] / n, edits[1] / n, edits[2] / n, characters)
