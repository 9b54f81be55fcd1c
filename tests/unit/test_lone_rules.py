"""Straight lines of no ruling are found one by one and lifted; what the writer drew through words stays.

Places and widths are those drawn (`phantoms`); no published source is at hand for lines on school pages.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from stages import CLEAN, PX_PER_MM, drawn, look

from handwriting.ink import find_ink
from handwriting.lifting import flatten, lift_rules
from handwriting.phantoms import PASSAGES, Paper, Straight, Writer, draw
from handwriting.phantoms.straights import box, uneven_rules
from handwriting.rules import find_rules

HAND = Writer(x_height_mm=2.6, height_cv=0.12, bounce_mm=0.2)
JOINED = replace(HAND, joined=True)
TEXT = PASSAGES[1][:200]
SHEET = Paper(width_mm=160, height_mm=140, top_mm=25, pitch_mm=9)
PLAIN = replace(SHEET, rules="none", pitch_mm=10)
PEN = CLEAN.ink_rgb
GREY = (120, 120, 120)


@cache
def without_lines(hand, paper, capture):
    return drawn(TEXT, hand, paper, capture)


def page(straights, hand=HAND, paper=PLAIN, capture=CLEAN):
    """Return the grey picture of a page with lines drawn on it, and without, and its truth."""
    plain, truth = without_lines(hand, paper, capture)
    image = draw(TEXT, hand, paper, capture, 1, None, straights(truth)).image
    return np.ascontiguousarray(image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)), plain, truth


def ends(truth, line):
    """Left and right end of a line's writing, and its baseline's row there, mm."""
    boxes = [w.box for w in truth.words if w.line == line and w.box is not None]
    x = np.array([min(b.left for b in boxes), max(b.right for b in boxes)])
    return x, truth.lines[line].baseline.at(x)


def below(truth, line, gap, width, rgb, part=1.0):
    (x0, x1), (y0, y1) = ends(truth, line)
    return Straight(x0 - 1, y0 + gap, x0 + part * (x1 - x0), y0 + part * (y1 - y0) + gap, width, rgb)


def inked(grey):
    flat = flatten(grey, PX_PER_MM)
    rules = find_rules(flat, PX_PER_MM)
    ink = find_ink(*lift_rules(flat, rules, PX_PER_MM), rules, PX_PER_MM)
    assert ink is not None
    return ink.pieces.mask() > 0


def kept_and_added(lined, plain):
    """Return the share of the plain page's ink still there with lines on the page, and what came to it."""
    true, found = inked(plain), inked(lined)
    return (true & found).sum() / true.sum(), (found & ~true).sum() / true.sum()


def uneven(truth):
    rows = [float(line.baseline.y.mean()) for line in truth.lines]
    return uneven_rules(rows, 16, 148, np.random.default_rng(3), 0.25, GREY)


CASES = {
    "line under the title": lambda t: [below(t, 0, 1.0, 0.4, PEN)],
    "two words underlined": lambda t: [below(t, 1, 0.8, 0.3, (190, 40, 40), 0.4)],
    "box that touches writing": lambda t: box(ends(t, 0)[0][0] + 2, 18, 130, ends(t, 2)[1][0] + 0.3, 0.35, GREY),
    "uneven rules": uneven,
    "axes": lambda t: [Straight(40, 15, 40, 110, 0.4, PEN), Straight(40, 110, 150, 110, 0.4, PEN)],
    "table": lambda t: (
        [Straight(15, y, 150, y, 0.25, GREY) for y in (18, 28, 38.5, 48, 59)]
        + [Straight(x, 18, x, 59, 0.25, GREY) for x in (15, 60, 100, 150)]
    ),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("hand", [HAND, JOINED], ids=["unjoined", "joined"])
def test_lines_go_and_the_writing_stays(name, hand):
    lined, plain, truth = page(CASES[name], hand)
    kept, added = kept_and_added(lined, plain)
    assert kept > 0.985
    assert added < 0.012
    assert len(look(lined).lines.lines) == len(truth.lines)


def test_uneven_rules_are_found_where_they_were_drawn_and_make_no_pitch():
    lined, _, truth = page(uneven)
    drawn_lines = uneven(truth)
    rules = find_rules(flatten(lined, PX_PER_MM), PX_PER_MM)
    assert rules.across is None
    assert len(rules.lone_across) == len(drawn_lines)
    assert rules.lone_down == ()
    for line, found in zip(sorted(drawn_lines, key=lambda s: s.y0), rules.lone_across, strict=True):
        # Rows count from the middle of a pixel.
        for x, y in ((line.x0 + 15, line.y0), (line.x1 - 15, line.y1)):
            true = line.y0 + (line.y1 - line.y0) * (x - line.x0) / (line.x1 - line.x0)
            assert (found.at(0, x * PX_PER_MM) + 0.5) / PX_PER_MM == pytest.approx(true, abs=0.06), y
        assert found.left / PX_PER_MM == pytest.approx(line.x0, abs=4)
        assert found.right / PX_PER_MM == pytest.approx(line.x1, abs=4)
        assert found.thickness / PX_PER_MM == pytest.approx(line.width_mm, abs=0.12)


@pytest.mark.parametrize("skew", [-2.0, 3.0])
def test_lines_of_a_tilted_page_go(skew):
    lined, plain, truth = page(uneven, capture=replace(CLEAN, skew_deg=skew))
    kept, added = kept_and_added(lined, plain)
    assert kept > 0.985
    assert added < 0.02
    assert len(look(lined).lines.lines) == len(truth.lines)


@pytest.mark.parametrize("hand", [HAND, JOINED], ids=["unjoined", "joined"])
def test_words_crossed_out_along_a_ruler_stay_crossed_out(hand):
    def bars(truth):
        x, y = ends(truth, 1)
        return [Straight(x[0] + 5, y[0] - 1.3, x[0] + 75, y[0] - 1.3, 0.4, PEN)]

    lined, plain, _ = page(bars, hand, SHEET)
    bar = inked(lined) & ~inked(plain)
    # 70 mm less the strokes it runs over.
    assert bar.sum() > 0.4 * 70 * 0.4 * PX_PER_MM**2


def test_long_bars_of_t_and_joins_are_no_lines():
    lined, _, _ = page(lambda t: (), replace(JOINED, letter_space_mm=1.6))
    rules = find_rules(flatten(lined, PX_PER_MM), PX_PER_MM)
    assert (rules.across, rules.lone_across, rules.lone_down) == (None, (), ())


@pytest.mark.parametrize("seed", range(6))
def test_a_page_without_lines_has_none(seed):
    grey, _ = drawn(PASSAGES[seed % 3], replace(HAND, joined=seed % 2 == 1), PLAIN, CLEAN, seed)
    rules = find_rules(flatten(grey, PX_PER_MM), PX_PER_MM)
    assert rules.lone_across == rules.lone_down == ()


def test_lines_beside_a_ruling_leave_it_alone():
    lined, plain, _ = page(
        lambda t: [below(t, 0, 1.8, 0.4, PEN, 0.3), Straight(40, 90, 40, 135, 0.4, PEN)], paper=SHEET
    )
    with_lines, without = (find_rules(flatten(g, PX_PER_MM), PX_PER_MM) for g in (lined, plain))
    assert with_lines.across is not None and without.across is not None
    assert with_lines.across.pitch == pytest.approx(without.across.pitch, rel=1e-3)
    assert len(with_lines.lone_across) == len(with_lines.lone_down) == 1
    assert without.lone_across == without.lone_down == ()


def test_what_was_lifted_is_shown_as_set_aside():
    lined, _, truth = page(CASES["line under the title"])
    seen = look(lined)
    (x0, x1), (y0, _) = ends(truth, 0)
    assert len(seen.whole.set_aside) == 1
    shown = seen.whole.set_aside[0]
    assert shown.left / PX_PER_MM == pytest.approx(x0 - 1, abs=2)
    assert shown.right / PX_PER_MM == pytest.approx(x1, abs=2)
    assert shown.top / PX_PER_MM == pytest.approx(y0 + 1.0, abs=0.6)


def dashed_rules(truth):
    """Dashed rules under the lines, each a little off its place, as on forms drawn by hand: 1.2 mm and 0.8 mm."""
    rng = np.random.default_rng(4)
    rows = [float(line.baseline.y.mean()) + 0.25 + 0.4 * rng.standard_normal() for line in truth.lines]
    return tuple(
        Straight(x, y, x + 1.2, y, 0.25, GREY) for y in rows for x in np.arange(16 + rng.uniform(0, 2), 146, 2.0)
    )


def test_uneven_dashed_rules_are_found_and_their_dashes_are_no_ink():
    lined, plain, truth = page(dashed_rules)
    seen = look(lined)
    assert sum(line.dashed for line in seen.rules.lone_across) == len(truth.lines)
    assert len(seen.lines.lines) == len(truth.lines)
    kept, added = kept_and_added(lined, plain)
    assert kept > 0.97
    assert added < 0.08


@pytest.mark.parametrize("paper", [PLAIN, SHEET])
def test_no_row_of_letters_or_print_is_a_dashed_rule(paper):
    printed = replace(paper, passage=PASSAGES[0][:120])
    for hand in (HAND, JOINED):
        grey, _ = drawn(TEXT, hand, printed, CLEAN)
        assert not any(line.dashed for line in look(grey).rules.lone_across)
