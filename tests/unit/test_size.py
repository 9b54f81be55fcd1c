"""Letters' marks and size: hand-made ink of exactly known heights, and mixtures drawn from known numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handwriting.geometry import Box, Polyline
from handwriting.ink import Ink, Pieces
from handwriting.letters import find_letters
from handwriting.lines import Lines, TextLine
from handwriting.measures.common import COMMON
from handwriting.measures.evidence import Evidence
from handwriting.measures.size import KEYS, size
from handwriting.quantity import Measured, NotMeasured
from handwriting.words import Words

STROKE = 4
BODY = 30  # centre line to centre line, px


Bars = list[list[tuple[int, int]]]


def evidence_of(
    shapes: Bars,
    *,
    mm_per_px: float | None = 0.1,
    width: int = 14,
    widths: list[list[int]] | None = None,
    above: list[list[tuple[int, int] | None]] | None = None,
) -> Evidence:
    """Return a page of solid bars: for each line the (foot above the baseline, ink height) of every bar, in px.

    `widths` gives each bar its own width, `above` a piece over it or none.
    """
    x, y, piece, line, courses = [], [], [], [], []
    boxes: list[tuple[int, int, int, int, int]] = []
    for k, bars in enumerate(shapes):
        base = 150 + 200 * k  # the row just below the feet
        pieces_of = list(enumerate(bars))
        pieces_of += [(i, dot) for i, dot in enumerate(above[k]) if dot is not None] if above else []
        for i, (foot, height) in pieces_of:
            left = 20 + 40 * i
            across = width if widths is None else widths[k][i]
            columns, rows = np.meshgrid(np.arange(left, left + across), np.arange(base - foot - height, base - foot))
            x.append(columns.ravel())
            y.append(rows.ravel())
            piece.append(np.full(columns.size, len(boxes)))
            line.append(np.full(columns.size, k))
            boxes.append((left, base - foot - height, across, height, columns.size))
        ends = np.array([0.0, 60.0 + 40 * len(bars)])
        # A baseline runs through the middle of the lowest rows of ink.
        courses.append(TextLine(Polyline(ends, np.full(2, base - 1.0)), float(BODY + STROKE), None))
    shape = (200 * len(shapes) + 200, 2000)
    ink_x, ink_y, number = (np.concatenate(a).astype(np.int32) for a in (x, y, piece))
    pieces = Pieces(ink_x, ink_y, number, np.array(boxes, np.int32), shape)
    ink = Ink(pieces, np.full(shape, 250, np.uint8), float(STROKE), 150.0, 1.0)
    numbers = np.concatenate(line).astype(np.int32)
    lines = Lines(tuple(courses), numbers, pieces, float(BODY + STROKE), 0.0)
    words = Words((), np.full(len(numbers), -1, np.int32))
    return Evidence(ink, None, lines, words, find_letters(ink, lines, words), mm_per_px, 0.0)


def hand(seed: int, spread: float, lines: int = 8, tail: float = 0.9) -> Bars:
    """Return bars of a hand of known spread, as often as in text: bodies; t; tall letters; tails; feet unsteady."""
    rng = np.random.default_rng(seed)
    page = []
    for _ in range(lines):
        bars = []
        for _ in range(36):
            scale, foot = 1 + spread * rng.standard_normal(), 1.5 * rng.standard_normal()
            kind = rng.random()
            tall = BODY * scale * (1 if kind < 0.66 else 1.55 if kind < 0.75 else 2.0 if kind < 0.93 else 1.0 + tail)
            low = foot - (tail * BODY * scale if kind >= 0.93 else 0)
            bars.append((round(low), round(tall) + STROKE))
        page.append(bars)
    return page


def measured(page: Evidence, key: str) -> Measured:
    value = size(page)[key]
    assert isinstance(value, Measured)
    return value


@pytest.mark.parametrize("spread", [0.05, 0.12, 0.2])
def test_a_hand_of_known_size_and_spread(spread: float) -> None:
    page = evidence_of(hand(3, spread, lines=20))
    assert measured(page, "x_height_centre").value == pytest.approx(0.1 * BODY, rel=0.02)
    assert measured(page, "x_height").value == pytest.approx(0.1 * (BODY + STROKE), rel=0.02)
    assert measured(page, "height_cv").value == pytest.approx(spread, abs=0.012)
    # Both spreads are the same for normal heights.
    assert measured(page, "height_robust_cv").value == pytest.approx(spread, rel=0.2)
    assert measured(page, "ascender_ratio").value == pytest.approx(2.0, abs=0.06)
    assert measured(page, "descender_ratio").value == pytest.approx(0.9, abs=0.09)


@pytest.mark.parametrize("spread", [0.05, 0.15])
@pytest.mark.parametrize("tail", [0.6, 1.3, 1.8])
def test_long_and_short_tails_are_tails(tail: float, spread: float) -> None:
    page = evidence_of(hand(5, spread, lines=20, tail=tail))
    deep = measured(page, "descender_ratio")
    assert deep.value == pytest.approx(tail, rel=0.08)
    assert deep.n == pytest.approx(0.07 * 20 * 36, rel=0.25)


@pytest.mark.parametrize("seed", [3, 11])
def test_an_uneven_hand_keeps_its_bodies(seed: int) -> None:
    """Bodies and t overlap where heights spread by a quarter: how often kinds come in text keeps them apart."""
    page = evidence_of(hand(seed, 0.25, lines=10))
    assert measured(page, "x_height_centre").value == pytest.approx(0.1 * BODY, rel=0.04)


def test_unsteady_feet_do_not_add_to_the_spread_of_size() -> None:
    still = evidence_of([[(0, BODY + STROKE)] * 20] * 3)
    rng = np.random.default_rng(1)
    bounced = evidence_of([[(round(3 * rng.standard_normal()), BODY + STROKE) for _ in range(20)] for _ in range(3)])
    for page in (still, bounced):
        # No spread at all: less than the edges' rounding is taken off, so there is no value to give.
        value = size(page)["height_cv"]
        assert isinstance(value, NotMeasured) or value.value < 0.01
        assert measured(page, "x_height_centre").value == pytest.approx(0.1 * BODY, rel=0.001)


def test_rounding_to_whole_pixels_is_no_spread_of_size() -> None:
    """Heights spread by 0.45 px about 30: both edges rounded, they spread by 0.61 px."""
    rng = np.random.default_rng(4)
    foot = rng.uniform(0, 5, (20, 36))
    top = foot + BODY * (1 + 0.015 * rng.standard_normal(foot.shape)) + STROKE
    low, high = np.rint(foot).astype(int), np.rint(top).astype(int)
    bars = [list(zip(a.tolist(), (b - a).tolist(), strict=True)) for a, b in zip(low, high, strict=True)]
    assert measured(evidence_of(bars), "height_cv").value == pytest.approx(0.015, abs=0.002)


def test_intervals_hold_the_set_value() -> None:
    inside = {"x_height_centre": 0, "height_cv": 0}
    for seed in range(12):
        page = evidence_of(hand(100 + seed, 0.1, lines=6))
        for key, true in (("x_height_centre", 0.1 * BODY), ("height_cv", 0.1)):
            found = measured(page, key)
            inside[key] += found.low <= true <= found.high
    # 10 of 12 or more happens 98 times in 100 when 95 % are covered.
    assert min(inside.values()) >= 10


@pytest.mark.parametrize("key", ["x_height", "x_height_centre"])
def test_what_all_marks_share_stands_in_the_budget(key: str) -> None:
    page = evidence_of(hand(3, 0.1))
    found = measured(page, key)
    scale, reading, marks = found.parts
    assert (scale.common, reading.common, marks.common) == (True, True, False)
    uneven = measured(page, "height_cv").value
    size = COMMON[key].of(found.value / 0.1, joined=False, height_cv=uneven)
    assert reading.size == pytest.approx(0.1 * size)
    assert found.high - found.value > 1.96 * reading.size


@pytest.mark.parametrize("key", ["x_height", "x_height_centre", "descender_ratio"])
def test_uneven_letters_pass_for_other_kinds_more_often(key: str) -> None:
    # What kinds taken for one another move grows with the variance of size (drawn pages, see `common`).
    even, uneven = (COMMON[key].of(1.0, joined=False, height_cv=cv) ** 2 for cv in (0.1, 0.2))
    none = COMMON[key].of(1.0, joined=False) ** 2
    assert (uneven - none) / (even - none) == pytest.approx(16)


def test_a_joined_piece_is_taken_apart() -> None:
    page = evidence_of([[(0, BODY + STROKE)] * 12] * 4)
    pieces = page.ink.pieces
    # A stroke along the feet of each group of four bars joins them into one piece.
    x, y, piece, line = [pieces.x], [pieces.y], [pieces.piece // 4], [page.lines.line]
    boxes = []
    for k in range(4):
        for group in range(3):
            left = 20 + 160 * group
            columns, rows = np.meshgrid(np.arange(left + 14, left + 120), np.arange(146 + 200 * k, 150 + 200 * k))
            x.append(columns.ravel().astype(np.int32))
            y.append(rows.ravel().astype(np.int32))
            piece.append(np.full(columns.size, 3 * k + group, np.int32))
            line.append(np.full(columns.size, k, np.int32))
            boxes.append((left, 116 + 200 * k, 134, BODY + STROKE, 0))
    joined = Pieces(
        np.concatenate(x), np.concatenate(y), np.concatenate(piece), np.array(boxes, np.int32), pieces.shape
    )
    ink, numbers = replace(page.ink, pieces=joined), np.concatenate(line)
    lines = replace(page.lines, pieces=joined, line=numbers)
    letters = find_letters(ink, lines, Words((), np.full(len(numbers), -1, np.int32)))
    assert letters.joined
    assert len(letters.marks) == 48
    assert {round(m.height) for m in letters.marks} == {BODY + STROKE}


def test_leaning_letters_are_set_upright_before_they_are_taken_apart() -> None:
    """Bars on two levels, joined half-way up and leaning by more than half their distance: each top keeps its foot."""
    page = evidence_of([[(8 * (i % 2), BODY + STROKE) for i in range(12)]] * 4)
    pieces = page.ink.pieces
    columns, rows = np.meshgrid(np.arange(20, 474), np.arange(128, 132))
    x = np.concatenate([pieces.x, *[columns.ravel()] * 4])
    y = np.concatenate([pieces.y, *[rows.ravel() + 200 * k for k in range(4)]])
    line = np.concatenate([page.lines.line, np.repeat(np.arange(4), columns.size)]).astype(np.int32)
    base = 150 + 200 * line
    leaning = np.rint(x + 0.7 * (base - y)).astype(np.int32)
    boxes = np.array([(20, 100 + 200 * k, 480, 50, 0) for k in range(4)], np.int32)
    joined = Pieces(leaning, y.astype(np.int32), line, boxes, pieces.shape)
    lines = replace(page.lines, pieces=joined, line=line)
    letters = find_letters(replace(page.ink, pieces=joined), lines, Words((), np.full(len(line), -1, np.int32)))
    heights = np.array([mark.height for mark in letters.marks])
    assert len(heights) == 48
    assert np.abs(heights - BODY - STROKE).max() <= 2


def test_a_mark_says_where_its_foot_and_top_are() -> None:
    (mark,) = evidence_of([[(5, BODY + STROKE)]]).letters.marks
    assert mark.box == Box(20, 150 - 5 - BODY - STROKE, 34, 145)
    assert (mark.foot, mark.height) == pytest.approx((5, BODY + STROKE))
    assert (mark.line, mark.word) == (0, -1)


def test_dots_are_no_letters() -> None:
    page = evidence_of([[(0, BODY + STROKE), (40, 5)] * 10])
    assert len(page.letters.marks) == 10


def test_few_letters_give_no_spread() -> None:
    found = size(evidence_of([[(0, BODY + STROKE)] * 29]))
    for key in ("height_cv", "height_robust_cv"):
        assert found[key] == NotMeasured("few-letters", "29 letters were found; a spread of height needs 30")
    assert isinstance(found["x_height"], Measured)
    assert found["x_height"].flags == ("few-letters",)


def test_four_letters_give_no_size() -> None:
    found = size(evidence_of([[(0, BODY + STROKE)] * 4]))
    assert set(found) == set(KEYS)
    assert all(isinstance(q, NotMeasured) and q.flag == "few-letters" for q in found.values())


def test_without_scale_ratios_remain() -> None:
    found = size(evidence_of(hand(3, 0.1), mm_per_px=None))
    for key in ("x_height", "x_height_centre"):
        value = found[key]
        assert isinstance(value, NotMeasured)
        assert value.flag == "no-scale"
    assert isinstance(found["height_cv"], Measured)
    assert isinstance(found["ascender_ratio"], Measured)


def test_twice_the_scale_is_twice_the_size() -> None:
    once, twice = (measured(evidence_of(hand(3, 0.1), mm_per_px=k), "x_height") for k in (0.1, 0.2))
    assert twice.value == pytest.approx(2 * once.value)
    assert twice.high - twice.low == pytest.approx(2 * (once.high - once.low))
