"""From page to record: turned pages, pages without a scale, false resolutions, and what the record says of them."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from handwriting.calibration import Given
from handwriting.page import Page
from handwriting.phantoms import ABLE, PASSAGES, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import Measured
from handwriting.record import load, to_json
from handwriting.task import read_task

DPI = 150


def page_of(image, dpi=None):
    claimed = None if dpi is None else (float(dpi), float(dpi))
    return Page(image, None, "0" * 64, "page.png", "PNG", claimed_dpi=claimed, claim_source="pHYs" if dpi else "")


@pytest.fixture(scope="session")
def drawn():
    return draw(PASSAGES[1][:260], ABLE, Paper(), Capture(dpi=DPI), seed=8)


@pytest.fixture(scope="session")
def upright(drawn):
    return measure_page(page_of(drawn.image, DPI), read_task(text=PASSAGES[1]), Options())


def test_upright(drawn, upright):
    record = upright.record
    assert record.scale.unit == "mm"
    assert record.page.turned_deg == 0
    assert len(record.lines) == len(drawn.truth.lines)
    assert record.ruling.pitch == pytest.approx(8.0, rel=0.005)
    assert "turned" not in {flag.code for flag in record.flags}


def test_places_in_the_record_are_those_drawn(drawn, upright):
    # Baselines are the course of the pen, as drawn; places count from the page's corner, and hold to a tenth of a
    # millimetre where half a pixel is 0.085.
    k = 25.4 / DPI
    for found, true in zip(upright.record.lines, drawn.truth.lines, strict=True):
        x = np.linspace(true.baseline.x[2], true.baseline.x[-3], 30)
        above = true.baseline.at(x) - np.interp(x, *np.transpose(found.baseline))
        assert np.sqrt(np.mean(above**2)) < 0.2
        assert found.half_stroke == pytest.approx(ABLE.pen_width_mm / 2, abs=0.05)
        assert found.stands_on()[0][1] - found.baseline[0][1] == pytest.approx(found.half_stroke)
    off = [
        true.baseline.at(np.array([p[0] for p in found.baseline])).mean() - np.mean([p[1] for p in found.baseline])
        for found, true in zip(upright.record.lines, drawn.truth.lines, strict=True)
    ]
    assert abs(np.mean(off)) < 0.06
    rules = [rule for rule in drawn.truth.rules if rule.row is not None]
    for (x0, y0), (x1, y1) in upright.record.ruling.rules:
        nearest = min(rules, key=lambda rule: abs(rule.at_mm - 0.5 * (y0 + y1)))
        middle = nearest.at_mm - nearest.slope * 0.5 * (x0 + x1)
        assert 0.5 * (y0 + y1) == pytest.approx(middle, abs=0.3 * k)


def test_the_record_survives_being_written(upright):
    assert to_json(load(to_json(upright.record))) == to_json(upright.record)


@pytest.mark.parametrize("quarters", [1, 3])
def test_sideways_page_is_turned_and_measured(drawn, upright, quarters):
    image = np.ascontiguousarray(np.rot90(drawn.image, quarters))
    result = measure_page(page_of(image, DPI), read_task(text=PASSAGES[1]), Options())
    record = result.record
    assert len(record.lines) == len(upright.record.lines)
    assert record.page.turned_deg == {1: 90, 3: 270}[quarters]
    assert "turned" in {flag.code for flag in record.flags}
    assert record.ruling.pitch == pytest.approx(8.0, rel=0.005)
    assert [len(line.words) for line in record.lines] == [len(line.words) for line in upright.record.lines]
    for name, labels in result.label_maps().items():
        back = np.rot90(labels, -quarters)
        same = back == upright.label_maps()[name]
        assert np.mean(same[(back > 0) | ~same]) > 0.97


def test_page_on_its_head_is_turned_and_measured(drawn, upright):
    image = np.ascontiguousarray(np.rot90(drawn.image, 2))
    record = measure_page(page_of(image, DPI), read_task(text=PASSAGES[1]), Options()).record
    assert record.page.turned_deg == 180
    assert "turned" in {flag.code for flag in record.flags}
    assert [len(line.words) for line in record.lines] == [len(line.words) for line in upright.record.lines]


def cut(drawn):
    """A crop of no standard shape, so that nothing tells its scale."""
    return np.ascontiguousarray(drawn.image[60:900, 40:1200])


def test_without_a_scale_nothing_is_in_millimetres(drawn):
    record = measure_page(page_of(cut(drawn)), read_task(text=PASSAGES[1]), Options()).record
    assert record.scale.unit == "px"
    assert record.scale.mm_per_px is None
    assert "no-scale" in {flag.code for flag in record.flags}
    measured = {name: q for name, q in record.measures.items() if isinstance(q, Measured)}
    assert len(measured) >= 8
    assert not [name for name, q in measured.items() if "mm" in q.unit]
    missing = [q for q in record.measures.values() if not isinstance(q, Measured)]
    assert "no-scale" in {q.flag for q in missing}


def test_ratios_do_not_need_a_scale(drawn):
    with_scale = measure_page(page_of(cut(drawn)), read_task(), Options(Given(dpi=DPI))).record
    without = measure_page(page_of(cut(drawn)), read_task(), Options()).record
    shared = [
        name
        for name, q in without.measures.items()
        if isinstance(q, Measured) and isinstance(with_scale.measures[name], Measured)
    ]
    assert len(shared) >= 8
    for name in shared:
        one, other = without.measures[name], with_scale.measures[name]
        assert one.low <= other.value <= one.high or one.value == pytest.approx(other.value, rel=0.1), name


@pytest.mark.parametrize("claim", [72, 600])
def test_false_resolution_gives_no_millimetres_and_still_finds_the_lines(drawn, claim):
    record = measure_page(page_of(drawn.image, claim), read_task(), Options()).record
    assert record.scale.unit == "px"
    assert {"no-scale", "scale-conflict"} <= {flag.code for flag in record.flags}
    assert len(record.lines) == len(drawn.truth.lines)


def test_rule_pitch_given_by_hand(drawn):
    record = measure_page(page_of(cut(drawn)), read_task(), Options(Given(rule_mm=8))).record
    assert record.scale.mm_per_px == pytest.approx(25.4 / DPI, rel=0.005)
    assert record.scale.source == "rule pitch"


def test_fine_scan_is_reduced_and_mapped_back(drawn):
    image = np.ascontiguousarray(np.kron(drawn.image[:1000], np.ones((4, 4), np.uint8)))
    result = measure_page(page_of(image), read_task(), Options(Given(dpi=4 * DPI)))
    record = result.record
    assert record.page.frame_width_px * 2 == image.shape[1]
    assert record.scale.mm_per_px == pytest.approx(25.4 / (2 * DPI))
    assert record.ruling.pitch == pytest.approx(8.0, rel=0.005)
    for labels in result.label_maps().values():
        assert labels.shape == image.shape


def test_writing_cut_by_the_picture_and_pages_that_lie_askew_are_flagged(drawn, upright):
    assert not {"cut-off", "skewed"} & {flag.code for flag in upright.record.flags}
    line = drawn.truth.lines[0]
    columns = int((line.start_mm + 60) * drawn.truth.px_per_mm)
    narrow = measure_page(page_of(np.ascontiguousarray(drawn.image[:, :columns]), DPI), read_task(), Options()).record
    (cut,) = [flag for flag in narrow.flags if flag.code == "cut-off"]
    assert 1 <= int(cut.detail.split()[0]) <= len(drawn.truth.lines)
    turned = draw(PASSAGES[1][:260], ABLE, Paper(), Capture(dpi=DPI, skew_deg=6.5), seed=8)
    askew = measure_page(page_of(turned.image, DPI), read_task(), Options(Given(dpi=DPI))).record
    assert "skewed" in {flag.code for flag in askew.flags}


def test_few_lines_are_flagged(drawn):
    short = draw("a short line", replace(ABLE), Paper(), Capture(dpi=DPI), seed=2)
    record = measure_page(page_of(short.image, DPI), read_task(), Options()).record
    assert "few-lines" in {flag.code for flag in record.flags}
    assert len(record.lines) == 1


@pytest.fixture(scope="module")
def written_sheet():
    """A copying sheet with a line of writing between its rules: grey picture at 200 dots to the inch."""
    pypdfium2 = pytest.importorskip("pypdfium2")
    from handwriting.sheet.drawing import make_sheet
    from handwriting.sheet.passages import find_passage
    from handwriting.sheet.rulings import find_ruling

    pdf = make_sheet(find_passage("fox"), find_ruling("8mm"))
    sheet = np.asarray(pypdfium2.PdfDocument(pdf)[0].render(scale=200 / 72).to_pil().convert("L")).copy()
    hand = draw("sun moon star rain snow wind over some moor", ABLE, Paper(rules="none"), Capture(dpi=200), 3)
    grey = hand.image if hand.image.ndim == 2 else cv2.cvtColor(hand.image, cv2.COLOR_RGB2GRAY)
    ink = np.argwhere(grey < 128)
    (top, left), (foot, right) = ink.min(0), ink.max(0) + 1
    line = grey[top:foot, left:right]
    y, x = round(172 / 25.4 * 200), round(30 / 25.4 * 200)
    width = min(line.shape[1], round(150 / 25.4 * 200))
    place = sheet[y : y + line.shape[0], x : x + width]
    np.minimum(place, line[:, :width], out=place)
    return sheet


def test_a_copying_sheet_needs_neither_scale_nor_text(written_sheet):
    page = Page(written_sheet, None, "0" * 64, "sheet.png", "PNG")
    record = measure_page(page, read_task(seconds=300, letters=30), Options()).record
    assert record.scale.source == "copying sheet"
    assert record.task["text"].startswith("A red fox")
    # The passage, marks and boxes are print; only what stands in the writing area is measured.
    area = min(line.box.top for line in record.lines)
    assert area > 140
    x_height = record.measures["x_height_centre"]
    assert x_height.value == pytest.approx(ABLE.x_height_mm, abs=0.3)
    assert "low-resolution" not in {note.code for note in record.flags}


def test_writing_that_begins_before_the_rules_of_a_sheet_is_measured(written_sheet):
    px = 200 / 25.4
    moved = written_sheet.copy()
    band = moved[round(165 * px) : round(195 * px), round(19 * px) : round(190 * px)]
    ink = np.where(band < 110, band, 255)  # the rules stay
    band[band < 110] = 255
    np.minimum(band, np.roll(ink, round(-9 * px), axis=1), out=band)
    lines = [
        measure_page(Page(sheet, None, "0" * 64, "sheet.png", "PNG"), read_task(), Options(read=False)).record.lines
        for sheet in (written_sheet, moved)
    ]
    assert lines[1][0].box.left == pytest.approx(lines[0][0].box.left - 9, abs=0.3)


def test_a_coarse_picture_of_a_sheet_is_said_to_be_coarse(written_sheet):
    small = cv2.resize(written_sheet, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA)
    page = Page(small, None, "0" * 64, "sheet.png", "PNG")
    record = measure_page(page, read_task(seconds=300, letters=30), Options()).record
    assert record.scale.unit == "mm"
    assert "low-resolution" in {note.code for note in record.flags}
