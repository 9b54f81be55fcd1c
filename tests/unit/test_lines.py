"""Lines of writing: which ink belongs to which line, feet, baselines, x-heights."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from stages import PX_PER_MM, drawn, look

from handwriting.baselines import LineInk, fit_baseline, outlines, turning_points, x_heights
from handwriting.ink import grouped
from handwriting.phantoms import PASSAGES, Habits, Paper, Writer
from handwriting.regions import nearest, nearest_at

HAND = Writer(x_height_mm=3, drift_deg=0.4, drift_sd_deg=0.3, wave_mm=0.15)


@pytest.fixture(scope="module")
def page():
    grey, truth = drawn(PASSAGES[1][:260], HAND, seed=5)
    return look(grey), truth


def test_every_letter_lies_in_its_own_line(page):
    seen, truth = page
    assert len(seen.lines.lines) == len(truth.lines)
    labels = np.full(seen.lines.pieces.shape, -1, np.int32)
    labels[seen.lines.pieces.y, seen.lines.pieces.x] = seen.lines.line
    right = total = 0
    for number, line in enumerate(truth.lines):
        for word in line.words:
            for letter in truth.words[word].letters:
                box = truth.px(letter.centre)
                inside = labels[int(box.top) : int(box.bottom) + 1, int(box.left) : int(box.right) + 1]
                right += int((inside == number).sum())
                total += int((inside >= 0).sum())
    assert right > 0.99 * total


def test_baselines_run_along_the_outer_edge_of_the_feet(page):
    seen, truth = page
    for found, true in zip(seen.lines.lines, truth.lines, strict=True):
        x = np.linspace(true.baseline.x[2], true.baseline.x[-3], 30)
        # The truth is the path of the pen: the ink's edge lies half a pen's width below. Row i spans i to i + 1.
        above = true.baseline.at(x) + HAND.pen_width_mm / 2 - (found.baseline.at(x * PX_PER_MM) + 0.5) / PX_PER_MM
        assert abs(above.mean()) < 0.15
        assert np.sqrt(np.mean(above**2)) < 0.2


@pytest.mark.parametrize("long_mm", [5.0, 7.0])
def test_bars_of_capitals_written_apart_are_no_line_of_their_own(long_mm):
    # The top bar of a T or F that does not touch its stem, two heights of a small letter above the line.
    hand = Writer(x_height_mm=1.8, ascender_ratio=1.6, drift_deg=0.4, drift_sd_deg=0.3, wave_mm=0.15)
    grey, truth = drawn(PASSAGES[1][:200], hand, Paper(rules="none", pitch_mm=10), seed=5)
    for line in truth.lines:
        for along in (1.0, 12.0, 30.0):
            x = line.start_mm + along
            y = float(line.baseline.at(x)) - 2 * hand.x_height_mm
            ends = [(round((x + u) * PX_PER_MM), round((y + v) * PX_PER_MM)) for u, v in ((0, 0.6), (long_mm, -0.6))]
            cv2.line(grey, *ends, 60, 4)
    seen = look(grey)
    assert len(seen.lines.lines) == len(truth.lines)
    # They belong to the line below them.
    assert seen.kept > 0.99


def test_the_top_of_a_broken_letter_is_no_line_of_its_own():
    # The loop of a tall l that leans over a gap, its stem too pale: four bodies above its line, not half way up.
    hand = Writer(x_height_mm=1.8, ascender_ratio=1.6, drift_deg=0.4, drift_sd_deg=0.3, wave_mm=0.15)
    grey, truth = drawn(PASSAGES[1][:260], hand, Paper(rules="none", pitch_mm=16), seed=5)
    for line in truth.lines[1:]:
        first, second = (truth.words[word].box for word in line.words[1:3])
        x = (first.right + second.left) / 2
        foot = float(line.baseline.at(x)) - 4.2 * hand.x_height_mm
        loop = (round(x * PX_PER_MM), round((foot - 0.8) * PX_PER_MM))
        cv2.ellipse(grey, loop, (5, 14), 20.0, 0.0, 360.0, 60, 4)
    seen = look(grey)
    assert len(seen.lines.lines) == len(truth.lines)
    assert seen.kept > 0.99


@pytest.mark.parametrize(("joined", "seed"), [(False, 1), (True, 6)])
def test_lines_of_one_word_between_close_lines_are_lines(joined, seed):
    # Lines stand two and a half bodies apart, tails touch the next line, and many lines hold a word or two.
    habits = Habits(short_lines=0.25, single_words=0.3, indents=0.1)
    hand = Writer(height_cv=0.12, joined=joined, drift_deg=0.2, bounce_mm=0.15, habits=habits)
    grey, truth = drawn(PASSAGES[seed], hand, Paper(rules="none", pitch_mm=6.8), seed=seed)
    assert len(look(grey).lines.lines) == len(truth.lines)


def test_outlines_of_some_lines_leave_out_the_ink_of_others(page):
    lines = page[0].lines
    pieces = lines.pieces
    every = outlines(pieces.x, pieces.y, lines.line, len(lines.lines))
    first = outlines(pieces.x, pieces.y, lines.line, 1)
    assert len(lines.lines) > 3
    assert np.array_equal(first.low, every.low[:1])
    assert np.array_equal(first.high, every.high[:1])


def test_x_height_is_the_writers(page):
    seen, _ = page
    heights = [line.x_height / PX_PER_MM for line in seen.lines.lines]
    assert np.median(heights) == pytest.approx(HAND.x_height_mm + HAND.pen_width_mm, abs=0.2)


def test_turning_points_do_not_depend_on_the_order_of_the_pixels():
    rng = np.random.default_rng(3)
    x, y = rng.integers(0, 400, 3000).astype(np.int32), rng.integers(0, 60, 3000).astype(np.int32)
    order = np.lexsort((x, y))
    for (a, b), (c, d) in zip(turning_points(x, y, 30.0), turning_points(x[order], y[order], 30.0), strict=True):
        assert np.array_equal(a, c)
        assert np.array_equal(b, d)


def test_feet_and_tops_of_known_strokes():
    # Three upright strokes 5 px wide, from row 10 down to rows 59, 61 and 60.
    feet = {20: 59, 60: 61, 100: 60}
    pixels = [(x0 + i, y) for x0, low in feet.items() for i in range(5) for y in range(10, low + 1)]
    x, y = np.array(sorted(pixels, key=lambda p: (p[1], p[0])), np.int32).T
    (fx, fy), (tx, ty) = turning_points(x, y, 40.0)
    assert list(fx) == [22, 62, 102]
    assert list(fy) == [59, 61, 60]
    assert list(tx) == [22, 62, 102]
    assert list(ty) == [10, 10, 10]


def test_a_baseline_is_not_drawn_down_by_tails_nor_up_by_dots():
    rng = np.random.default_rng(8)
    x = np.arange(100.0, 1500.0, 20)
    y = 300 + 0.02 * x + rng.normal(0, 1.0, len(x))
    y[::6] += 25
    y[3::9] -= 60
    line = fit_baseline(x, y, 0.02, 35.0)
    at = np.linspace(150, 1450, 20)
    assert np.abs(line.at(at) - (300 + 0.02 * at)).max() < 2.5


@pytest.mark.parametrize(("rise", "length"), [(20.0, 1400.0), (6.0, 900.0), (60.0, 2400.0)])
def test_a_baseline_follows_a_bend(rise, length):
    # A part of a wave, as of lines whose ends hang or climb; tails and dots on it as before.
    rng = np.random.default_rng(8)
    x = np.arange(100.0, 1500.0, 20)

    def course(at):
        return 300 - rise * np.sin(np.pi * (at - 100) / length)

    y = course(x) + rng.normal(0, 1.0, len(x))
    y[::6] += 25
    y[3::9] -= 60
    line = fit_baseline(x, y, 0.0, 35.0)
    at = np.linspace(110, 1480, 60)
    assert np.sqrt(np.mean((line.at(at) - course(at)) ** 2)) < 1.5


def upright_strokes(heights):
    """Return tops and ink of a line of strokes of these heights, one px wide and ten apart."""
    x = np.concatenate([np.full(int(h), 10 * i, np.int32) for i, h in enumerate(heights)])
    return np.asarray(heights, float), (x, np.concatenate([np.arange(1.0, int(h) + 1) for h in heights]))


def tops_and_ink(lines):
    """Return the tops of lines, and the ink of all of them as one."""
    x, up = (np.concatenate([ink[k] for _, ink in lines]) for k in (0, 1))
    number = np.repeat(np.arange(len(lines), dtype=np.int32), [len(ink[0]) for _, ink in lines])
    return [tops for tops, _ in lines], LineInk(x, up, number)


def test_x_height_on_a_page_of_drills_is_that_of_the_bodies():
    rng = np.random.default_rng(1)
    drills = [upright_strokes(rng.normal(90, 3, 12)) for _ in range(5)]
    bodies = [upright_strokes(np.concatenate([rng.normal(45, 2, 30), rng.normal(90, 3, 8)])) for _ in range(2)]
    found = x_heights(*tops_and_ink([*drills, *bodies]), 50.0)
    assert found == pytest.approx([45] * 7, abs=2.5)


def test_x_height_of_ordinary_text_stays_where_it_is():
    rng = np.random.default_rng(2)
    text = [upright_strokes(np.concatenate([rng.normal(45, 2, 30), rng.normal(90, 3, 8)])) for _ in range(5)]
    assert x_heights(*tops_and_ink(text), 50.0) == pytest.approx([45] * 5, abs=1.5)


def test_grouped_gives_every_number_its_places():
    number = np.array([2, -1, 0, 2, 0, -1, 4], np.int32)
    assert [list(g) for g in grouped(number, 5)] == [[2, 4], [], [0, 3], [], [6]]


def test_the_nearest_zone_of_some_cells_is_that_of_the_whole_picture():
    rng = np.random.default_rng(4)
    for _ in range(20):
        zone = np.full((60, 90), -1, np.int32)
        zone[rng.integers(0, 60, 6), rng.integers(0, 90, 6)] = np.arange(6)
        top, left = rng.integers(0, 50), rng.integers(0, 70)
        row, column = (a.ravel() for a in np.mgrid[top : top + 4, left : left + 9])
        assert np.array_equal(nearest_at(zone, row, column), nearest(zone)[row, column])
