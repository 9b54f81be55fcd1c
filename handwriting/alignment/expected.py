"""The known text as the aligner wants it: words with their signs, each sign numbered through the whole text."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.reader.alphabet import CROSSED_OUT, INDEX, canonical, without_marks
from handwriting.task import split_words


@dataclass(frozen=True, slots=True)
class ExpectedWord:
    """One word of the text.

    Attributes
    ----------
    text : str
        As it stands in the text, with the punctuation that touches it.
    start, end : int
        Where it stands in the text, `end` exclusive.
    signs : str
        What is looked for on the page: `text`, and any lone mark (a dash, a French colon) up to the next word.
    letters : int
        Letters in it, by the counting rule.
    """

    text: str
    start: int
    end: int
    signs: str
    letters: int


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """The text as numbered signs.

    Attributes
    ----------
    words : tuple of ExpectedWord
    word : ndarray of int64, shape (N,)
        The word of each sign.
    first, last : ndarray of int64, shape (W,)
        First and last sign of each word.
    optional : ndarray of bool, shape (N,)
        Signs often left out on paper or by the reader: punctuation.
    """

    words: tuple[ExpectedWord, ...]
    signs: str
    word: NDArray[np.int64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    optional: NDArray[np.bool_]


def is_letter(sign: str) -> bool:
    """Tell whether a sign counts as a letter."""
    return unicodedata.category(sign)[0] == "L"


def expect(text: str, most: int | None = None) -> Expected:
    """Take a text apart; it must hold at least one word.

    With `most` only its beginning, up to about so many signs, for a page holds no more of a long text than it has room.
    """
    found = split_words(text)
    words: list[ExpectedWord] = []
    signs = 0
    for i, word in enumerate(found):
        if most is not None and words and signs > most:
            break
        until = found[i + 1].start if i + 1 < len(found) else len(text)
        marks = "".join(text[word.end : until].split())
        words.append(
            ExpectedWord(
                word.text,
                word.start,
                word.end,
                canonical(word.text + marks),
                sum(is_letter(sign) for sign in unicodedata.normalize("NFC", word.text)),
            )
        )
        signs += len(words[-1].signs)
    sizes = np.array([len(w.signs) for w in words])
    last = np.cumsum(sizes) - 1
    every = "".join(w.signs for w in words)
    return Expected(
        tuple(words),
        every,
        np.repeat(np.arange(len(words)), sizes),
        last - sizes + 1,
        last,
        np.array([not sign.isalnum() for sign in every]),
    )


def likeness(signs: str) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Return for each sign the reader's classes that may stand for it, with what each costs.

    A capital for a small letter and a letter without its mark are the same letter in another dress: readers and
    writers alike mix them up. Shape (N, K), padded by repeating the first.

    Returns
    -------
    classes : ndarray of int64, shape (N, K)
        0 for a sign the reader does not know: only the floor bears it.
    costs : ndarray of float32, shape (N, K)
    """
    rows = []
    for sign in signs:
        bare = without_marks(sign)
        kin = {sign: 0.0}
        for other, cost in ((_other_case(sign), 0.7), (bare, 1.0), (_other_case(bare), 1.7)):
            if len(other) == 1 and other not in kin:
                kin[other] = cost
        rows.append([(INDEX[s], c) for s, c in kin.items() if s in INDEX and s != CROSSED_OUT] or [(0, 50.0)])
    most = max(len(row) for row in rows)
    padded = [row + [row[0]] * (most - len(row)) for row in rows]
    pairs = np.array(padded, dtype=np.float64)
    return pairs[..., 0].astype(np.int64), pairs[..., 1].astype(np.float32)


def _other_case(sign: str) -> str:
    return sign.lower() if sign.isupper() else sign.upper()
