"""Gaps between letters and gaps between words, told from all gaps of a page and the widths of the words they leave.

Sizes are in twice the stroke pitch (see `words`), which is about an x-height.

Gaps between letters lie close about their middle, but for a few that are wider: after a lifted pen, before a capital's
neighbour, between figures. These are taken as a tail of that kind, whose share the page tells. How a gap parts what
stands on both sides is weighed too: the widths of words follow a gamma distribution of shape three (letters to a word
spread so, roughly), whose mean the page tells, so that a figure or a bracket alone is seldom a word, and neither is a
whole line.

Dots and commas belong to the word before them, dashes and hyphens to the nearer one and, where both stand close, to
both: none of them is a word by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from handwriting.geometry import FloatArray

# Imagined gaps of each kind: usual size, its weight in gaps, usual SD and its weight.
_LETTER = (0.12, 10.0, 0.2, 12.0)
_WORD = (1.1, 1.0, 0.35, 3.0)
# Of the gaps between letters those in the tail, how many gaps that is worth, where the tail begins (SDs beyond the
# middle) and how far it reaches from there on average.
_TAIL, _TAIL_WEIGHT, _TAIL_START, _TAIL_REACH = 0.1, 20.0, 1.5, 0.25
# Usual width of a word, how many words that is worth, and the shape of its distribution; how many gaps the share of
# word gaps that follows from it is worth.
_WORD_WIDTH, _WIDTH_WEIGHT, _SHAPE = 4.0, 100.0, 3.0
_SHARE_WEIGHT = 12.0
# How much more the mean gap is than the least; narrower a word cannot be.
_MEAN_MORE, _NARROWEST = 0.06, 0.2
# A stop's or comma's gap to the word before is less than this; a hyphen's gaps on both sides less than the other.
_STOP_GAP, _HYPHEN_GAP = 1.2, 0.6
_ROUNDS = 40
_ROOT = np.sqrt(2 * np.pi)


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """Units of ink from left to right, line after line, each value an array of shape (units,).

    `left`, `right` along the line, `low` and `high` above it, and the number of the line.
    """

    left: FloatArray
    right: FloatArray
    low: FloatArray
    high: FloatArray
    line: NDArray[np.int64]


def parting(row: Row, least: FloatArray, mean: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return for every gap the chance that it parts two words, and whether it stands beside a dash.

    Parameters
    ----------
    row : Row
    least, mean : ndarray, shape (gaps,)
        The least gap between neighbours of one line and the mean one over the heights of the bodies.
    """
    first = np.flatnonzero(np.diff(row.line) == 0)
    if not len(first):
        return np.empty(0), np.empty(0, np.bool_)
    tied, dash = _ties(row, first, least)
    # A space far wider than any between words (a stray mark, a blank left open) says nothing about the usual ones, nor
    # does how far two letters of a word overlap.
    gaps = np.clip(0.4 * least + 0.6 * mean - _MEAN_MORE, -0.1, 3.0)
    width = float((row.right - row.left).mean())
    return _chances(gaps, tied, row, first, float(np.clip(width / _WORD_WIDTH, 0.12, 0.85))), dash


def _ties(row: Row, first: NDArray[np.int64], least: FloatArray) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell the gaps that part no words because a mark stands beside them, and all gaps beside a dash."""
    wide, tall = row.right - row.left, row.high - row.low
    stop = (wide <= 1) & (tall < 0.65) & (row.high < 0.7)
    comma = (wide < 0.6) & (row.high < 0.55) & (row.low < 0) & (tall < 1.3)
    tied = (stop | comma)[first + 1] & (least < _STOP_GAP)
    dash = (wide < 1.6) & (wide > 1.2 * tall) & (tall < 0.45) & (row.low > 0.1) & (row.high < 1.1)
    before, after = np.full(len(wide), np.inf), np.full(len(wide), np.inf)
    before[first + 1], after[first] = least, least
    close = np.maximum(before, after) < _HYPHEN_GAP
    to_left = dash & np.isfinite(before) & ((before <= after) | close)
    to_right = dash & np.isfinite(after) & ((before > after) | close)
    return tied | to_left[first + 1] | to_right[first], dash[first] | dash[first + 1]


def _chances(
    gaps: FloatArray, tied: NDArray[np.bool_], row: Row, first: NDArray[np.int64], expected: float
) -> FloatArray:
    """Fit the two kinds by turns: chances from the kinds and the words they leave, then the kinds from the chances."""
    mean, sd, share, tail = np.array([_LETTER[0], _WORD[0]]), np.array([0.3, 0.35]), expected, _TAIL
    chance, odds, width = np.zeros(len(gaps)), np.zeros(len(gaps)), _WORD_WIDTH
    free = ~tied
    for turn in range(_ROUNDS):
        core, word = (
            np.exp(-0.5 * ((gaps - m) / s) ** 2) / (np.sqrt(2 * np.pi) * s) + 1e-9
            for m, s in zip(mean, sd, strict=True)
        )
        core *= 1 - tail
        beyond = gaps - mean[0] - _TAIL_START * sd[0]
        letter = core + np.where(beyond > 0, tail * np.exp(-beyond / _TAIL_REACH) / _TAIL_REACH, 0.0)
        likely = word * share * np.exp(odds)
        chance = likely / (letter * (1 - share) + likely)
        # One kind is the wider: beyond its middle a gap never turns back into the narrower.
        chance = np.where(gaps <= mean[0], 0.0, np.where(gaps >= mean[1], 1.0, chance)) * free
        narrow = (1 - chance) * free
        close = narrow * core / letter
        tail = (float((narrow - close).sum()) + _TAIL_WEIGHT * _TAIL) / (float(narrow.sum()) + _TAIL_WEIGHT)
        for j, (weight, (m0, k, s0, v)) in enumerate(zip((close, chance), (_LETTER, _WORD), strict=True)):
            total = float(weight.sum())
            mean[j] = (k * m0 + float(weight @ gaps)) / (k + total)
            square = float(weight @ (gaps - mean[j]) ** 2) + v * s0**2 + k * (mean[j] - m0) ** 2
            sd[j] = np.sqrt(square / (v + total))
        share = float(np.clip((chance.sum() + _SHARE_WEIGHT * expected) / (len(gaps) + _SHARE_WEIGHT), 0.02, 0.98))
        mean[1] = max(mean[1], mean[0] + 0.3)
        if turn % 2:
            # By halves: gaps that lean on one another would turn to and fro.
            fresh, width = _width_odds(row, first, chance > 0.5, width)
            odds = 0.5 * (odds + fresh)
    # The tail holds back what would part words wrongly; how sure a gap that parts them is, usual gaps tell. With the
    # tail each would lend letters a part of itself, and make their spread twice as wide.
    sure = np.where(gaps >= mean[1], 1.0, likely / (core * (1 - share) + likely))
    return np.where(chance > 0.5, sure, chance)


def _width_odds(
    row: Row, first: NDArray[np.int64], parted: NDArray[np.bool_], usual: float
) -> tuple[FloatArray, float]:
    """Return the log odds of two words for one by their widths, at each gap, the other gaps as they stand.

    `usual` is the mean width of words; also returned is that of the words as they stand, with what is usual.
    """
    starts = np.ones(len(row.left), np.bool_)
    starts[first + 1] = parted
    every = np.arange(len(starts))
    begin = np.maximum.accumulate(np.where(starts, every, 0))
    ends = np.append(starts[1:], True)
    end = np.minimum.accumulate(np.where(ends, every, len(every))[::-1])[::-1]
    left, right = row.left[begin[first]], row.right[end[first + 1]]
    parts = np.stack([row.right[first] - left, right - row.left[first + 1], right - left])
    parts = np.maximum(parts, _NARROWEST) * _SHAPE / usual
    # Of the gamma distribution; what does not depend on the width is in the share of gaps.
    one, other, both = (_SHAPE - 1) * np.log(parts) - parts
    words = np.maximum(row.right[end] - row.left, _NARROWEST)[starts]
    mean = (_WIDTH_WEIGHT * _WORD_WIDTH + float(words.sum())) / (_WIDTH_WEIGHT + len(words))
    return np.asarray(one + other - both), mean
