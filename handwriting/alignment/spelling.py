"""How a word was spelt: the chance that its ink shows the expected letters, against every spelling near them.

For a word and its frames the reader's evidence gives each spelling a likelihood: the sum over all ways to lay its
letters on the frames (the forward sum of connectionist temporal classification, Graves et al. 2006). The spellings
weighed are the expected one, what the reader reads freely, and all that differ from the expected by one letter left
out, added, doubled, changed or swapped with its neighbour, the letters to be tried being those the reader sees there.
Capitals and marks are set aside. Nothing here moves the ink towards the expected spelling but its prior chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import SequenceMatcher
from functools import cache

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.reader.alphabet import ALPHABET, BLANK, CROSSED_OUT, without_marks

# No sign is less likely than the best by more than this, nats: the reader is surer than it is right.
_FLOOR = 12.0
# How many of the reader's best guesses for a sign are tried in its place.
_TRIED = 2
# A spelling counts as seen otherwise when its ink speaks this much for another, nats.
_OTHERWISE = 1.5
# Readers misread; on a page of few words this is how often a word is taken to be, and for how many words that counts.
_MISREAD, _WORTH = 0.25, 6.0
# Log odds that a word is misspelt, from the evidence and from the share of the page's words seen otherwise: fitted to
# drawn pages with known slips (`tests/benchmarks/alignment.py --fit`).
_ODDS = (-5.9, 0.52, -1.07, -0.68, -2.6)


@dataclass(frozen=True, slots=True)
class Spelling:
    """The likeliest spelling of a word other than the expected, and how it stands against it.

    Attributes
    ----------
    letters : str
        Small letters and digits without marks.
    against : float
        How much more the ink speaks for it than for the expected spelling, nats; negative when it speaks for that.
    slip : tuple
        What sets it apart from the expected spelling: pairs of letters expected and seen.
    slips : int
        Letters left out, added, changed, or swapped with their neighbour; 2 for two and more.
    """

    letters: str
    against: float
    slip: tuple[tuple[str, str], ...]
    slips: int = 0


@cache
def _folding() -> tuple[str, NDArray[np.int64]]:
    """Return the plain signs and, for each class of the reader, the plain sign it counts as (-1 for none)."""
    plain = [without_marks(sign).lower()[:1] for sign in ALPHABET]
    signs = "".join(sorted({p for p in plain if p.isalnum()}))
    number = np.array([-1] + [signs.find(p) if p.isalnum() else -1 for p in plain])
    return signs, number


def plain_letters(text: str) -> str:
    """Return the letters and digits of a text that the reader knows, small and without marks."""
    known, _ = _folding()
    return "".join(sign for sign in without_marks(text).lower() if sign in known)


def fold(signs: NDArray[np.float32]) -> FloatArray:
    """Return log scores of plain signs, shape (T, plain signs + 1), column 0 for nothing (blank, space, punctuation).

    Each plain sign has the best of its own; struck-out ink counts for none.
    """
    plain, number = _folding()
    out = np.full((len(signs), len(plain) + 1), -30.0)
    order = np.argsort(number, kind="stable")
    kinds, starts = np.unique(number[order], return_index=True)
    best = np.maximum.reduceat(signs[:, order], starts, axis=1)
    for column, kind in enumerate(kinds):
        if kind >= 0:
            out[:, kind + 1] = best[:, column]
    loose = np.flatnonzero(number == -1)
    loose = loose[(loose == BLANK) | (loose != 1 + ALPHABET.index(CROSSED_OUT))]
    out[:, 0] = signs[:, loose].max(1)
    return np.asarray(np.maximum(out, out.max(1, keepdims=True) - _FLOOR), np.float64)


def weigh(scores: FloatArray, expected: str) -> Spelling:
    """Weigh the spellings of one word.

    Parameters
    ----------
    scores : ndarray, shape (frames, plain signs + 1)
        See `fold`: the word's own frames.
    expected : str
        As `plain_letters` gives it; at least one sign.
    """
    plain, _ = _folding()
    read = _freely(scores, plain)
    # Of a word of one sign too little is seen to tell another spelling from a misreading.
    if read == expected or len(expected) == 1:
        return Spelling(expected, -_FLOOR, ())
    if float(scores.max(1).sum()) - float(likelihoods(scores, [expected])[0]) < _OTHERWISE:
        return Spelling(expected, -_FLOOR, ())
    seen = _seen(scores, plain)
    if expected.isalpha():
        # A figure among letters is misread, not misspelt.
        seen = ["".join(sign for sign in signs if sign.isalpha()) for signs in seen]
        read = "".join(sign for sign in read if sign.isalpha())
    tried = _near(expected, seen) | ({read} if read else set())
    best, against = _likeliest(scores, expected, tried)
    if against > 0:
        best, against = _likeliest(scores, expected, tried | _near(best, seen))
    return Spelling(best, against, _slip(expected, best), _slips(expected, best))


def chances(spellings: list[Spelling]) -> list[float]:
    """Return for each word of a page the chance that it is spelt as expected, given how the others are seen.

    Where many words are seen otherwise the reader misreads this hand, and where the same letter is taken for the same
    other one again it is how the hand makes that letter: neither speaks for misspelling.
    """
    otherwise = np.array([s.against > _OTHERWISE for s in spellings], np.float64)
    out = []
    for i, spelling in enumerate(spellings):
        noise = (otherwise.sum() - otherwise[i] + _MISREAD * _WORTH) / (len(spellings) - 1 + _WORTH)
        again = sum(bool(set(s.slip) & set(spelling.slip)) for s in spellings) - 1 if spelling.slip else 0
        out.append(float(1 / (1 + np.exp(features(spelling, noise, again) @ np.array(_ODDS)))))
    return out


def features(spelling: Spelling, noise: float, again: int) -> FloatArray:
    """Return what the log odds of a misspelling are a weighted sum of.

    One, what the ink speaks against the expected spelling, the page's noise, how often the same slip is seen again, and
    whether more than one slip would be needed: writers make one slip in a word, readers several.
    """
    against = float(np.clip(spelling.against, -_FLOOR, 14.0))
    return np.array([1.0, against, np.log(noise), min(again, 3), float(spelling.slips > 1)])


def _slip(expected: str, other: str) -> tuple[tuple[str, str], ...]:
    moves = SequenceMatcher(None, expected, other, autojunk=False).get_opcodes()
    return tuple((expected[a:b], other[c:d]) for tag, a, b, c, d in moves if tag != "equal")


def _slips(expected: str, other: str) -> int:
    """Return 0 for the same word, 1 where one slip makes the one of the other, else 2."""
    if expected == other:
        return 0
    least = min(len(expected), len(other))
    start = next((i for i in range(least) if expected[i] != other[i]), least)
    a, b = expected[start:], other[start:]
    swapped = len(a) > 1 and a[:2] == b[1::-1] and a[2:] == b[2:]
    return 1 if swapped or a[1:] in (b, b[1:]) or a == b[1:] else 2


def _likeliest(scores: FloatArray, expected: str, others: set[str]) -> tuple[str, float]:
    spellings = [expected, *sorted(others - {expected})]
    weight = likelihoods(scores, spellings)
    place = 1 + int(np.argmax(weight[1:]))
    return spellings[place], float(np.clip(weight[place] - weight[0], -_FLOOR, 50.0))


def _freely(scores: FloatArray, plain: str) -> str:
    best = scores.argmax(1)
    kept = best[np.concatenate([[True], best[1:] != best[:-1]])]
    return "".join(plain[i - 1] for i in kept if i)


def _seen(scores: FloatArray, plain: str) -> list[str]:
    """Return for each sign the reader sees its best readings, the signs in order."""
    best = scores.argmax(1)
    out = []
    for t in np.flatnonzero((best > 0) & (np.concatenate([[0], best[:-1]]) != best)):
        ranked = np.argsort(scores[t, 1:])[::-1][: _TRIED + 1]
        out.append("".join(plain[i] for i in ranked))
    return out


def _near(word: str, seen: list[str]) -> set[str]:
    """Return the spellings one slip away, new letters taken from what is seen about the same place."""
    out = set()
    for i in range(len(word) + 1):
        about = "".join(seen[max(0, i - 1) : i + 2])
        for sign in set(about):
            out.add(word[:i] + sign + word[i:])
            if i < len(word):
                out.add(word[:i] + sign + word[i + 1 :])
        if i < len(word):
            out.add(word[: i + 1] + word[i:])
            out.add(word[:i] + word[i + 1 :])
        if i + 1 < len(word):
            out.add(word[:i] + word[i + 1] + word[i] + word[i + 2 :])
    return {spelling for spelling in out if spelling}


def likelihoods(scores: FloatArray, spellings: list[str]) -> FloatArray:
    """Return the log likelihood of the frames under each spelling: the forward sum over all its layings-out.

    Parameters
    ----------
    scores : ndarray, shape (T, plain signs + 1)
    spellings : list of str
        Plain signs only; none empty.

    Returns
    -------
    ndarray, shape (len(spellings),)
        -inf where the frames are too few.
    """
    plain, _ = _folding()
    longest = max(len(s) for s in spellings)
    states = np.zeros((len(spellings), 2 * longest + 1), np.int64)
    for k, spelling in enumerate(spellings):
        states[k, 1 : 2 * len(spelling) : 2] = [plain.index(sign) + 1 for sign in spelling]
    # From the sign before past the blank between, unless both are the same.
    leap = np.zeros(states.shape, np.bool_)
    leap[:, 3::2] = states[:, 3::2] != states[:, 1:-2:2]
    top = scores.max(1)
    chance = np.exp(scores - top[:, None])
    alpha = np.zeros(states.shape)
    alpha[:, :2] = chance[0][states[:, :2]]
    total = np.full(len(spellings), top[0])
    dead = np.zeros(len(spellings), np.bool_)
    for t in range(1, len(scores)):
        moved = alpha.copy()
        moved[:, 1:] += alpha[:, :-1]
        moved[:, 2:] += np.where(leap[:, 2:], alpha[:, :-2], 0.0)
        alpha = moved * chance[t][states]
        size = alpha.sum(1)
        dead |= size <= 0
        size = np.where(dead, 1.0, size)
        alpha /= size[:, None]
        total += np.log(size) + top[t]
    ends = np.array([2 * len(s) for s in spellings])
    rows = np.arange(len(spellings))
    final = alpha[rows, ends] + alpha[rows, ends - 1]
    with np.errstate(divide="ignore"):
        return np.asarray(np.where(dead, -np.inf, total + np.log(final)), np.float64)
