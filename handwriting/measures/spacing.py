"""Space between words and between unjoined letters.

    word_space          mean of the gaps between words, mm
    word_space_ratio    the same in x-heights of the ink
    word_space_cv       SD / mean of the gaps between words
    letter_space, letter_space_ratio, letter_space_cv   the same for unjoined neighbours inside words
    space_ratio         median gap between words / median gap between letters
    space_overlap       P(a gap between letters is wider than a gap between words)

A gap is the least horizontal distance between the convex hulls of neighbours over the heights both reach, negative
where they overlap. Which kind a gap is of is known only by its size, so cutting at a threshold would take the narrow
ends off one kind and give them to the other, and spread would read low. Every gap counts for each kind by its chance of
being of that kind instead (the mixture fitted in `words`). Left out as no spacing are gaps more than three times the
usual word gap (a blank left open, a stray mark), overlaps by more than an x-height (marks that stand over one another),
and gaps before a stop wider than the usual word gap.

What it does not see: joined neighbours (they have no gap), and the text: a gap is a word gap by its width alone.

Sources: word and letter space apart, each with its variability, Graham, Struck, Santoro & Berninger 2006,
Developmental Neuropsychology 29, 43-60.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from handwriting.bootstrap import line_bootstrap
from handwriting.geometry import FloatArray
from handwriting.measures.common import COMMON
from handwriting.measures.evidence import SEED, Evidence, length, plain
from handwriting.quantity import NotMeasured, Quantity
from handwriting.ranked import Index, Ranked
from handwriting.statistics import (
    Drawn,
    Interval,
    Statistic,
    by_mark,
    over_sums,
    ratio,
    wilson,
)
from handwriting.words import Gap

FEW_WORDS = 10
FEW_LETTERS = 30
LEAST = 3
LEAST_SPREAD = 10
FAR = 3.0


def spacing(evidence: Evidence) -> dict[str, Quantity]:
    """Return every measure of spacing by its key.

    Not measured with fewer than three gaps of a kind; spread with fewer than ten, or where most letters are joined.
    Flags: ``few-words`` under ten word gaps, ``few-gaps`` under 30 letter gaps, ``joined`` when there are fewer
    letter gaps than words, ``words-unsure`` when more than one gap in twenty may be of either kind.
    """
    gaps = _usual(evidence.words.gaps, _x_height(evidence))
    marks = np.array([(gap.px, gap.between) for gap in gaps]).reshape(-1, 2)
    line = np.array([gap.line for gap in gaps], np.int64)
    groups = [marks[line == k] for k in np.unique(line)]
    chance = marks[:, 1]
    unsure = ("words-unsure",) if len(marks) and float(np.mean(np.minimum(chance, 1 - chance))) > 0.025 else ()
    words, letters = float(chance.sum()), float((1 - chance).sum())
    few_words = NotMeasured("few-words", "fewer than three gaps between words were found") if words < LEAST else None
    few_letters = NotMeasured("joined", "fewer than three gaps between letters were found") if letters < LEAST else None
    word_flags = unsure + (("few-words",) if words < FEW_WORDS else ())
    letter_flags = unsure + (("few-gaps",) if letters < FEW_LETTERS else ())
    letter_flags += ("joined",) if letters < len(evidence.words.words) else ()
    found = _one_kind(evidence, groups, "word", 1.0, few_words, word_flags)
    found |= _one_kind(evidence, groups, "letter", 0.0, few_letters, letter_flags)
    both = few_words or few_letters
    flags = tuple(dict.fromkeys(word_flags + letter_flags))
    found["space_ratio"] = both or _ratio(groups, len(marks), flags)
    found["space_overlap"] = both or _overlap(groups, len(marks), flags)
    return found


def _usual(gaps: tuple[Gap, ...], x_height: float) -> tuple[Gap, ...]:
    """Leave out what is no spacing: a blank left open, marks that stand over one another, a stop far from its word."""
    between = [gap.px for gap in gaps if gap.between > 0.5]
    usual = float(np.median(between)) if between else np.inf
    return tuple(gap for gap in gaps if -x_height <= gap.px <= FAR * usual and (gap.between > 0.5 or gap.px <= usual))


def _one_kind(
    evidence: Evidence,
    groups: list[FloatArray],
    name: str,
    kind: float,
    missing: NotMeasured | None,
    flags: tuple[str, ...],
) -> dict[str, Quantity]:
    """Return mean, mean in x-heights and CV of one kind of gap."""
    keys = (f"{name}_space", f"{name}_space_ratio", f"{name}_space_cv")
    if missing is not None:
        return dict.fromkeys(keys, missing)
    marks = np.concatenate(groups)
    weight = marks[:, 1] if kind else 1 - marks[:, 1]
    n = round(float(weight.sum()))
    mean, cv = KINDS[name]
    value = mean.value(marks)
    interval = line_bootstrap(groups, mean, seed=SEED)
    x_height = _x_height(evidence)
    shared = math.hypot(COMMON[keys[0]].of(value, joined=evidence.letters.joined), _unsure(marks, kind, value, 1) / n)
    in_heights = (
        interval
        if isinstance(interval, NotMeasured)
        else Interval(interval.low / x_height, interval.high / x_height, interval.se / x_height)
    )
    return {
        keys[0]: length(evidence, value, interval, n, flags=flags, shared_px=shared),
        keys[1]: plain(value / x_height, "1", in_heights, n, flags, shared=shared / x_height),
        keys[2]: _cv(evidence, groups, cv, n, name, flags) if value > 0 else _no_ratio(),
    }


def _x_height(evidence: Evidence) -> float:
    """Return the ink height of the bodies, px: of the letters' marks, or of the lines where there are none."""
    centre = float(evidence.letters.centre[0])
    if centre > 0:
        return centre + evidence.letters.stroke_px
    return float(np.median([text_line.x_height for text_line in evidence.lines.lines]))


def _cv(
    evidence: Evidence, groups: list[FloatArray], statistic: Statistic, n: int, name: str, flags: tuple[str, ...]
) -> Quantity:
    if "joined" in flags:
        return NotMeasured("joined", "most letters are joined: the few gaps left do not show their spread")
    if n < LEAST_SPREAD:
        return NotMeasured(
            "few-words" if name == "word" else "few-gaps",
            f"fewer than {LEAST_SPREAD} gaps between {name}s: too few for their spread",
        )
    marks = np.concatenate(groups)
    value, mean = statistic.value(marks), KINDS[name][0].value(marks)
    # The variance's error over twice the value is the SD's.
    unsure = _unsure(marks, 1.0 if name == "word" else 0.0, mean, 2) / (2 * n * mean**2 * max(value, 1e-9))
    shared = math.hypot(COMMON[f"{name}_space_cv"].of(value, joined=evidence.letters.joined), unsure)
    return plain(value, "1", line_bootstrap(groups, statistic, seed=SEED), n, flags, shared=shared, least=0.0)


def _no_ratio() -> NotMeasured:
    return NotMeasured("undefined", "the mean gap is not above zero, so its spread has no ratio to it")


def _ratio(groups: list[FloatArray], n: int, flags: tuple[str, ...]) -> Quantity:
    """Return the ratio of the gaps, where those between letters can be told from none at all."""
    interval = line_bootstrap(groups, SPACE_RATIO, seed=SEED)
    if isinstance(interval, Interval) and interval.low <= 0:
        return NotMeasured("undefined", "the gaps between letters cannot be told from none: there is no ratio to them")
    return plain(SPACE_RATIO.value(np.concatenate(groups)), "1", interval, n, flags)


def _overlap(groups: list[FloatArray], n: int, flags: tuple[str, ...]) -> Quantity:
    """Return the overlap; its interval is never narrower than that of a share of the rarer kind of gap."""
    marks = np.concatenate(groups)
    value = SPACE_OVERLAP.value(marks)
    interval = line_bootstrap(groups, SPACE_OVERLAP, seed=SEED)
    if isinstance(interval, NotMeasured):
        return interval
    rarer = float(min(marks[:, 1].sum(), (1 - marks[:, 1]).sum()))
    share = wilson(value * rarer, rarer)
    low, high = max(0.0, min(interval.low, share.low)), min(1.0, max(interval.high, share.high))
    return plain(value, "1", Interval(low, high, max(interval.se, share.se)), n, flags)


def _unsure(marks: FloatArray, kind: float, mean: float, power: int) -> float:
    """Return what the gaps of either kind would move a sum of powers about the mean by, were all taken for the wrong.

    The mixture's chances are wrong together where the kinds are not shaped as it takes them to be, so this is an error
    that all gaps share and not one that falls afresh on each.
    """
    share = _share(marks, kind)
    return float(np.minimum(share, 1 - share) @ np.abs(marks[:, 0] - mean) ** power)


def _share(marks: FloatArray, kind: float) -> FloatArray:
    return marks[:, 1] if kind else 1 - marks[:, 1]


def _of_kind(kind: float, number: Callable[[FloatArray, FloatArray], FloatArray], *, spread: bool = False) -> Statistic:
    """Return a number made from mean and SD (n - 1) of one kind of gap."""

    def prepare(marks: FloatArray) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
        share, centre = _share(marks, kind), float(marks[:, 0].mean())
        off = marks[:, 0] - centre

        def finish(sums: FloatArray) -> FloatArray:
            count, first, second = sums.T
            mean = ratio(first, count, 0.5)
            squares = second - count * mean**2
            return number(mean + centre, np.sqrt(np.maximum(ratio(squares, np.where(count > 1.5, count - 1, 0)), 0)))

        return np.column_stack([share, share * off, share * off**2]), finish

    return over_sums(prepare, spread=spread)


def _median_ratio(marks: FloatArray, owner: Index, lines: int) -> Drawn:
    """Return the median gap between words over that between letters; either kind weighs half a gap or more."""
    word, letter = (Ranked(marks[:, 0], _share(marks, kind), owner, lines) for kind in (1.0, 0.0))
    return lambda counts: ratio(word.median(counts, 0.5), letter.median(counts, 0.5))


def _wider(marks: FloatArray, owner: Index, lines: int) -> Drawn:
    """Return the chance that a letter gap is wider than a word gap: pairs counted once for every two lines."""
    order = np.argsort(marks[:, 0], kind="stable")
    word, letter = np.zeros((len(marks), lines)), np.zeros((len(marks), lines))
    place = np.arange(len(marks)), owner[order]
    word[place], letter[place] = marks[order, 1], 1 - marks[order, 1]
    narrower = np.cumsum(word, axis=0) - word
    wider = letter.T @ narrower
    words, letters = word.sum(0), letter.sum(0)
    return lambda counts: ratio(((counts @ wider) * counts).sum(1), (counts @ words) * (counts @ letters))


KINDS = {
    name: (
        _of_kind(kind, lambda mean, _: mean),
        _of_kind(kind, lambda mean, sd: ratio(sd, mean), spread=True),
    )
    for name, kind in (("word", 1.0), ("letter", 0.0))
}
SPACE_RATIO = Statistic(by_mark(_median_ratio), smooth=False, by_line=_median_ratio)
SPACE_OVERLAP = Statistic(by_mark(_wider), by_line=_wider)
