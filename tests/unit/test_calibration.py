"""When a scale is believed, from what, and when nothing is given in millimetres."""

import numpy as np
import pytest

from handwriting.calibration import Given, calibrate, rough_px_per_mm
from handwriting.errors import UsageError
from handwriting.page import Page
from handwriting.rules import Ruling

# ISO 216: A4 is 210 by 297 mm, so 2480 by 3508 pixels at 300 dots to the inch (25.4 mm).
A4_300 = (2480, 3508)
MM_300 = 25.4 / 300


def page(size, dpi=None):
    width, height = size
    claimed = None if dpi is None else (dpi, dpi) if np.isscalar(dpi) else dpi
    blank = np.broadcast_to(np.uint8(255), (height, width))
    return Page(blank, None, "0" * 64, "page.png", "PNG", claimed_dpi=claimed, claim_source="pHYs" if claimed else "")


def ruling(pitch, error=0.02):
    offsets = 200 + pitch * np.arange(20)
    return Ruling("single", offsets, 0.0, 0.0, 0.0, pitch, error, 0.3, 40.0, 0.0, 2000.0, tuple(range(20)))


def scale(size, dpi=None, *, pitch=None, frame=1.0, given=None):
    return calibrate(page(size, dpi), None if pitch is None else ruling(pitch), frame, given or Given())


def test_claim_that_makes_a_paper_size_is_believed():
    found = scale(A4_300, 300)
    assert found.mm_per_px == pytest.approx(MM_300)
    assert found.source == "file and paper size"
    assert "A4" in found.sentence
    assert found.flags == ()
    assert 0 < found.relative_sd < 0.01


@pytest.mark.parametrize("size", [A4_300, A4_300[::-1], (2480 + 30, 3508 - 40)])
def test_paper_either_way_up_and_trimmed_a_little(size):
    assert scale(size, 300).source == "file and paper size"


@pytest.mark.parametrize("dpi", [72, 96, 1200])
def test_claim_that_the_shape_of_the_sheet_contradicts(dpi):
    found = scale(A4_300, dpi)
    assert found.mm_per_px is None
    assert "scale-conflict" in found.flags
    assert str(dpi) in found.sentence


@pytest.mark.parametrize("frame", [1.0, 0.5])
def test_crop_whose_rules_agree_with_the_claim(frame):
    """8 mm lines at 300 dots to the inch are 94.49 pixels apart; a halved frame does not change the page's scale."""
    found = scale((1700, 1100), 300, pitch=8 / MM_300 * frame, frame=frame)
    assert found.mm_per_px == pytest.approx(MM_300)
    assert found.source == "file and rule pitch"
    assert "8 mm" in found.sentence
    assert found.flags == ()


@pytest.mark.parametrize("pitch", [None, 55.3])
def test_crop_that_nothing_bears_out_is_flagged(pitch):
    found = scale((1700, 1100), 300, pitch=pitch)
    assert found.mm_per_px == pytest.approx(MM_300)
    assert "scale-from-file-unchecked" in found.flags
    assert found.relative_sd > scale(A4_300, 300).relative_sd


def test_crop_at_a_resolution_no_scanner_has():
    found = scale((1700, 1100), 137.3)
    assert found.mm_per_px is None
    assert "scale-conflict" in found.flags


def test_page_of_an_impossible_size():
    found = scale((6000, 1500), 100)
    assert found.mm_per_px is None
    assert "scale-conflict" in found.flags


def test_exact_sheet_without_a_claim():
    found = scale(A4_300)
    assert found.mm_per_px == pytest.approx(MM_300)
    assert found.source == "paper size"
    assert found.flags == ("scale-from-paper-size",)


def test_exact_sheet_without_a_claim_whose_rules_agree_is_not_alone():
    found = scale(A4_300, pitch=8 / MM_300)
    assert (found.source, found.flags) == ("paper size", ())


def test_nothing_known_is_nothing_given():
    found = scale((1700, 1100), pitch=94.5)
    assert found.mm_per_px is None
    assert found.source == "none"
    assert "--dpi" in found.sentence


def test_given_resolution_outranks_the_claim():
    found = scale(A4_300, 96, given=Given(dpi=300))
    assert found.mm_per_px == pytest.approx(MM_300)
    assert found.source == "given"


@pytest.mark.parametrize("frame", [1.0, 0.5])
def test_rules_of_a_given_pitch(frame):
    found = scale((1700, 1100), pitch=100 * frame, frame=frame, given=Given(rule_mm=8))
    assert found.mm_per_px == pytest.approx(0.08)
    assert found.source == "rule pitch"
    assert found.flags == ()


def test_rules_of_a_given_pitch_outrank_the_claim_and_tell_a_conflict():
    found = scale(A4_300, 300, pitch=100, given=Given(rule_mm=8))
    assert found.mm_per_px == pytest.approx(0.08)
    assert "scale-conflict" in found.flags
    assert "-5.5 %" in found.checks[0]
    agreed = scale(A4_300, 300, pitch=8 / MM_300, given=Given(rule_mm=8))
    assert "scale-conflict" not in agreed.flags


def test_pitch_given_but_no_rules():
    with pytest.raises(UsageError, match="no printed rules were found"):
        scale(A4_300, 300, given=Given(rule_mm=8))


@pytest.mark.parametrize(("dpi", "known", "flagged"), [(80, 0, 1), (96, 0, 1), (100, 1, 1), (150, 1, 1), (200, 1, 0)])
def test_coarse_pictures(dpi, known, flagged):
    """Nothing in mm under 100 dots to the inch, a flag under 200."""
    size = (round(210 / 25.4 * dpi), round(297 / 25.4 * dpi))
    for found in (scale(size, dpi), scale(size, given=Given(dpi=dpi))):
        assert (found.mm_per_px is not None) == bool(known)
        assert ("low-resolution" in found.flags) == bool(flagged)


@pytest.mark.parametrize("dpi", [0, -300, 49, 4801, float("nan"), float("inf")])
def test_resolution_no_scanner_has(dpi):
    with pytest.raises(UsageError, match="--dpi"):
        Given(dpi=dpi)


@pytest.mark.parametrize("pitch", [0, -8, 1.9, 41, float("nan")])
def test_pitch_no_paper_has(pitch):
    with pytest.raises(UsageError, match="--rule-mm"):
        Given(rule_mm=pitch)


@pytest.mark.parametrize(("height", "source"), [(1146, "file and paper size"), (900, "file and rule pitch")])
def test_pixels_that_are_not_square(height, source):
    """A facsimile has other resolutions across than down; the frame's pixels are square, as fine as those across."""
    found = scale((1687, height), (204, 98), pitch=8 / 25.4 * 204)
    assert found.mm_per_px == pytest.approx(25.4 / 204)
    assert found.source == source
    assert "agrees with 8 mm" in " ".join((found.sentence, *found.checks))


@pytest.mark.parametrize("pitch", [None, 94.5])
def test_resolution_stated_double(pitch):
    """A4 scanned at 300 and stated as 600 has the size of A6, and its 8 mm lines a listed pitch: neither is proof."""
    found = scale(A4_300, 600, pitch=pitch)
    assert found.mm_per_px is None
    assert "scale-conflict" in found.flags
    assert "A6" in found.sentence


def test_a_rough_scale_for_the_first_look():
    assert rough_px_per_mm(page(A4_300, 300), Given()) == pytest.approx(300 / 25.4)
    assert rough_px_per_mm(page(A4_300, 300), Given(dpi=150)) == pytest.approx(150 / 25.4)
    assert rough_px_per_mm(page(A4_300), Given()) == pytest.approx(300 / 25.4)
    assert rough_px_per_mm(page((1700, 1100)), Given()) is None


@pytest.mark.parametrize("dpi", [72, 96, 2400])
def test_a_claim_the_sheet_contradicts_does_not_mislead_the_first_look(dpi):
    rough = rough_px_per_mm(page(A4_300, dpi), Given())
    assert rough is None or 0.5 < rough / (300 / 25.4) < 2
