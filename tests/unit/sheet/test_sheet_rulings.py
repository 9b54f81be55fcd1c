"""Rulings against published figures. Measures read in texts that quote the standards; the texts are named per row."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handwriting.errors import UsageError
from handwriting.sheet.rulings import FIT_TO_LETTER, RULINGS, STANDARD_PITCHES, find_ruling, nearest_standard

PUBLISHED = [
    # name, row pitch (None where only the zones are published), zone; source
    ("de-0", None, 6.0),  # a shop's listing of DIN 16552-1: four lines 6 mm apart
    ("de-1", None, 5.0),  # the same: 5 mm
    ("de-2", None, 4.0),  # the same: 4 mm
    ("de-3", 3.5 + 8.0, 3.5),  # the same: two lines 3.5 mm apart, 8 mm to the next row
    ("de-4", 10.0, None),  # a broadcaster's transcript: single line, 10 mm
    ("fr-seyes", 8.0, 2.0),  # a French teacher's page: 8 mm with 2 mm lines
    ("fr-seyes-2.5", 10.0, 2.5),
    ("fr-seyes-3", 12.0, 3.0),
    ("us-wide", 8.7, None),  # a stationer's page; 11/32 inch = 8.73 mm, 9/32 = 7.14, 1/4 = 6.35
    ("us-medium", 7.1, None),
    ("us-narrow", 6.35, None),
    ("cz-1", 20.0, None),  # an encyclopaedia
    ("cz-2", 16.0, None),
]


@pytest.mark.parametrize(("name", "pitch", "zone"), PUBLISHED)
def test_listed_papers_have_their_published_measures(name, pitch, zone):
    ruling = find_ruling(name)
    assert pitch is None or ruling.pitch_mm == pytest.approx(pitch)
    assert ruling.body_mm == zone
    above = sorted(line.above_mm for line in ruling.row())
    if ruling.kind == "four-line":
        assert above == [-zone, 0, zone, 2 * zone]
        assert ruling.pitch_mm - 3 * zone == pytest.approx(ruling.gap_mm)
    if ruling.kind == "seyes":
        assert above == [0, zone, 2 * zone, 3 * zone]


def test_names_are_unique_and_every_figure_says_where_it_is_from():
    assert len({ruling.name for ruling in RULINGS}) == len(RULINGS)
    for ruling in RULINGS:
        assert (ruling.provenance == "memory") == ("not looked up" in ruling.source)


@pytest.mark.parametrize("pitch", sorted(STANDARD_PITCHES))
def test_a_pitch_within_one_per_cent_is_a_standard_one_and_beyond_is_not(pitch):
    for factor in (0.9901, 1.0099):
        assert nearest_standard(pitch * factor).pitch_mm == pitch
    for factor in (0.989, 1.011):
        found = nearest_standard(pitch * factor)
        assert found is None or found.printed_small or found.pitch_mm != pitch


def test_a_page_shrunk_to_letter_is_told():
    found = nearest_standard(8.0 * FIT_TO_LETTER)
    assert (found.pitch_mm, found.printed_small) == (8.0, True)
    assert found.ratio == pytest.approx(279.4 / 297)
    assert nearest_standard(10.5) is None


def test_own_rulings():
    assert find_ruling("8mm").pitch_mm == find_ruling(" 8 ").pitch_mm == 8.0
    two = find_ruling("two:4/13")
    assert (two.kind, two.body_mm, two.pitch_mm, two.gap_mm) == ("two-line", 4.0, 13.0, 9.0)
    assert find_ruling("two:3,5/11,5") == find_ruling("two:3.5/11.5")
    assert find_ruling("8,5mm").name == "8.5mm"
    assert find_ruling("four:4").pitch_mm == 18.0
    assert find_ruling("seyes:2").pitch_mm == 8.0
    assert find_ruling("squared:5mm").kind == "squared"


@pytest.mark.parametrize(
    "text", ["", "wide", "1mm", "61", "8cm", "two:4/7", "four:5/14", "seyes:2/8", "-8mm", "8mm 9mm", "8,mm"]
)
def test_rulings_that_are_none_are_refused(text):
    with pytest.raises(UsageError) as refusal:
        find_ruling(text)
    assert refusal.value.fix


@given(st.floats(2, 60))
def test_a_ruling_is_found_again_by_its_own_name(size):
    ruling = find_ruling(f"{size:.3f}mm")
    assert find_ruling(ruling.name) == ruling
