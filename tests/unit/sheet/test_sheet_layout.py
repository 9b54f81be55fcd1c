import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from handwriting.errors import SheetError
from handwriting.sheet.layout import (
    FIDUCIAL_MM,
    LINE_LENGTH_MM,
    SheetCode,
    fiducials,
    kind_of_id,
    qr_box,
    sheet_layout,
)
from handwriting.sheet.rulings import RULINGS

KINDS = [("a4", "right"), ("a4", "left"), ("letter", "right"), ("letter", "left")]
CODES = st.builds(
    SheetCode,
    paper=st.sampled_from(["a4", "letter"]),
    hand=st.sampled_from(["right", "left"]),
    ruling=st.sampled_from([ruling.name for ruling in RULINGS] + ["8mm", "four:4/18", "two:3.5/12.25"]),
    fingerprint=st.integers(0, 2**32 - 1).map(lambda number: f"{number:08X}"),
    page=st.integers(1, 20),
    pages=st.just(20),
    top_mm=st.integers(480, 1800).map(lambda tenths: tenths / 10),
    board=st.booleans(),
)


@given(CODES)
def test_a_code_says_the_same_when_read_back(code):
    assert SheetCode.from_text(code.to_text()) == code


@pytest.mark.parametrize(
    "text", ["HW1*A*R*UK-8*0*1*1", "HW1*Q*R*UK-8*0*1*1*480", "HW1*A*R*UK-8*0*3*2*480", "HW1*A*R*X*0*1*1*480"]
)
def test_codes_that_make_no_sense_are_refused(text):
    with pytest.raises(SheetError, match="makes no sense"):
        SheetCode.from_text(text)


def test_other_codes_and_newer_versions_are_refused():
    with pytest.raises(SheetError, match="not that of a copying sheet"):
        SheetCode.from_text("HTTPS://EXAMPLE.ORG")
    with pytest.raises(SheetError, match="version 2"):
        SheetCode.from_text("HW2*SOMETHING*ELSE")


@pytest.mark.parametrize(("paper", "hand"), KINDS)
def test_marks_stand_clear_of_everything_else(paper, hand):
    marks = fiducials(paper, hand)
    assert len(marks) >= 12
    layout = sheet_layout(SheetCode(paper, hand, "uk-8", "00000000", 1, 1, 120.0))
    quiet = FIDUCIAL_MM / 8
    boxes = [layout.area, layout.qr, layout.passage, layout.code_box, layout.start_box, layout.stop_box]
    for mark in marks:
        left, top, right, foot = mark.left - quiet, mark.top - quiet, *(mark.corners()[2] + quiet)
        assert left > 6 and top > 6 and right < layout.width - 6 and foot < layout.height - 6  # printers' edges
        for box in boxes:
            assert right <= box.left or left >= box.right or foot <= box.top or top >= box.bottom
        assert kind_of_id(mark.id) == (paper, hand)


def test_no_two_sheets_share_an_id():
    ids = [mark.id for kind in KINDS for mark in fiducials(*kind)]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize(("paper", "hand"), KINDS)
def test_every_sheet_has_lines_of_the_same_length_inside_its_area(paper, hand):
    layout = sheet_layout(SheetCode(paper, hand, "de-1", "00000000", 1, 2, 90.0))
    assert layout.area.width == pytest.approx(LINE_LENGTH_MM)
    for rule in layout.rules:
        assert layout.area.top <= rule.y0 <= layout.area.bottom
        assert (rule.x0, rule.x1) == (layout.area.left, layout.area.right)
    steps = np.diff(layout.baselines)
    assert np.allclose(steps, layout.ruling.pitch_mm)
    assert layout.bar[1] - layout.bar[0] == pytest.approx(100.0)


def test_the_left_hand_never_covers_the_passage():
    layout = sheet_layout(SheetCode("a4", "left", "uk-8", "00000000", 1, 1, 48.0))
    assert layout.passage.left > layout.area.right


def test_the_code_is_clear_of_the_marks_by_its_quiet_zone():
    for kind in KINDS:
        box = qr_box(*kind)
        for mark in fiducials(*kind):
            apart_x = max(box.left - mark.left - FIDUCIAL_MM, mark.left - box.right)
            apart_y = max(box.top - mark.top - FIDUCIAL_MM, mark.top - box.bottom)
            assert max(apart_x, apart_y) >= 3.0  # four modules of 0.75 mm, as the QR standard asks (ISO/IEC 18004)
