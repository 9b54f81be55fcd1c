"""Which fragments of ink make one line, on fragments placed by hand (cells; bodies 5 high, lines 42 apart)."""

from __future__ import annotations

import numpy as np
import pytest

from handwriting.fragments import Fragment, link

BODY, PITCH, WIDTH = 5.0, 42.0, 540


def linked(
    extra: list[tuple[float, float, float, float]], lines: int = 5, halves: tuple[tuple[int, int], ...] = ()
) -> list[set[int]]:
    """Link lines of three fragments each, and more: (left, right, row, ink); all have ink in all of their columns.

    Fragments are of one piece each, but for the pairs of `halves`: a fifth of the first is of the second one's piece.
    """
    rows = [
        (left, right, 100 + PITCH * k, 1.2 * (right - left))
        for k in range(lines)
        for left, right in ((18, 127), (145, 313), (356, 522))
    ]
    fragments = [Fragment(x0, x1, 0.0, y, ink) for x0, x1, y, ink in (*rows, *extra)]
    profile = np.zeros((len(fragments), WIDTH))
    for f, row in zip(fragments, profile, strict=True):
        row[int(f.x0) : int(f.x1)] = f.ink / (f.x1 - f.x0)
    shares = np.diag([f.ink for f in fragments])
    for one, other in halves:
        shares[[one, other], one] = np.array([0.8, 0.2]) * fragments[one].ink
    return [set(group) for group in link(fragments, profile, shares, np.zeros(len(fragments), bool), BODY)]


def test_lines_come_out_as_they_are():
    assert sorted(map(sorted, linked([]))) == [[3 * k, 3 * k + 1, 3 * k + 2] for k in range(5)]


def test_accents_that_lead_to_figures_are_no_line_of_their_own():
    # An accent, the tops of two figures, and figures in a gap of the line: their middle lies higher than the bodies'.
    groups = linked([(65, 71, 171, 5), (116, 166, 175, 28), (297, 352, 178, 69)])
    assert len(groups) == 5
    assert {6, 7, 8, 17} in [group - {15, 16} for group in groups]


@pytest.mark.parametrize("rise", [9.0, 14.0])
def test_a_word_that_bounces_off_its_line_stays_in_it(rise):
    # Between two words of its line, off their course by up to a third of the distance from line to line.
    assert {6, 7, 8, 15} in linked([(318, 350, 184 - rise, 40)])


def test_words_half_way_between_two_lines_are_a_line_of_their_own():
    groups = linked([(30, 120, 163, 110), (150, 300, 163, 180)])
    assert {15, 16} in groups
    assert len(groups) == 6


@pytest.mark.parametrize("of_one_piece", [True, False])
def test_upper_halves_of_figures_are_no_line_of_their_own_but_words_above_the_line_are(of_one_piece):
    # Three eighths of the distance from line to line above a line of figures, and with as much ink; some are closed.
    groups = linked([(20, 125, 168, 110), (147, 310, 168, 170)], halves=((6, 15),) if of_one_piece else ())
    assert len(groups) == (5 if of_one_piece else 6)
