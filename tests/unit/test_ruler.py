"""Rulers found by their ticks: scale, its uncertainty, slant, and everything that is no ruler with millimetres.

The inch is 25.4 mm (international yard and pound agreement of 1959, from memory). Four equally spaced points on a line
keep the cross-ratio 4/3 in any picture (Hartley & Zisserman, Multiple View Geometry, section 2.5, from memory).
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from handwriting.calibration import Given, calibrate
from handwriting.corrections.again import measure_again
from handwriting.errors import UsageError
from handwriting.page import Page
from handwriting.phantoms import ABLE, PASSAGES, Capture, Paper, draw
from handwriting.phantoms.lookalikes import LOOKALIKES, draw_lookalike
from handwriting.phantoms.rulers import RulerMake, lay_ruler
from handwriting.pipeline import Options, measure_page
from handwriting.record import load, to_json
from handwriting.report.overlay import overlay, shown_marks
from handwriting.ruler import NoRuler, Ruler, find_ruler
from handwriting.ruler.ticks import fit_divisions
from handwriting.rules import Ruling
from handwriting.task import read_task

STEEL = RulerMake(body=180.0, gloss=30.0)
WOOD = RulerMake(body=190.0, grain=12.0, tick=60.0)
CLEAR = RulerMake(body=240.0, clear=0.85, tick=50.0, gloss=10.0)
DARK = RulerMake(body=40.0, tick=225.0)
MAKES = {
    "steel": STEEL,
    "wood": WOOD,
    "clear": CLEAR,
    "dark": DARK,
    "two lengths": replace(STEEL, ticks=((10, 6.5), (1, 3.4))),
    "figures beside": replace(STEEL, figures_beside=True, ticks=((10, 8.0), (5, 6.0), (1, 3.0))),
    "worn": replace(WOOD, wear=0.2),
    "rim": replace(STEEL, inset_mm=0.7),
}


def place(dpi, angle_deg=1.0, at=(10.0, 20.0)):
    angle, k = np.radians(angle_deg), dpi / 25.4
    c, s = np.cos(angle) * k, np.sin(angle) * k
    return np.array([[c, -s, at[0] * k], [s, c, at[1] * k], [0, 0, 1.0]])


def scene(make, dpi, *, to_px=None, noise=2.0, blur=0.5, size=(230.0, 70.0), seed=0):
    rng = np.random.default_rng(seed)
    picture = np.full((round(size[1] * dpi / 25.4), round(size[0] * dpi / 25.4)), 245, np.float32)
    lay_ruler(picture, make, place(dpi) if to_px is None else to_px, rng)
    picture = cv2.GaussianBlur(picture, (0, 0), blur)
    picture += rng.standard_normal(picture.shape, dtype=np.float32) * noise
    return np.asarray(np.clip(np.rint(picture), 0, 255), np.uint8)


@pytest.mark.parametrize("make", MAKES.values(), ids=MAKES)
@pytest.mark.parametrize("dpi", [100, 180])
def test_scale_of_every_make(make, dpi):
    found = find_ruler(scene(make, dpi))
    assert isinstance(found, Ruler)
    assert found.px_per_mm == pytest.approx(dpi / 25.4, rel=5e-4)
    assert 0.001 <= found.relative_sd < 0.002
    assert not found.slanted
    assert len(found.mm) > 150


def test_fine_scan():
    found = find_ruler(scene(STEEL, 600, size=(120, 50)))
    assert found.px_per_mm == pytest.approx(600 / 25.4, rel=2e-4)


@pytest.mark.parametrize(("turns", "angle"), [(0, -4.0), (0, 8.0), (1, 4.0), (2, 0.0), (3, -4.0)])
def test_any_side_and_a_few_degrees(turns, angle):
    to_px = place(120, angle, at=(12.0, 30.0))
    found = find_ruler(np.ascontiguousarray(np.rot90(scene(STEEL, 120, to_px=to_px), turns)))
    assert isinstance(found, Ruler)
    assert found.px_per_mm == pytest.approx(120 / 25.4, rel=5e-4)
    # Centimetre ticks run from the edge inward.
    assert np.hypot(*(found.tips[0, 1] - found.tips[0, 0])) / found.px_per_mm == pytest.approx(7.0, abs=0.6)


def test_ticks_stand_where_they_were_drawn():
    found = find_ruler(scene(STEEL, 200))
    inverse = np.linalg.inv(place(200))
    # The finder counts from pixel middles, the drawing from pixel edges.
    drawn = np.column_stack([found.places + 0.5, np.ones(len(found.places))]) @ inverse.T
    off = drawn[:, 0] - found.mm - np.median(drawn[:, 0] - found.mm)
    assert np.abs(off).max() < 0.1
    assert np.sqrt(np.mean(off**2)) < 0.02
    zero = float(np.median(drawn[:, 0] - found.mm))
    assert zero == pytest.approx(10 * round(zero / 10), abs=0.02)


def test_stated_uncertainty_holds_the_error():
    """Without the ruler's own share, the fit's errors are held 19 times in 20 or more often."""
    held = 0
    for seed in range(16):
        found = find_ruler(scene(WOOD, 100, noise=9.0, blur=0.8, seed=seed, size=(140, 50)))
        assert isinstance(found, Ruler)
        own = np.sqrt(found.relative_sd**2 - 0.001**2)
        held += abs(found.px_per_mm / (100 / 25.4) - 1) < 2 * own
    assert held >= 14


def test_partly_covered_keeps_its_count():
    picture = scene(STEEL, 150)
    k = 150 / 25.4
    cv2.circle(picture, (round(100 * k), round(24 * k)), round(9 * k), 120, -1)
    found = find_ruler(picture)
    assert found.px_per_mm == pytest.approx(k, rel=5e-4)
    assert found.mm[-1] - found.mm[0] >= 195
    assert np.diff(found.mm).max() >= 12


@pytest.mark.parametrize("lean", [(0.0004, 0.0), (0.0, 0.0004)], ids=["along", "across"])
def test_slant_is_told_and_taken_out(lean):
    """A camera 40 cm away that leans by 9 degrees; seen straight again, the scale is that of the flat picture."""
    dpi = 200
    slant = np.array([[1, 0, 0], [0, 1, 0], [*(v * 25.4 / dpi for v in lean), 1.0]])
    found = find_ruler(scene(STEEL, dpi, to_px=slant @ place(dpi)))
    assert isinstance(found, Ruler)
    assert found.slanted
    half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    flat = found.through(np.linalg.inv(half) @ np.linalg.inv(slant) @ half, (1811, 551))
    assert not flat.slanted
    assert flat.px_per_mm == pytest.approx(dpi / 25.4, rel=5e-4)


def test_fit_keeps_the_cross_ratio():
    number = np.arange(0, 200)
    exact = (6.0 * number + 40.0) / (1 + 4e-4 * number)
    rng = np.random.default_rng(3)
    fit = fit_divisions(number, exact + rng.normal(0, 0.05, 200), 6.0)
    a, b, c = fit.curve
    p, q, r, s = ((a * k + b) / (1 + c * k) for k in (10, 70, 130, 190))
    assert (r - p) * (s - q) / ((r - q) * (s - p)) == pytest.approx(4 / 3, rel=1e-9)
    middle = 0.5 * (number[0] + number[-1])
    assert fit.pitch == pytest.approx((6.0 - 40.0 * 4e-4) / (1 + 4e-4 * middle) ** 2, rel=3e-4)


@pytest.mark.parametrize("kind", LOOKALIKES)
def test_lookalikes_are_let_be(kind):
    for dpi in (100, 170):
        assert isinstance(find_ruler(draw_lookalike(kind, 500, dpi)), NoRuler)


def test_no_lookalike_of_that_name():
    with pytest.raises(UsageError, match="no lookalike"):
        draw_lookalike("harp", 0)


@pytest.mark.parametrize("parts", ["eighths", "sixteenths", "thirty-seconds"])
def test_inches_are_told(parts):
    assert find_ruler(draw_lookalike(f"{parts} of an inch", 7, 200)).kind == "inch"


def test_half_millimetres_are_never_taken_for_whole_ones():
    make = RulerMake(0.5, ((20, 7.0), (10, 5.6), (2, 4.2), (1, 2.6)), 20, tick_mm=0.12)
    for dpi in (200, 400):
        found = find_ruler(scene(make, dpi, blur=0.4, size=(140, 50)))
        assert isinstance(found, NoRuler) or found.px_per_mm == pytest.approx(dpi / 25.4, rel=1e-3)


def test_two_rulers_that_disagree():
    dpi = 150
    picture = scene(STEEL, dpi, size=(230, 120)).astype(np.float32)
    lay_ruler(picture, replace(STEEL, division_mm=1.1), place(dpi, 0, at=(10, 80)), np.random.default_rng(0))
    assert isinstance(find_ruler(np.asarray(picture, np.uint8)), NoRuler)


def test_too_little_of_a_ruler():
    assert isinstance(find_ruler(scene(replace(STEEL, length_mm=25.0), 150)), NoRuler)


@pytest.mark.parametrize("shape", [(5, 5), (40, 400), (400, 40)])
def test_small_and_blank_pictures(shape):
    assert find_ruler(np.full(shape, 200, np.uint8)) == NoRuler(None)


# The line


def page_of(image, dpi=None):
    claimed = None if dpi is None else (float(dpi), float(dpi))
    return Page(image, None, "0" * 64, "page.png", "PNG", claimed_dpi=claimed, claim_source="pHYs" if dpi else "")


@pytest.fixture(scope="module")
def written():
    """A page at 150 dpi with 45 mm of desk at its right, where a ruler lies."""
    page = draw(PASSAGES[1][:260], ABLE, Paper(width_mm=148, height_mm=210), Capture(dpi=150), seed=8)
    k = 150 / 25.4
    wide = np.full((page.image.shape[0], round(190 * k)), 244, np.float32)
    wide[:, : page.image.shape[1]] = page.image
    to_px = np.array([[0, -k, 186 * k], [k, 0, 10 * k], [0, 0, 1.0]])
    lay_ruler(wide, replace(STEEL, length_mm=180.0), to_px, np.random.default_rng(1))
    wide = cv2.GaussianBlur(wide, (0, 0), 0.5) + np.random.default_rng(2).normal(0, 1.5, wide.shape)
    return np.asarray(np.clip(wide, 0, 255), np.uint8), page.truth


@pytest.fixture(scope="module")
def measured(written):
    return measure_page(page_of(written[0]), read_task(), Options(Given(ruler=True)))


def test_ruler_sets_the_scale_and_is_no_writing(written, measured):
    record = measured.record
    assert record.scale.source == "ruler"
    assert record.scale.mm_per_px == pytest.approx(25.4 / 150, rel=1e-3)
    assert len(record.lines) == len(written[1].lines)
    assert max(word.box.right for line in record.lines for word in line.words) < 150
    assert any("agrees with 8 mm paper" in check for check in record.scale.checks)
    assert not {"ruler-at-a-slant", "scale-conflict"} & {note.code for note in record.flags}


def test_ruler_is_on_the_record_and_in_the_picture(measured):
    record = measured.record
    assert np.allclose(load(to_json(record)).scale.ruler.ticks, record.scale.ruler.ticks, rtol=1e-5)
    ends = np.array(record.scale.ruler.ticks)
    apart = np.diff(ends[:, 0], axis=0)
    assert np.hypot(*apart.T) == pytest.approx(10.0, rel=2e-3)
    assert "ruler" in shown_marks(record)
    without = replace(record, scale=replace(record.scale, ruler=None))
    drawn, bare = overlay(record, measured.picture, legend=False), overlay(without, measured.picture, legend=False)
    assert (drawn != bare).any()


@pytest.mark.parametrize("turns", [1, 2])
def test_turned_page(written, measured, turns):
    turned = np.ascontiguousarray(np.rot90(written[0], turns))
    record = measure_page(page_of(turned), read_task(), Options(Given(ruler=True))).record
    assert record.scale.mm_per_px == pytest.approx(measured.record.scale.mm_per_px, rel=2e-4)
    assert np.allclose(sorted(record.scale.ruler.ticks), sorted(measured.record.scale.ruler.ticks), atol=0.3)


def test_measured_again_from_the_record(written, measured):
    again = measure_again(measured.record, (page_of(written[0]),))
    assert again.record.scale == measured.record.scale


def test_slanted_photograph_without_edges_gives_ratios():
    slant = np.array([[1, 0, 0], [0, 1, 0], [0, 4e-4 * 25.4 / 150, 1.0]])
    picture = draw(PASSAGES[1][:200], ABLE, Paper(), Capture(dpi=150), seed=8).image.astype(np.float32)
    lay_ruler(picture, STEEL, slant @ place(150, at=(5.0, 240.0)), np.random.default_rng(0))
    blurred = cv2.GaussianBlur(picture, (0, 0), 0.5)
    record = measure_page(page_of(np.asarray(blurred, np.uint8), 150), read_task(), Options(Given(ruler=True))).record
    assert record.scale.mm_per_px is None
    assert {"no-scale", "ruler-at-a-slant"} <= {note.code for note in record.flags}
    assert "slant" in record.scale.sentence


RULER = Ruler(
    places=np.column_stack([np.arange(101) * 11.811, np.zeros(101)]),
    mm=np.arange(101),
    tips=np.zeros((11, 2, 2)),
    corners=np.zeros((4, 2)),
    px_per_mm=11.811,
    relative_sd=0.001,
    change=0.002,
    change_sd=0.001,
)


def scale(dpi=None, *, given=None, pitch=None, straightened=False, ruler=RULER, frame=1.0, size=(2480, 3508)):
    page = page_of(np.broadcast_to(np.uint8(255), size[::-1]), dpi)
    lines = None
    if pitch is not None:
        offsets = 200 + pitch * np.arange(20)
        lines = Ruling("single", offsets, 0.0, 0.0, 0.0, pitch, 0.02, 0.3, 40.0, 0.0, 2000.0, tuple(range(20)))
    return calibrate(page, lines, frame, given or Given(ruler=True), ruler, straightened=straightened)


def test_ruler_outranks_the_claim_and_says_how_they_differ():
    agreed = scale(300, pitch=94.5)
    assert agreed.source == "ruler" and agreed.flags == ()
    assert "300 dots to the inch, differs from it by +0.0 %" in agreed.checks[0]
    assert "agrees with 8 mm paper" in agreed.checks[1]
    conflict = scale(254)
    assert conflict.mm_per_px == pytest.approx(1 / 11.811)
    assert conflict.flags == ("scale-conflict",)
    assert scale(given=Given(dpi=200, ruler=True)).flags == ("scale-conflict",)
    # A camera's 72 dots to the inch would make a sheet of no size.
    assert scale(72).flags == () and "72" in scale(72).checks[0]


@pytest.mark.parametrize("frame", [1.0, 0.5])
def test_reduced_frame(frame):
    assert scale(frame=frame).mm_per_px == pytest.approx(frame / 11.811)


def test_uncertainty_grows_with_slant_and_lift():
    flat = scale().relative_sd
    assert 0.001 < flat < 0.002
    assert scale(straightened=True).relative_sd > 0.005
    assert scale(ruler=replace(RULER, change=0.009, change_sd=0.004)).relative_sd > 2 * flat
    assert scale(ruler=replace(RULER, change=0.05, change_sd=0.004)).mm_per_px is None


def test_coarse_picture():
    assert scale(ruler=replace(RULER, px_per_mm=3.0)).mm_per_px is None


def test_ruler_asked_for_and_none_there():
    page = draw(PASSAGES[1][:120], ABLE, Paper(width_mm=148, height_mm=120), Capture(dpi=150), seed=8)
    with pytest.raises(UsageError, match="no ruler with millimetres was found") as told:
        measure_page(page_of(page.image), read_task(), Options(Given(ruler=True)))
    assert "--dpi" in told.value.fix and told.value.exit_code == 2


def test_inch_scale_is_named_in_the_refusal():
    with pytest.raises(UsageError, match="inch scale"):
        measure_page(page_of(draw_lookalike("sixteenths of an inch", 3, 150)), read_task(), Options(Given(ruler=True)))


def test_ruler_and_rule_pitch_both_given():
    with pytest.raises(UsageError, match="both set the scale"):
        Given(rule_mm=8, ruler=True)
