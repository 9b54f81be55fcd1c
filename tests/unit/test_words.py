"""Words: hand-made bars with exactly known gaps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_bars import LEFT, PITCH, X_HEIGHT, Bar, lines_of, row_of

from handwriting.geometry import Box
from handwriting.hulls import hull_gap
from handwriting.ink import Pieces
from handwriting.lines import Lines
from handwriting.words import find_words, lean

LETTER, WORD = 8.0, 50.0
SENTENCE = [LETTER, LETTER, WORD, LETTER, WORD, LETTER, LETTER, LETTER, WORD, LETTER]


def test_words_part_at_the_wide_gaps_with_exact_boxes() -> None:
    words = find_words(lines_of([row_of(SENTENCE)] * 3), 6.0)
    assert [w.line for w in words.words] == [0] * 4 + [1] * 4 + [2] * 4
    first, second = words.words[:2]
    assert first.box == Box(LEFT, 1.5 * PITCH - X_HEIGHT, LEFT + 3 * 6 + 2 * LETTER, 1.5 * PITCH)
    assert second.box.left == first.box.right + WORD
    assert [g.between > 0.5 for g in words.gaps[:10]] == [g == WORD for g in SENTENCE]
    assert [g.px for g in words.gaps[:10]] == pytest.approx(SENTENCE, abs=0.51)


def test_every_pixel_of_a_line_has_a_word_and_stays_in_its_box() -> None:
    lines = lines_of([row_of(SENTENCE)] * 2)
    words = find_words(lines, 6.0)
    assert (words.word >= 0).all()
    for number, word in enumerate(words.words):
        mine = words.word == number
        x, y = lines.pieces.x[mine], lines.pieces.y[mine]
        assert Box(x.min(), y.min(), x.max() + 1, y.max() + 1) == word.box
        assert set(lines.line[mine]) == {word.line}


@pytest.mark.parametrize("slant_deg", [45.0, 60.0, 120.0, 135.0])
def test_leaning_bars_that_overlap_in_columns_are_parted_all_the_same(slant_deg: float) -> None:
    lines = lines_of([row_of(SENTENCE, slant_deg=slant_deg)] * 2)
    assert lean(lines) == pytest.approx(1 / np.tan(np.radians(slant_deg)), abs=0.03)
    words = find_words(lines, 6.0)
    assert len(words.words) == 8
    assert [g.px for g in words.gaps[:10]] == pytest.approx(SENTENCE, abs=1.0)


def test_one_kind_of_gap_only() -> None:
    assert len(find_words(lines_of([row_of([LETTER] * 6)]), 6.0).words) == 1
    # As wide as words are; seven thin bars so far apart are read as figures.
    assert len(find_words(lines_of([row_of([1.1 * X_HEIGHT] * 6, width=2.5 * X_HEIGHT)]), 6.0).words) == 7


def test_a_dot_above_and_a_stop_behind_belong_to_their_word() -> None:
    row = row_of([LETTER, WORD, LETTER])
    dot = Bar(row[1].left, height=8, foot=1.4 * X_HEIGHT)
    stop = Bar(row[-1].left + 6 + 0.6 * X_HEIGHT, height=7)
    words = find_words(lines_of([[*row, dot, stop]]), 6.0)
    assert len(words.words) == 2
    assert words.words[0].box.top == 1.5 * PITCH - 1.4 * X_HEIGHT - 8
    assert words.words[1].box.right == stop.left + 6


def test_a_page_without_lines_has_no_words() -> None:
    none = np.empty(0, np.int32)
    words = find_words(Lines((), none, Pieces(none, none, none, np.empty((0, 5), np.int32), (9, 9)), 5.0, 0.0), 3.0)
    assert words.words == ()
    assert words.gaps == ()


def test_hull_gap_is_taken_over_the_heights_both_reach() -> None:
    # A triangle leans over a low box: nearest at the box's top, 10 - 4 apart, less half a pixel for the edges.
    overhanging = np.array([[0.0, 0.0], [8.0, 20.0], [0.0, 20.0]])
    low = np.array([[10.0, 0.0], [12.0, 0.0], [12.0, 10.0], [10.0, 10.0]])
    assert hull_gap(overhanging, low) == pytest.approx(10 - 4 - 0.5)
    above = low + np.array([0.0, 50.0])
    assert hull_gap(overhanging, above) == pytest.approx(10 - 8 - 0.5)


def test_gaps_are_seen_against_the_stroke_pitch_where_the_bodies_height_is_not_told() -> None:
    # Two bars 14 px apart make a letter; letters 45 px apart are words by the pitch of the strokes, 20 px, whatever
    # the tops of tall letters make of the x-height.
    inside, apart, per_row, rows = 14.0, 45.0, 6, 3
    lines = lines_of([row_of([inside, apart] * (per_row - 1) + [inside])] * rows)
    lines = replace(
        lines,
        lines=tuple(replace(line, x_height=2.4 * X_HEIGHT) for line in lines.lines),
        pieces=replace(lines.pieces, piece=lines.pieces.piece // 2),
    )
    assert len(find_words(lines, 6.0).words) == rows * per_row
