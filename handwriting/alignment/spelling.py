"""How a word was spelt: the chance that its ink shows the expected letters, against every spelling near them.

For a word and its frames the reader's evidence gives each spelling a likelihood: the sum over all ways to lay its
letters on the frames (the forward sum of connectionist temporal classification, Graves et al. 2006). The spellings
weighed are the expected one, what the reader reads freely, and all that differ from the expected by one letter left
out, added, doubled, changed or swapped with its neighbour, the letters to be tried being those the reader sees there.
Capitals and marks are set aside. Nothing here moves the ink towards the expected spelling but its prior chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray
from handwriting.reader.alphabet import ALPHABET, BLANK, CROSSED_OUT, without_marks

# Prior chance that a copied word is not spelt as in the text, spread over the spellings weighed.
_PRIOR = 0.04
# The reader is surer than it is right: likelihoods are softened by this power before they are weighed.
_POWER = 0.6
_TRIED = 2


@dataclass(frozen=True, slots=True)
class Spelling:
    """The likeliest spelling of a word.

    Attributes
    ----------
    letters : str
        Small letters and digits without marks.
    expected : float
        Chance that the expected spelling is what was written, 0 to 1.
    lack : float
        How much likelier the ink is under what the reader sees freely than under the expected spelling, nats a sign.
    """

    letters: str
    expected: float
    lack: float


@cache
def _folding() -> tuple[str, NDArray[np.int64]]:
    """Return the plain signs and, for each class of the reader, the plain sign it counts as (-1 for none)."""
    plain = [without_marks(sign).lower()[:1] for sign in ALPHABET]
    signs = "".join(sorted({p for p in plain if p.isalnum()}))
    number = np.array([-1] + [signs.find(p) if p.isalnum() else -1 for p in plain])
    return signs, number


def plain_letters(text: str) -> str:
    """Return the letters and digits of a text, small and without marks."""
    return "".join(sign for sign in without_marks(text).lower() if sign.isalnum())


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
    return np.maximum(out, out.max(1, keepdims=True) - 9.0)


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
    sure = float(scores.max(1).sum())
    mine = float(likelihoods(scores, [expected])[0])
    lack = max(0.0, sure - mine) / len(expected)
    if read == expected or lack * len(expected) < 1.0:
        return Spelling(expected, 1.0 - _PRIOR * np.exp(-1.0), lack)
    seen = _seen(scores, plain)
    tried = _near(expected, seen) | ({read} if read else set())
    best, chance = _best(scores, expected, tried - {expected})
    if best != expected:
        more = _near(best, seen) | tried
        best, chance = _best(scores, expected, more - {expected})
    return Spelling(best, chance, lack)


def _best(scores: FloatArray, expected: str, others: set[str]) -> tuple[str, float]:
    spellings = [expected, *sorted(others)]
    weight = _POWER * likelihoods(scores, spellings)
    weight[0] += np.log(1 - _PRIOR)
    weight[1:] += np.log(_PRIOR / max(1, len(spellings) - 1))
    weight = np.exp(weight - weight.max())
    chance = float(weight[0] / weight.sum())
    place = 0 if chance >= 0.5 else 1 + int(np.argmax(weight[1:]))
    return spellings[place], chance


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
