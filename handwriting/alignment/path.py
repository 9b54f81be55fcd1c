"""The likeliest way through the known text for a row of frames: dynamic programming over the whole page.

States
    For each sign of the text the sign itself and the blank after it, as in connectionist temporal classification
    (Graves et al. 2006); for each place between words (0 before the first, i after the i-th) the space there, a word
    that is not in the text (added) and a run of struck-out ink.
Moves between words
    On to the next word, free. On past some words (left out), back to an earlier one (written twice): each at a price,
    plus a little for each word jumped over, up to a limit, for an eye that loses its line jumps far. The page may end
    after any word, free, or within one, at a price.
Moves within a word
    No sign need cost more than `floor` for a frame, nor more than `bare` where there is no ink: a sign the reader sees
    otherwise is borne, an extra one for `extra`. A sign may be passed over.

Costs are natural logs of chances: set by hand from how rare each is in copies (common practice, no source) and checked
on drawn pages.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from handwriting.alignment.evidence import Evidence
from handwriting.alignment.expected import Expected, likeness
from handwriting.reader.alphabet import BLANK, CROSSED_OUT, INDEX

LETTER, AFTER, SPACE, ADDED, STRUCK = range(5)
_NEVER = -1e9


@dataclass(frozen=True, slots=True)
class Costs:
    """What each departure from the text costs, nats."""

    floor: float = 4.0
    bare: float = 12.0
    extra: float = 6.0
    extra_struck: float = 9.0
    unread: float = 1.0
    passed_over: float = 4.5
    mark_passed_over: float = 0.7
    skip: float = 7.0
    skip_each: float = 0.8
    skip_most: float = 15.0
    back: float = 6.5
    back_each: float = 1.0
    back_most: float = 18.0
    added: float = 4.0
    struck: float = 1.0
    any_sign: float = 2.8
    stop_within: float = 4.0
    gap_weight: float = 0.7


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The likeliest states of the frames.

    Attributes
    ----------
    kind : ndarray of int8, shape (T,)
        LETTER, AFTER (the blank after a sign), SPACE, ADDED or STRUCK.
    place : ndarray of int32, shape (T,)
        The sign (LETTER, AFTER) or the place between words (the others).
    visit : ndarray of int32, shape (T,)
        Number of the visit: goes up by one each time a word, an added word or a struck run is begun.
    score : float
        Log probability of the path.
    """

    kind: NDArray[np.int8]
    place: NDArray[np.int32]
    visit: NDArray[np.int32]
    score: float


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Log scores of the frames: signs (T, N), and (T,) for blank, space, added word, struck run, and the gaps' say."""

    letter: NDArray[np.float32]
    blank: NDArray[np.float32]
    space: NDArray[np.float32]
    added: NDArray[np.float32]
    struck: NDArray[np.float32]
    enter: NDArray[np.float32]
    across: NDArray[np.float32]


def score_frames(evidence: Evidence, expected: Expected, costs: Costs) -> Scores:
    """Turn the frames' evidence into the scores of the states."""
    signs, parting = evidence.signs, evidence.parting
    space = INDEX[" "]
    struck = INDEX[CROSSED_OUT]
    seen = np.delete(signs, [BLANK, space, struck], axis=1).max(1)
    best = np.maximum(np.maximum(seen, signs[:, BLANK]), signs[:, struck])
    floor = (best - np.where(evidence.bare, costs.bare, costs.floor)).astype(np.float32)
    apart = signs[:, struck] >= best
    extra = (best - np.where(apart, costs.extra_struck, costs.extra)).astype(np.float32)
    classes, prices = likeness(expected.signs)
    letter = np.full((len(signs), len(expected.signs)), -np.inf, np.float32)
    for k in range(classes.shape[1]):
        np.maximum(letter, signs[:, classes[:, k]] - prices[:, k], out=letter)
    np.maximum(letter, floor[:, None], out=letter)
    # Where the reader sees a sign there is one, be it another: no passing it by as white, however unsure the reader is.
    white = signs[:, BLANK] - np.where(_peaks(signs), costs.unread, 0.0).astype(np.float32)
    empty = np.logaddexp(white, signs[:, space])
    across = np.where(evidence.crossing, costs.gap_weight * np.log1p(-parting), 0.0)
    # What stands in a word that is not in the text may be any sign.
    most = signs.argmax(1)
    again = np.concatenate([[False], (most[1:] == most[:-1]) & (most[1:] != BLANK)])
    loose = best - np.where(again, 0.0, costs.any_sign).astype(np.float32)
    struck_out = np.maximum(signs[:, struck], np.minimum(loose + evidence.struck, best))
    struck_out = np.maximum(struck_out, white + np.where(most == BLANK, evidence.struck, 0.0))
    return Scores(
        letter,
        np.maximum(white, extra),
        np.maximum(empty, extra),
        np.maximum(white, loose),
        struck_out.astype(np.float32),
        (costs.gap_weight * np.log(parting)).astype(np.float32),
        across.astype(np.float32),
    )


def _peaks(signs: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the frame of every run of signs at which the reader is least likely to see none."""
    white = np.logaddexp(signs[:, BLANK], signs[:, INDEX[" "]])
    inside = np.concatenate([[False], np.isin(signs.argmax(1), [BLANK, INDEX[" "]], invert=True), [False]])
    starts, stops = np.flatnonzero(np.diff(inside.astype(np.int8))).reshape(-1, 2).T
    peaks = np.zeros(len(signs), np.bool_)
    for a, b in zip(starts, stops, strict=True):
        peaks[a + int(white[a:b].argmin())] = True
    return peaks


def find_path(scores: Scores, expected: Expected, costs: Costs) -> Path:
    """Find the likeliest path.

    Returns
    -------
    Path
        Of as many frames as `scores` has; at least one.
    """
    return _Search(scores, expected, costs).run()


class _Search:
    """One search: the scores of every state at every frame; where each came from is worked out on the way back only.

    Row t of each table holds the scores before frame t; row 0 the start.
    """

    def __init__(self, scores: Scores, expected: Expected, costs: Costs) -> None:
        self.s, self.e, self.c = scores, expected, costs
        frames, signs = scores.letter.shape
        places = len(expected.words) + 1
        self.letter = np.full((frames + 1, signs), _NEVER, np.float32)
        self.after = np.full((frames + 1, signs), _NEVER, np.float32)
        self.space = np.full((frames + 1, places), _NEVER, np.float32)
        self.added = np.full((frames + 1, places), _NEVER, np.float32)
        self.struck = np.full((frames + 1, places), _NEVER, np.float32)
        self.space[0, 0] = 0.0
        inner = np.ones(signs, np.bool_)
        inner[expected.first] = False
        low = expected.signs.lower()
        same = np.array([False, *(a == b for a, b in pairwise(low))], np.bool_)
        over = np.where(expected.optional, costs.mark_passed_over, costs.passed_over).astype(np.float32)
        # Prices of coming from the sign before, from its blank, and from the sign two before, passing over one.
        self.step = np.where(inner & ~same, 0.0, -_NEVER).astype(np.float32)[1:]
        self.step_blank = np.where(inner, 0.0, -_NEVER).astype(np.float32)[1:]
        self.over = np.where(inner[2:] & inner[1:-1], over[1:-1], -_NEVER).astype(np.float32)
        # A word of two signs or more may begin with its second or end with its last but one.
        longer = expected.last > expected.first
        self.seconds = np.minimum(expected.first + 1, expected.last)
        self.first_over = np.where(longer, over[expected.first], -_NEVER).astype(np.float32)
        self.before_last = np.maximum(expected.last - 1, expected.first)
        self.last_over = np.where(longer, over[expected.last], -_NEVER).astype(np.float32)

    def run(self) -> Path:
        """Go through the frames and trace the way back."""
        best = np.empty(self.letter.shape[1], np.float32)
        for t in range(len(self.s.blank)):
            self._frame(t, best)
        return self._trace()

    def _frame(self, t: int, best: NDArray[np.float32]) -> None:
        s, e, c = self.s, self.e, self.c
        letter, after, space = self.letter[t], self.after[t], self.space[t]
        across = s.across[t]
        both = self.after[t + 1]
        np.maximum(letter, after, out=both)
        np.copyto(best, letter)
        np.maximum(best[1:], letter[:-1] - self.step, out=best[1:])
        np.maximum(best[1:], after[:-1] - self.step_blank, out=best[1:])
        np.maximum(best[2:], both[:-2] - self.over, out=best[2:])
        if across:
            best += across
        into = best_entries(space, c)
        best[e.first] = np.maximum(best[e.first], into)
        best[self.seconds] = np.maximum(best[self.seconds], into - self.first_over)
        np.add(best, s.letter[t], out=self.letter[t + 1])
        ended = np.maximum(both[e.last], both[self.before_last] - self.last_over)
        both += s.blank[t] + across
        foreign = np.maximum(self.added[t], self.struck[t])
        np.maximum(foreign[1:], ended, out=foreign[1:])
        np.maximum(space, foreign + s.enter[t], out=foreign)
        np.add(foreign, s.space[t], out=self.space[t + 1])
        np.add(np.maximum(self.added[t] + across, space - c.added), s.added[t], out=self.added[t + 1])
        np.add(np.maximum(self.struck[t] + across, space - c.struck), s.struck[t], out=self.struck[t + 1])

    def _trace(self) -> Path:
        e, frames = self.e, len(self.s.blank)
        within = np.full(len(e.signs), self.c.stop_within, np.float32)
        within[self.before_last] = np.minimum(within[self.before_last], self.last_over)
        within[e.last] = 0.0
        ends = (
            self.letter[frames] - within,
            self.after[frames] - within,
            self.space[frames],
            self.added[frames],
            self.struck[frames],
        )
        kind = int(np.argmax([x.max() for x in ends]))
        place = int(np.argmax(ends[kind]))
        score = float(ends[kind][place])
        kinds, places = np.zeros(frames, np.int8), np.zeros(frames, np.int32)
        begun = np.zeros(frames, np.bool_)
        for t in range(frames - 1, -1, -1):
            kinds[t], places[t] = kind, place
            kind, place, begun[t] = self._before(t, kind, place)
        return Path(kinds, places, np.cumsum(begun).astype(np.int32), score)

    def _before(self, t: int, kind: int, place: int) -> tuple[int, int, bool]:
        """Return the state before frame t of a state after it, and whether a word, or the like, began at t."""
        across = float(self.s.across[t])
        if kind == LETTER:
            return self._before_letter(t, place, across)
        if kind == AFTER:
            return AFTER if self.after[t, place] > self.letter[t, place] else LETTER, place, False
        space = float(self.space[t, place])
        if kind != SPACE:
            table, price = (self.added, self.c.added) if kind == ADDED else (self.struck, self.c.struck)
            stay = float(table[t, place]) + across >= space - price
            return (kind, place, False) if stay else (SPACE, place, True)
        enter = float(self.s.enter[t])
        options = [(space, SPACE, place)]
        options += [(float(self.added[t, place]) + enter, ADDED, place)]
        options += [(float(self.struck[t, place]) + enter, STRUCK, place)]
        if place:
            word = place - 1
            for sign, price in ((self.e.last[word], 0.0), (self.before_last[word], float(self.last_over[word]))):
                options += [(float(self.letter[t, sign]) + enter - price, LETTER, int(sign))]
                options += [(float(self.after[t, sign]) + enter - price, AFTER, int(sign))]
        _, kind, place = max(options)
        return kind, place, False

    def _before_letter(self, t: int, sign: int, across: float) -> tuple[int, int, bool]:
        options = [(float(self.letter[t, sign]) + across, LETTER, sign)]
        if sign:
            options += [(float(self.letter[t, sign - 1] - self.step[sign - 1]) + across, LETTER, sign - 1)]
            options += [(float(self.after[t, sign - 1] - self.step_blank[sign - 1]) + across, AFTER, sign - 1)]
        if sign > 1:
            options += [(float(self.letter[t, sign - 2] - self.over[sign - 2]) + across, LETTER, sign - 2)]
            options += [(float(self.after[t, sign - 2] - self.over[sign - 2]) + across, AFTER, sign - 2)]
        word = int(self.e.word[sign])
        price = 0.0 if sign == self.e.first[word] else float(self.first_over[word])
        begins = sign in {int(self.e.first[word]), int(self.seconds[word])}
        if begins:
            came = self.space[t] - jump_prices(self.space.shape[1], word, self.c)
            place = int(np.argmax(came))
            options += [(float(came[place]) - price, SPACE, place)]
        _, kind, place = max(options)
        return kind, place, kind == SPACE


def best_entries(space: NDArray[np.float32], costs: Costs) -> NDArray[np.float32]:
    """Return the best score with which each word can begin, from the scores of the places between words."""
    place = np.arange(len(space) - 1, dtype=np.float32)
    ahead, behind = np.float32(costs.skip_each) * place, np.float32(costs.back_each) * place
    lead = np.maximum.accumulate
    before, after = space[:-1], space[:0:-1]
    best = before.copy()
    np.maximum(best, lead(before + ahead) - ahead - costs.skip, out=best)
    np.maximum(best, lead(before) - costs.skip_most, out=best)
    np.maximum(best, lead(after - behind[::-1])[::-1] + behind - costs.back, out=best)
    np.maximum(best, lead(after)[::-1] - costs.back_most, out=best)
    return best


def jump_prices(places: int, word: int, costs: Costs) -> NDArray[np.float32]:
    """Return what it costs to begin `word` from each place between words."""
    far = (np.arange(places) - word).astype(np.float32)
    skip = np.minimum(costs.skip - costs.skip_each * far, costs.skip_most)
    back = np.minimum(costs.back + costs.back_each * (far - 1), costs.back_most)
    return np.asarray(np.where(far == 0, 0.0, np.where(far < 0, skip, back)), np.float32)
