"""Gaps between letters and between words, on rows of units set by hand (sizes in twice the stroke pitch)."""

from __future__ import annotations

import numpy as np

from handwriting.gap_kinds import Row, parting

Unit = tuple[float, float, float]
LETTER, FIGURE = (1.0, 0.0, 1.0), (0.5, 0.0, 1.7)
COMMA, HYPHEN = (0.25, -0.6, 0.3), (0.6, 0.4, 0.55)


def joined(letters: float) -> Unit:
    """A joined word of so many letters."""
    return (letters, 0.0, 1.8)


def seen(lines: list[list[Unit | float]]) -> tuple[list[list[bool]], list[list[bool]]]:
    """Set units (width, low, high) and the gaps between them in lines; tell the gaps that part words, and by a dash."""
    left, wide, low, high, line, gaps, sizes = [], [], [], [], [], [], []
    for k, items in enumerate(lines):
        x = 0.0
        for item in items:
            if isinstance(item, float):
                gaps.append(item)
                x += item
            else:
                left.append(x)
                wide.append(item[0])
                low.append(item[1])
                high.append(item[2])
                line.append(k)
                x += item[0]
        sizes.append(sum(isinstance(item, float) for item in items))
    starts = np.array(left)
    row = Row(starts, starts + np.array(wide), np.array(low), np.array(high), np.array(line))
    least = np.array(gaps)
    chance, dash = parting(row, least, least + 0.1)
    ends = np.cumsum(sizes)[:-1]
    return [part.tolist() for part in np.split(chance > 0.5, ends)], [part.tolist() for part in np.split(dash, ends)]


PLAIN: list[Unit | float] = [joined(4), 1.1, joined(2), 0.1, joined(2), 0.9, joined(3), 1.3, joined(6), 1.0, joined(2)]
PARTED = [True, False, True, True, True]


def test_figures_are_one_number_though_they_stand_farther_apart_than_letters():
    number: list[Unit | float] = [FIGURE, 0.5, FIGURE, 0.45, FIGURE, 0.5, FIGURE]
    parted, _ = seen([[*PLAIN, 1.1, *number]] * 6)
    assert parted == [[*PARTED, True, False, False, False]] * 6


def test_short_words_stay_words():
    parted, _ = seen([[*PLAIN, 1.1, LETTER, 1.1, joined(3)]] * 6)
    assert parted == [[*PARTED, True, True]] * 6


def test_an_unjoined_hand_has_letters_in_words():
    word: list[Unit | float] = [LETTER, 0.3, LETTER, 0.25, LETTER, 0.35, LETTER]
    parted, _ = seen([[*word, 1.2, *word, 1.4, *word]] * 6)
    assert parted == [[False] * 3 + [True] + [False] * 3 + [True] + [False] * 3] * 6


def test_a_comma_below_the_line_belongs_to_the_word_before():
    parted, _ = seen([[*PLAIN, 0.9, COMMA, 0.9, joined(3)]] * 6)
    assert parted == [[*PARTED, False, True]] * 6


def test_a_hyphen_ties_both_and_a_dash_the_nearer_one_and_neither_is_a_kind_of_gap():
    parted, dash = seen([[*PLAIN, 0.4, HYPHEN, 0.5, joined(3)], [*PLAIN, 1.4, HYPHEN, 1.0, joined(3)]] * 4)
    assert parted == [[*PARTED, False, False], [*PARTED, True, False]] * 4
    assert dash == [[False] * 5 + [True, True]] * 8
