"""Keeping to the line: hand-made feet whose distances, slopes and spreads are known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from handwriting.geometry import Box, FloatArray, Polyline
from handwriting.ink import Ink, Pieces
from handwriting.letters import Letters, Mark
from handwriting.lines import Lines, TextLine
from handwriting.measures.baseline import OWN_KEYS, RULE_KEYS, baseline
from handwriting.measures.evidence import Evidence
from handwriting.quantity import Measured, NotMeasured, Quantity
from handwriting.rules import Ruling
from handwriting.words import Words

BODY, PITCH, LEFT, RIGHT = 30.0, 120.0, 100.0, 1700.0


def ruling(lines: int, slope: float = 0.0) -> Ruling:
    offsets = np.asarray(200 + PITCH * np.arange(lines), dtype=np.float64)
    return Ruling(
        kind="single",
        offsets=offsets,
        slope=slope,
        bend=0.0,
        turn=0.0,
        pitch=PITCH,
        pitch_error=0.0,
        residual_rms=0.0,
        darkness=60.0,
        left=0.0,
        right=1800.0,
        writing=tuple(range(lines)),
    )


def evidence_of(
    feet: list[tuple[FloatArray, FloatArray]],
    *,
    rules: Ruling | None,
    mm_per_px: float | None = 0.1,
    tolerance_mm: float = 0.5,
    tails: int = 0,
) -> Evidence:
    """Return a page of letters whose feet (columns; rows of their lower edge) are given line by line.

    The first `tails` letters of each line are letters with a tail.
    """
    marks, share, courses = [], [], []
    for k, (x, y) in enumerate(feet):
        level = float(np.median(y))
        courses.append(
            TextLine(Polyline(np.array([LEFT, RIGHT]), np.full(2, level - 0.5)), BODY, None if rules is None else k)
        )
        for i, (column, row) in enumerate(zip(x, y, strict=True)):
            tail = i < tails
            box = Box(column - 5, row - BODY, column + 5, row)
            marks.append(Mark(k, -1, box, "descender" if tail else "body", row, row - BODY, BODY, level - row))
            share.append([0, 0, 0, 1] if tail else [1, 0, 0, 0])
    empty = np.empty(0, np.int32)
    pieces = Pieces(empty, empty, empty, np.empty((0, 5), np.int32), (2000, 1800))
    ink = Ink(pieces, np.full((4, 4), 250, np.uint8), 4.0, 150.0, 1.0)
    letters = Letters(
        tuple(marks),
        np.array(share, float),
        np.array([BODY - 4, 45.0, 60.0, 55.0]),
        np.zeros(len(marks), bool),
        4.0,
        joined=False,
    )
    lines = Lines(tuple(courses), empty, pieces, BODY, 0.0)
    return Evidence(ink, rules, lines, Words((), empty), letters, mm_per_px, 0.0, tolerance_mm)


def written(
    lines: int = 8,
    above: float = 0.0,
    slopes_deg: float | FloatArray = 0.0,
    bounce: float = 0.0,
    seed: int = 5,
    n: int = 40,
) -> list[tuple[FloatArray, FloatArray]]:
    """Return feet `above` px over rules 200 + 120 k, each line turned about its middle, feet scattered by `bounce`."""
    rng = np.random.default_rng(seed)
    x = np.linspace(LEFT, RIGHT, n)
    rise = np.tan(np.radians(np.broadcast_to(slopes_deg, lines)))
    return [
        (x, 200 + PITCH * k - above - rise[k] * (x - x.mean()) + bounce * rng.standard_normal(n)) for k in range(lines)
    ]


def value_of(quantity: Quantity) -> Measured:
    assert isinstance(quantity, Measured), quantity
    return quantity


def reason(quantity: Quantity) -> str:
    assert isinstance(quantity, NotMeasured), quantity
    return quantity.flag


@pytest.mark.parametrize("above", [-6.0, 0.0, 9.0])
def test_distance_to_the_rule_is_positive_above(above: float) -> None:
    found = baseline(evidence_of(written(above=above, bounce=2.0), rules=ruling(8)))
    assert value_of(found["rule_distance"]).value == pytest.approx(0.1 * above, abs=0.05)
    assert value_of(found["rule_wander"]).value == pytest.approx(0.2, abs=0.03)


def test_distances_follow_a_sloping_rule() -> None:
    slope = -np.tan(np.radians(2.0))  # rows fall as columns grow: the rule rises to the right
    feet = [(x, y + slope * x) for x, y in written(above=4.0, bounce=1.0)]
    found = baseline(evidence_of(feet, rules=ruling(8, slope)))
    assert value_of(found["rule_distance"]).value == pytest.approx(0.4, abs=0.03)
    assert value_of(found["baseline_drift"]).value == pytest.approx(0.0, abs=0.05)


def test_share_on_the_line_counts_both_sides_of_the_band() -> None:
    y = np.array([0.0, 4.9, -4.9, 5.1, -5.1] * 8)
    feet = [(np.linspace(LEFT, RIGHT, 40), 200 + PITCH * k - y) for k in range(4)]
    assert value_of(baseline(evidence_of(feet, rules=ruling(4)))["on_line_share"]).value == pytest.approx(60.0)
    wide = evidence_of(feet, rules=ruling(4), tolerance_mm=0.52)
    assert value_of(baseline(wide)["on_line_share"]).value == pytest.approx(100.0)


def test_wander_of_few_letters_a_line_is_not_low() -> None:
    """A straight line through eight feet takes two of their eight freedoms."""
    found = baseline(evidence_of(written(lines=60, bounce=3.0, n=8), rules=None))
    assert value_of(found["baseline_wander"]).value == pytest.approx(0.3, rel=0.06)


@pytest.mark.parametrize("degrees", [-1.5, 0.0, 2.0])
def test_drift_is_positive_when_the_line_rises(degrees: float) -> None:
    found = baseline(evidence_of(written(slopes_deg=degrees, bounce=2.0), rules=ruling(8)))
    drift = value_of(found["baseline_drift"])
    assert drift.value == pytest.approx(degrees, abs=0.06)
    assert drift.low <= degrees <= drift.high


def test_spread_of_drift_is_freed_of_the_error_of_each_slope() -> None:
    slopes = 0.4 * np.array([-1.5, -1.0, -0.5, 0.0, 0.0, 0.5, 1.0, 1.5])
    found = baseline(evidence_of(written(slopes_deg=slopes, bounce=3.0), rules=ruling(8)))
    assert value_of(found["baseline_drift_spread"]).value == pytest.approx(float(slopes.std(ddof=1)), abs=0.05)
    equal = value_of(baseline(evidence_of(written(bounce=6.0), rules=ruling(8)))["baseline_drift_spread"])
    # Slopes as found scatter by 0.12 degrees here though all lines are equally level.
    assert equal.value < 0.09
    assert equal.low == 0.0


@pytest.mark.parametrize("bounce", [1.0, 3.0, 6.0])
def test_wander_is_the_scatter_of_feet_about_their_line(bounce: float) -> None:
    found = baseline(evidence_of(written(slopes_deg=1.0, above=7.0, bounce=bounce), rules=ruling(8)))
    wander = value_of(found["baseline_wander"])
    true = 0.1 * np.sqrt(max(bounce**2 - 1 / 12, 0.0))  # feet here are not rounded to whole pixels
    assert wander.value == pytest.approx(true, rel=0.1)
    assert wander.low <= true <= wander.high
    assert value_of(found["baseline_wander_ratio"]).value == pytest.approx(wander.value / (0.1 * (BODY - 4)))


def test_letters_with_tails_do_not_count() -> None:
    feet = written(bounce=2.0)
    for _, y in feet:
        y[:3] += 25
    found = baseline(evidence_of(feet, rules=ruling(8), tails=3))
    assert value_of(found["rule_distance"]).value == pytest.approx(0.0, abs=0.05)
    assert value_of(found["baseline_wander"]).value == pytest.approx(0.2, abs=0.03)


def test_plain_paper_has_no_distance_to_a_rule() -> None:
    found = baseline(evidence_of(written(slopes_deg=1.0, bounce=2.0), rules=None))
    for key in RULE_KEYS:
        assert found[key] == NotMeasured("no-ruling", "no printed rules were found on the page")
    drift = value_of(found["baseline_drift"])
    assert drift.value == pytest.approx(1.0, abs=0.06)
    assert drift.flags == ("no-ruling",)


def test_few_letters_give_no_spread() -> None:
    found = baseline(evidence_of(written(lines=1, n=20, bounce=2.0), rules=ruling(1)))
    for key in ("rule_wander", "baseline_wander", "baseline_wander_ratio"):
        assert reason(found[key]) == "few-letters"
    assert value_of(found["rule_distance"]).flags == ("few-letters",)
    for key in ("baseline_drift", "baseline_drift_spread"):
        assert reason(found[key]) == "few-lines"


def test_three_lines_give_no_spread_of_drift() -> None:
    found = baseline(evidence_of(written(lines=3, bounce=2.0), rules=ruling(3)))
    assert isinstance(found["baseline_drift"], Measured)
    assert found["baseline_drift_spread"] == NotMeasured("few-lines", "a spread over lines needs four lines of writing")


def test_no_letters_give_nothing() -> None:
    found = baseline(evidence_of([(np.array([LEFT]), np.array([200.0]))], rules=ruling(1)))
    for key in (*RULE_KEYS, *OWN_KEYS):
        assert reason(found[key]) == "few-letters"


def test_without_scale_only_angles_and_ratios_remain() -> None:
    found = baseline(evidence_of(written(bounce=2.0), rules=ruling(8), mm_per_px=None))
    for key in ("rule_distance", "rule_wander", "on_line_share", "baseline_wander"):
        assert reason(found[key]) == "no-scale"
    assert value_of(found["baseline_wander_ratio"]).value == pytest.approx(2.0 / (BODY - 4), rel=0.1)
    assert isinstance(found["baseline_drift"], Measured)
