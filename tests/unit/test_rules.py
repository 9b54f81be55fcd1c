"""Rules are found where they are printed, to the edge of the page, and rows of printed letters are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stages import BLANK, CLEAN, DPI, PX_PER_MM, drawn, look

from handwriting.lifting import flatten
from handwriting.phantoms import PASSAGES, Paper, Writer, random_page
from handwriting.rules import find_rules
from handwriting.turning import upright

HAND = Writer(height_cv=0.12, bounce_mm=0.2)


@pytest.mark.parametrize("boxed", [False, True])
def test_rows_of_print_on_blank_paper_are_no_rules(boxed):
    grey, _ = drawn(PASSAGES[4][:120], HAND, replace(BLANK, passage=PASSAGES[4], boxed=boxed))
    assert find_rules(flatten(grey, PX_PER_MM), PX_PER_MM).across is None


def test_dotted_rules_are_rules():
    grey = np.full((1200, 1000), 250, np.uint8)
    for row in range(150, 1150, 63):
        # Dots of 0.6 mm with gaps of 0.5 mm.
        for start in range(60, 940, 9):
            grey[row : row + 2, start : start + 5] = 60
    ruling = find_rules(flatten(grey, PX_PER_MM), PX_PER_MM).across
    assert ruling is not None
    assert len(ruling.offsets) == 16
    assert ruling.pitch == pytest.approx(63, abs=0.05)


def test_rules_are_lifted_to_the_edge_of_the_page():
    # 1654 px across is not a whole number of strips: what is left over is ruled too.
    grey, truth = drawn(PASSAGES[1][:160], HAND, Paper(rules="double", pitch_mm=11, zone_mm=3.5))
    seen = look(grey)
    assert seen.rules.across is not None
    assert seen.rules.across.right == grey.shape[1]
    right = max(truth.px(word.box).right for word in truth.words if word.box is not None)
    assert seen.ink.pieces.x.max() < right + PX_PER_MM
    assert len(seen.lines.lines) == len(truth.lines)


@pytest.mark.parametrize("seed", [25, 122, 145])
def test_few_lines_of_large_or_widely_spaced_writing_lie_upright(seed):
    # In these the upright strokes of letters are as uneven along the lines as the lines are across.
    text, writer, paper, _ = random_page(seed)
    grey, _ = drawn(text, writer, paper, replace(CLEAN, dpi=DPI), seed)
    flat = flatten(grey, PX_PER_MM)
    assert upright(flat, PX_PER_MM) == 0
    assert upright(np.ascontiguousarray(np.rot90(flat)), PX_PER_MM) == 90


def test_a_headings_line_is_lifted_but_is_no_rule():
    grey = np.full((1200, 1000), 250, np.uint8)
    for row in (100, *range(260, 1150, 63)):
        grey[row : row + 2, 20:980] = 120
    ruling = find_rules(flatten(grey, PX_PER_MM), PX_PER_MM).across
    assert ruling is not None
    assert ruling.outside == (0,)
    assert ruling.pattern == tuple(range(1, len(ruling.offsets)))
    assert ruling.at(ruling.pattern[0], 0.0) == pytest.approx(260.5, abs=0.3)


@pytest.mark.parametrize("kind", ["single", "double", "four-line", "squared"])
@pytest.mark.parametrize("skew", [-3, 2.5])
def test_rules_that_run_off_a_turned_page_are_rules_and_are_lifted(kind, skew):
    # Rules up to the edges: of those next to the upper and the lower edge a part is in the picture, of some a corner.
    pitch = 5 if kind == "squared" else 9
    paper = Paper(rules=kind, pitch_mm=pitch, zone_mm=2.4, top_mm=6, bottom_mm=2, rule_rgb=(120, 120, 130))
    grey, truth = drawn(PASSAGES[1][:300], Writer(x_height_mm=2, height_cv=0.12), paper, replace(CLEAN, skew_deg=skew))
    seen = look(grey)
    assert seen.rules.across is not None
    assert len(seen.rules.across.offsets) == sum(rule.kind not in ("vertical", "margin") for rule in truth.rules)
    assert seen.rules.lone_across == ()
    assert len(seen.lines.lines) == len(truth.lines)
    assert seen.kept > 0.999
