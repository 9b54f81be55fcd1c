"""Lay a page against its text without reading it: by gaps, widths of words, and what stands up and hangs down.

Every stretch of ink between two gaps that may part words is weighed against every word of the text: its width against
the sum of the letters' usual widths, and the outline of its tops and feet, in a dozen bins, against the tall and
hanging letters of the word. Dynamic programming over the page's gaps and the text's words, with the moves of `path`,
gives the likeliest account. It tells what was reached and left out where words differ enough; it knows no letters, so
it never speaks of spelling or of crossings-out.

Source of the idea: alignment of word pictures with a known text by dynamic programming, Kornfield, Manmatha & Allan
2004 (recalled, not re-read). Letter widths and spreads: set by hand from usual hands (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from handwriting.alignment.evidence import LineView, find_gaps, views_of
from handwriting.alignment.expected import Expected, expect, is_letter
from handwriting.alignment.path import Costs, best_entries, jump_prices
from handwriting.alignment.result import Alignment, WrittenLetter, WrittenWord
from handwriting.alignment.spans import box_of, part, share_out
from handwriting.alignment.tally import tally
from handwriting.geometry import FloatArray
from handwriting.lines import Lines

_BINS = 12
# A line or two say little about the x-height: it is tried at several sizes.
_FEW_LINES = 2
SIZES = (1.0, 0.75, 0.6, 0.45)
# Widths of letters with the space beside them, x-heights; the rest take 1.
_WIDTHS = {**dict.fromkeys("ijl", 0.5), **dict.fromkeys("ftr", 0.7), **dict.fromkeys("mw", 1.5)}
_MARK_WIDTH, _CAPITAL_WIDTH = 0.35, 1.3
_TALL, _DEEP = "bdfhkl", "gjpqy"
# Spread of the log of a word's width against what is expected, and of tops and feet in a bin, x-heights.
_WIDTH_SD, _EDGE_SD = 0.22, 0.45
# The bins of one word stand for about this many independent ones.
_WORTH = 5.0
# Usual width of a letter, and how many words that knowledge is worth.
_LETTER, _LETTER_WORTH = 0.95, 4.0
# So much of a text is looked for on the shortest page.
_LEAST_ROOM = 600
_LEAST_PARTING, _MOST_GAPS, _WIDEST = 0.03, 14, 16.0
# What a stretch that is no word of the text costs, and each of its letters' widths.
_ADDED, _ADDED_LETTER = 4.0, 1.0
# Without reading no word is surer than this.
_MOST_SURE = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """Ink between two places where words may part: places before and after, width, outline, chance of such ends."""

    view: int
    start: int
    stop: int
    low: float
    high: float
    width: float
    outline: FloatArray
    gaps: float


def align_silhouette(lines: Lines, text: str) -> Alignment:
    """Lay a page against a text without a reader; see `align.align`.

    `Alignment.fit` is how much better the text fits than the same words in another order, 0 to 1.
    """
    views = views_of(lines)
    # Twice what the page can hold, a letter being about an x-height wide.
    room = 2 * sum(float(np.ptp(v.upright)) / lines.lines[v.line].x_height for v in views)
    expected = expect(text, max(_LEAST_ROOM, int(room)))
    tried = [_stretches(lines, views, size) for size in (SIZES if len(views) <= _FEW_LINES else SIZES[:1])]
    found = [_best(stretches, places, expected) for stretches, places in tried]
    which = max(range(len(found)), key=lambda i: found[i][0])
    (stretches, places), (score, chosen) = tried[which], found[which]
    shuffled = np.random.default_rng(0).permutation(len(expected.words))
    other, _ = _best(stretches, places, expect(" ".join(expected.words[i].text for i in shuffled)))
    fit = float(np.clip((score - other) / max(1.0, abs(other)), 0.0, 1.0)) if len(shuffled) > 1 else 1.0
    return _described(views, lines, expected, chosen, fit)


def _stretches(lines: Lines, views: list[LineView], scale: float) -> tuple[list[_Stretch], int]:
    """Return every stretch that may be a word, and how many places there are, numbered through the page."""
    gaps = find_gaps(lines, views, scale)
    out: list[_Stretch] = []
    place = 0
    for number, view in enumerate(views):
        size = scale * lines.lines[view.line].x_height
        left, right = float(view.upright.min()), float(view.upright.max()) + 1
        mine = [(a, b, p) for i, a, b, p in gaps if i == number and p > _LEAST_PARTING and left < a and b < right]
        ends = [(left, left, 0.97), *mine, (right, right, 0.97)]
        tops, feet, origin = _outlines(view)
        for i in range(len(ends) - 1):
            inner = 0.0
            for j in range(i + 1, min(len(ends), i + 1 + _MOST_GAPS)):
                low, high = ends[i][1], ends[j][0]
                width = (high - low) / size
                if width > _WIDEST and j > i + 1:
                    break
                outline = _binned(tops, feet, low - origin, high - origin) / size
                # The gap at its start is the one before's end; each is counted once.
                said = inner + float(np.log(ends[j][2]))
                out.append(_Stretch(number, place + i, place + j, low, high, max(width, 0.05), outline, said))
                inner += float(np.log1p(-ends[j][2]))
        place += len(ends) - 1
    return out, place + 1


def _outlines(view: LineView) -> tuple[FloatArray, FloatArray, float]:
    """Return the highest and lowest ink of every upright column, and the first column."""
    origin = float(np.floor(view.upright.min()))
    column = (view.upright - origin).astype(np.int64)
    tops = np.full(int(column.max()) + 1, -np.inf)
    feet = np.full(len(tops), np.inf)
    np.maximum.at(tops, column, view.above)
    np.minimum.at(feet, column, view.above)
    return tops, feet, origin


def _binned(tops: FloatArray, feet: FloatArray, low: float, high: float) -> FloatArray:
    """Return tops then feet of the bins of a stretch; where a bin holds no ink, a small letter's."""
    edges = np.clip(np.linspace(low, high, _BINS + 1).astype(int), 0, len(tops) - 1)
    starts, stops = edges[:-1], np.maximum(edges[1:], edges[:-1] + 1)
    top = np.array([tops[a:b].max() for a, b in zip(starts, stops, strict=True)])
    foot = np.array([feet[a:b].min() for a, b in zip(starts, stops, strict=True)])
    usual = float(np.median(top[np.isfinite(top)])) if np.isfinite(top).any() else 0.0
    return np.concatenate([np.where(np.isfinite(top), top, usual), np.where(np.isfinite(foot), foot, 0.0)])


def _width_of(sign: str) -> float:
    if not sign.isalnum():
        return _MARK_WIDTH
    return _CAPITAL_WIDTH if sign.isupper() else _WIDTHS.get(sign, 1.0)


def _shape(signs: str) -> tuple[float, FloatArray]:
    """Return a word's usual width in letters, and the tops and feet of its bins in x-heights."""
    widths = np.array([_width_of(s) for s in signs])
    ends = np.cumsum(widths) / widths.sum()
    owner = np.minimum(np.searchsorted(ends, (np.arange(_BINS) + 0.5) / _BINS), len(signs) - 1)
    top = np.array([1.9 if s in _TALL or s.isupper() or s.isdigit() else 1.4 if s in "ti" else 1.0 for s in signs])
    foot = np.array([-0.8 if s in _DEEP else 0.0 for s in signs])
    return float(widths.sum()), np.concatenate([top[owner], foot[owner]])


def _best(stretches: list[_Stretch], places: int, expected: Expected) -> tuple[float, list[tuple[_Stretch, int]]]:
    """Return the score of the likeliest account and its stretches, each with its word or -1."""
    shapes = [_shape(w.signs) for w in expected.words]
    usual = np.array([w for w, _ in shapes])
    outline = np.array([o for _, o in shapes])
    width = np.log([s.width for s in stretches])
    seen = np.array([s.outline for s in stretches])
    look = -0.5 * _WORTH * (((seen[:, None] - outline) / _EDGE_SD) ** 2).mean(2)
    letter = _LETTER
    chosen: list[tuple[_Stretch, int]] = []
    score = 0.0
    for _ in range(2):
        fits = look - 0.5 * ((width[:, None] - np.log(letter * usual)) / _WIDTH_SD) ** 2
        score, chosen = _search(stretches, fits, places)
        ours = [(s.width, usual[w]) for s, w in chosen if w >= 0]
        logs = [np.log(a / b) for a, b in ours]
        letter = float(np.exp((sum(logs) + _LETTER_WORTH * np.log(_LETTER)) / (len(logs) + _LETTER_WORTH)))
    return score, chosen


def _search(stretches: list[_Stretch], fits: FloatArray, places: int) -> tuple[float, list[tuple[_Stretch, int]]]:
    """Go through the places of the page; at each, the best score of having come so far in the text."""
    costs = Costs()
    words = fits.shape[1]
    best = np.full((places, words + 1), -1e9, np.float32)
    best[0, 0] = 0.0
    came = np.full((places, words + 1), -1, np.int32)
    added = np.zeros((places, words + 1), np.bool_)
    foreign = [_ADDED + _ADDED_LETTER * s.width / _LETTER for s in stretches]
    by_start: list[list[int]] = [[] for _ in range(places)]
    for i, stretch in enumerate(stretches):
        by_start[stretch.start].append(i)
    entries = np.empty((places, words), np.float32)
    for place in range(places):
        entries[place] = best_entries(best[place], costs)
        for i in by_start[place]:
            stop, said = stretches[i].stop, stretches[i].gaps
            for value, new, kind in (
                (entries[place] + fits[i] + said, best[stop, 1:], False),
                (best[place] - foreign[i] + said, best[stop], True),
            ):
                better = value > new
                new[better] = value[better]
                columns = np.flatnonzero(better) + (0 if kind else 1)
                came[stop, columns], added[stop, columns] = i, kind
    chosen: list[tuple[_Stretch, int]] = []
    state = int(np.argmax(best[-1]))
    score, place = float(best[-1, state]), places - 1
    while place > 0:
        stretch = stretches[int(came[place, state])]
        if added[place, state]:
            chosen.append((stretch, -1))
        else:
            word = state - 1
            chosen.append((stretch, word))
            state = int(np.argmax(best[stretch.start] - jump_prices(words + 1, word, costs)))
        place = stretch.start
    return score, chosen[::-1]


def _described(
    views: list[LineView], lines: Lines, expected: Expected, chosen: list[tuple[_Stretch, int]], fit: float
) -> Alignment:
    """Turn the stretches into words with their ink and letters."""
    owner = np.full(len(lines.line), -1, np.int32)
    words: list[WrittenWord] = []
    done: set[int] = set()
    sure = min(_MOST_SURE, 0.5 + fit)
    for number, view in enumerate(views):
        row = [(s, w) for s, w in chosen if s.view == number]
        cuts = np.array([0.5 * (a.high + b.low) for (a, _), (b, _) in pairwise(row)])
        share = share_out(view, lines, cuts, np.arange(len(view.pixels)))
        for i, (stretch, index) in enumerate(row):
            mine = np.flatnonzero(share == i)
            if not len(mine):
                continue
            pixels = view.pixels[mine]
            owner[pixels] = len(words)
            box = box_of(lines, pixels)
            if index < 0:
                count = max(1, round(stretch.width / _LETTER))
                words.append(WrittenWord(view.line, box, "added", None, None, "", count, (), 0.5 * sure))
                continue
            word = expected.words[index]
            state = "repeated" if index in done else "written"
            done.add(index)
            letters = _letters(view, lines, mine, word.signs, sure)
            words.append(WrittenWord(view.line, box, state, word.text, index, "", word.letters, letters, sure))
    return tally(words, expected, owner, fit)


def _letters(
    view: LineView, lines: Lines, mine: NDArray[np.int64], signs: str, sure: float
) -> tuple[WrittenLetter, ...]:
    """Part a word's ink by the usual widths of its letters, each cut where the ink is thinnest nearby."""
    left, right = float(view.upright[mine].min()), float(view.upright[mine].max()) + 1
    widths = np.array([_width_of(s) for s in signs])
    at = left + (right - left) * np.cumsum(widths)[:-1] / widths.sum()
    reach = 0.3 * (right - left) / widths.sum()
    cuts = np.maximum.accumulate(part(view, at - reach, at + reach)) if len(at) else at
    number = share_out(view, lines, cuts, mine)
    out = []
    for i, sign in enumerate(signs):
        own = mine[number == i]
        if len(own) and (is_letter(sign) or sign.isalnum()):
            out.append(WrittenLetter(sign, box_of(lines, view.pixels[own]), 0.5 * sure))
    return tuple(out)
