"""Sheets read back from scans and simulated photographs, against the simulation's exact geometry."""

import dataclasses

import cv2
import numpy as np
import pytest
from conftest import PX_PER_MM, Printed

from handwriting.errors import SheetError, TextMismatchError, UsageError
from handwriting.sheet.layout import SheetCode
from handwriting.sheet.passages import find_passage
from handwriting.sheet.photographs import View, photograph, random_view
from handwriting.sheet.reading import check_pages, read_sheet


def places(layout):
    area = layout.area
    return np.stack(np.meshgrid(np.linspace(area.left, area.right, 7), np.linspace(area.top, area.bottom, 7)), -1)


def small(view):
    """The same view in a picture of 5 megapixels, to keep the tests quick; blur shrinks with the pixels."""
    return dataclasses.replace(view, width=2592, height=1944, blur_px=0.7 * view.blur_px)


def shoot(sheet, view):
    return photograph(sheet.grey, PX_PER_MM, view)


@pytest.mark.parametrize("turn", [None, cv2.ROTATE_90_CLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_COUNTERCLOCKWISE])
def test_a_scan_is_read_whichever_way_it_lies(portrait, turn):
    grey = portrait.copy() if turn is None else cv2.rotate(portrait.grey, turn)
    reading = read_sheet(grey)
    assert reading.code == portrait.layout.code
    assert reading.text == find_passage("kite").text
    assert reading.mm_refused == ""
    assert reading.flags == ("sheet-print-unchecked",)
    assert reading.marks_used == 14
    assert np.abs(reading.mapping.px_per_mm(places(portrait.layout)) / PX_PER_MM - 1).max() < 2e-4
    assert np.abs(reading.upright(grey).astype(int) - portrait.grey)[20:-20, 20:-20].mean() < 1.0


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("name", ["portrait", "landscape"])
def test_photographs_give_every_place_to_a_twentieth_of_a_mm(name, seed, request):
    sheet = request.getfixturevalue(name)
    grey, truth = shoot(sheet, small(random_view(seed)))
    reading = read_sheet(grey)
    assert reading.code == sheet.layout.code
    assert reading.mm_refused == ""
    spots = places(sheet.layout)
    assert np.linalg.norm(reading.to_page(truth.to_image(spots)) - spots, axis=-1).max() < 0.08
    assert np.allclose(reading.to_page(reading.to_image(spots)), spots, atol=1e-6)
    for base, designed in zip(reading.baselines_mm(), sheet.layout.baselines, strict=True):
        assert base == pytest.approx(designed)


def test_the_stated_uncertainty_of_the_scale_covers_its_error(portrait):
    spots = places(portrait.layout)
    ratios = []
    for seed in range(20, 32):
        grey, truth = shoot(portrait, small(random_view(seed)))
        reading = read_sheet(grey)
        steps = np.array([1.0, 0.0]), np.array([0.0, 1.0])
        seen = [
            np.linalg.norm(reading.to_page(truth.to_image(spots + s)) - reading.to_page(truth.to_image(spots)), axis=-1)
            for s in steps
        ]
        ratios.append((np.mean(seen) - 1.0) / reading.fit.scale_sd)
    assert np.mean(np.abs(ratios) < 1.96) >= 0.9


def test_a_crop_that_keeps_eight_marks_still_gives_mm_and_one_that_keeps_fewer_does_not(portrait):
    cropped = read_sheet(portrait.grey[: round(170 * PX_PER_MM)])
    assert cropped.marks_used == 8
    assert cropped.mm_refused == ""
    assert "sheet-marks-hidden" in cropped.flags
    assert "only 7" in read_sheet(_without(portrait, 7)).mm_refused
    with pytest.raises(SheetError, match="too little"):
        read_sheet(portrait.grey[: round(40 * PX_PER_MM)])


def _without(sheet, keep):
    grey = sheet.copy()
    for mark in sheet.layout.fiducials[keep:]:
        x, y = round(mark.left * PX_PER_MM), round(mark.top * PX_PER_MM)
        grey[y - 10 : y + 110, x - 10 : x + 110] = 255
    return grey


def test_pictures_without_a_sheet_are_none():
    assert read_sheet(np.full((900, 700), 230, dtype=np.uint8)) is None
    noise = np.random.default_rng(1).integers(0, 256, (900, 700)).astype(np.uint8)
    assert read_sheet(noise) is None


@pytest.mark.parametrize("shrink", [0.941, 0.97])
def test_a_shrunk_print_is_noticed_and_the_bar_puts_it_right(portrait, shrink):
    less = cv2.resize(portrait.grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    page = np.full_like(portrait.grey, 255)
    page[30 : 30 + less.shape[0], 40 : 40 + less.shape[1]] = less
    ends = np.array([(30.0, 200.0), (130.0, 200.0)])

    def length(reading):
        return np.linalg.norm(np.diff(reading.to_page(ends * PX_PER_MM), axis=0))

    unchecked = read_sheet(page, dpi=(300, 300))
    assert length(unchecked) == pytest.approx(100 / shrink, rel=5e-4)
    assert "sheet-print-size" in unchecked.flags
    assert f"{100 * shrink:.1f} %" in unchecked.print_statement
    assert "full size" in read_sheet(page).print_statement
    checked = read_sheet(page, dpi=(300, 300), bar_mm=100 * shrink)
    assert length(checked) == pytest.approx(100, rel=5e-4)
    assert checked.flags == ()
    assert checked.scale_sd < unchecked.scale_sd
    assert checked.baselines_mm()[0] == pytest.approx(portrait.layout.baselines[0] * shrink)
    upright = checked.upright(page)
    assert upright.shape == pytest.approx(less.shape, abs=2)


def test_what_lies_beyond_the_picture_is_neither_shadow_nor_glare(portrait):
    grey = (portrait.grey * 0.6).astype(np.uint8)
    cropped = read_sheet(grey[:, : -round(22 * PX_PER_MM)])
    assert cropped.flags == ("sheet-marks-hidden", "sheet-print-unchecked")
    assert "sheet-cut-off" in read_sheet(grey[round(5 * PX_PER_MM) : -round(60 * PX_PER_MM)]).flags


@pytest.mark.parametrize(("wide", "tall"), [(0.98, 1.0), (1.0, 0.98)])
def test_a_print_of_another_shape_is_noticed_on_a_scan(portrait, wide, tall):
    less = cv2.resize(portrait.grey, None, fx=wide, fy=tall, interpolation=cv2.INTER_AREA)
    for bar in (None, 100 * wide):
        reading = read_sheet(less, dpi=(300, 300), bar_mm=bar)
        assert "sheet-print-uneven" in reading.flags
        assert f"{100 * wide:.1f} % of its width and {100 * tall:.1f} % of its height" in reading.print_statement
    across = read_sheet(np.rot90(less).copy(), dpi=(300, 300))
    assert f"{100 * wide:.1f} % of its width" in across.print_statement
    # Pixels that are not square are the scanner's, not the print's.
    squeezed = cv2.resize(portrait.grey, None, fx=1.0, fy=0.5, interpolation=cv2.INTER_AREA)
    assert read_sheet(squeezed, dpi=(300, 150)).flags == ("sheet-print-unchecked",)


def test_a_bar_that_contradicts_the_scan_is_noticed(portrait):
    reading = read_sheet(portrait.grey, dpi=(300, 300), bar_mm=96.8)
    assert reading.flags == ("sheet-bar-conflict",)
    assert "100.0 mm long" in reading.print_statement
    assert read_sheet(portrait.grey, dpi=(300, 300), bar_mm=100.5).flags == ()
    assert read_sheet(portrait.grey, bar_mm=96.8).flags == ()


def test_a_full_size_scan_raises_no_doubt_about_its_print(portrait):
    assert "sheet-print-size" not in read_sheet(portrait.grey, dpi=(300, 300)).flags


@pytest.mark.parametrize("bar", [0.0, 84.9, 110.1, 9.7, float("nan")])
def test_a_bar_of_another_length_is_refused(portrait, bar):
    with pytest.raises(UsageError, match="bar cannot be"):
        read_sheet(portrait.grey, bar_mm=bar)


@pytest.mark.parametrize(("curl", "tilt"), [(6.0, 25.0), (12.0, 10.0), (20.0, 20.0)])
def test_a_curled_sheet_is_flagged_and_its_mm_refused(portrait, curl, tilt):
    grey, _ = shoot(portrait, View(2592, 1944, tilt_deg=tilt, tilt_towards_deg=30, curl_mm=curl, seed=3))
    reading = read_sheet(grey)
    assert "sheet-not-flat" in reading.flags
    assert "flat" in reading.mm_refused


def test_a_slightly_curled_sheet_keeps_its_mm_with_a_flag_and_a_small_error(portrait):
    grey, truth = shoot(portrait, View(2592, 1944, curl_mm=5.0, seed=3))
    reading = read_sheet(grey)
    assert reading.mm_refused == ""
    assert "sheet-not-flat" in reading.flags
    spots = places(portrait.layout)
    step = np.array([1.0, 0.0])
    seen = np.linalg.norm(
        reading.to_page(truth.to_image(spots + step)) - reading.to_page(truth.to_image(spots)), axis=-1
    )
    assert np.abs(seen - 1).max() < 0.02


def test_strong_shadow_and_glare_are_flagged_and_even_light_is_not(portrait):
    plain = View(2592, 1944, tilt_deg=8, light=205, seed=4)
    assert read_sheet(shoot(portrait, plain)[0]).flags == ("sheet-print-unchecked",)
    assert "sheet-shadow" in read_sheet(shoot(portrait, dataclasses.replace(plain, shadow=0.62))[0]).flags
    assert "sheet-glare" in read_sheet(shoot(portrait, dataclasses.replace(plain, glare=0.6))[0]).flags


def test_a_covered_mark_is_left_out_and_does_no_harm(portrait):
    grey = portrait.copy()
    mark = portrait.layout.fiducials[5]
    x, y = round((mark.left + 8) * PX_PER_MM), round((mark.top + 8) * PX_PER_MM)
    cv2.circle(grey, (x, y), round(2.2 * PX_PER_MM), 90, -1)
    reading = read_sheet(grey)
    assert reading.marks_used == 13
    assert reading.fit.largest_mm < 0.05
    assert "sheet-marks-hidden" in reading.flags


@pytest.mark.parametrize("flip", [0, 1])
def test_a_mirrored_picture_is_one_sentence(portrait, flip):
    with pytest.raises(SheetError, match=r"page\.png: the picture shows a copying sheet mirrored") as refusal:
        read_sheet(cv2.flip(portrait.grey, flip), where="page.png")
    assert refusal.value.fix


def test_a_partly_spoiled_code_is_still_read_and_a_spoiled_one_is_one_sentence(portrait):
    box_mm = portrait.layout.qr
    box = box_mm.scaled(PX_PER_MM)
    grey = portrait.copy()
    cv2.rectangle(grey, (round(box.left), round(box.top)), (round(box.left) + 90, round(box.top) + 90), 255, -1)
    assert read_sheet(grey).code == portrait.layout.code
    cv2.rectangle(grey, (round(box.left), round(box.top)), (round(box.right), round(box.bottom)), 200, -1)
    with pytest.raises(SheetError, match="square code of the copying sheet cannot be read") as refusal:
        read_sheet(grey, where="page.png")
    assert str(refusal.value).startswith("page.png: ")
    # As the sentence says: one cut from a fresh print and laid over it, a millimetre and two degrees off.
    left, top, right, foot = (round(v * PX_PER_MM) for v in (box_mm.left, box_mm.top, box_mm.right, box_mm.bottom))
    cut = portrait.grey[top - 12 : foot + 12, left - 12 : right + 12]
    turn = cv2.getRotationMatrix2D((cut.shape[1] / 2, cut.shape[0] / 2), 2.0, 1.0)
    turn[:, 2] += (left - 12 + PX_PER_MM, top - 12 + PX_PER_MM)
    cv2.warpAffine(cut, turn, grey.shape[::-1], dst=grey, borderMode=cv2.BORDER_TRANSPARENT)
    assert read_sheet(grey).code == portrait.layout.code


def test_a_sheet_folded_out_of_its_plane_is_not_called_two_sheets(portrait):
    folded = portrait.copy()
    band = folded[round(60 * PX_PER_MM) : round(237 * PX_PER_MM)]
    narrow = cv2.resize(band, None, fx=0.8, fy=1.0, interpolation=cv2.INTER_AREA)
    band[:] = 200
    band[:, -narrow.shape[1] :] = narrow
    with pytest.raises(SheetError, match="it is curled, or two sheets overlap") as refusal:
        read_sheet(folded)
    assert "lay the sheet flat" in refusal.value.fix


def test_two_sheets_in_one_picture_are_refused(portrait, landscape):
    twice = np.hstack([portrait.grey, portrait.grey])
    with pytest.raises(SheetError, match="two sheets are in one picture"):
        read_sheet(cv2.resize(twice, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA))
    tall = max(portrait.grey.shape[0], landscape.grey.shape[0])
    both = [
        cv2.copyMakeBorder(s.grey, 0, tall - s.grey.shape[0], 0, 0, cv2.BORDER_CONSTANT, value=255)
        for s in (portrait, landscape)
    ]
    with pytest.raises(SheetError, match="two sheets are in one picture"):
        read_sheet(cv2.resize(np.hstack(both), None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA))


def test_a_sheet_of_a_newer_version_is_refused_by_its_code_and_by_its_marks(portrait, monkeypatch):
    grey = portrait.copy()
    import segno

    symbol = segno.make_qr("HW2*A*R*UK-8*00000000*1*1*480", version=3, error="q", boost_error=False)
    side = round(portrait.layout.qr.width * PX_PER_MM)
    modules = 255 - 255 * np.array([list(row) for row in symbol.matrix], dtype=np.uint8)
    x, y = round(portrait.layout.qr.left * PX_PER_MM), round(portrait.layout.qr.top * PX_PER_MM)
    grey[y : y + side, x : x + side] = cv2.resize(modules, (side, side), interpolation=cv2.INTER_NEAREST)
    with pytest.raises(SheetError, match="of version 2"):
        read_sheet(grey)
    page = np.full((2000, 1500), 255, dtype=np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_ARUCO_MIP_36h12)
    for number in range(6):
        top, left = 100 + 500 * (number // 2), 100 + 1000 * (number % 2)
        page[top : top + 96, left : left + 96] = cv2.aruco.generateImageMarker(dictionary, 100 + number, 96)
    with pytest.raises(SheetError, match="newer version"):
        read_sheet(page)


def test_a_text_of_the_users_own_must_be_the_one_of_the_sheet(portrait):
    kite = find_passage("kite").text
    assert read_sheet(portrait.grey, text=kite.replace(" ", "  ")).code == portrait.layout.code
    with pytest.raises(TextMismatchError, match="not the one"):
        read_sheet(portrait.grey, text="Another text.")


def test_pages_are_put_in_order_and_mixtures_refused(portrait, landscape):
    first = read_sheet(landscape.grey)
    second = read_sheet(Printed("lighthouse", "de-2", page=1, paper="letter", hand="left", pages=2).grey)
    assert [page.code.page for page in check_pages([second, first])] == [1, 2]
    assert second.layout.passage is None

    def like(reading, **change):
        layout = dataclasses.replace(reading.layout, code=dataclasses.replace(reading.code, **change))
        return dataclasses.replace(reading, layout=layout)

    for pages, message in (
        ([], "no page"),
        ([first, read_sheet(portrait.grey)], "two different passages"),
        ([first, like(second, ruling="uk-8")], "two different layouts"),
        ([first, first], "more than once"),
        ([second], "page 1 of the sheet is missing"),
        ([like(first, pages=3), like(second, page=3, pages=3)], "page 2 of the sheet is missing"),
    ):
        with pytest.raises(SheetError, match=message):
            check_pages(pages)


def test_code_type_is_what_the_layout_was_planned_with(portrait):
    assert isinstance(portrait.layout.code, SheetCode)


@pytest.mark.parametrize("tilt", [0.0, 12.0, 33.0])
@pytest.mark.parametrize("blur", [1.0, 1.4, 1.7])
def test_the_blur_of_a_photograph_is_told_from_its_marks(portrait, blur, tilt):
    view = dataclasses.replace(small(random_view(3)), blur_px=blur, noise=4.0, jpeg=80, tilt_deg=tilt)
    grey, _ = shoot(portrait, view)
    reading = read_sheet(grey)
    # Taking the picture from a raster blurs by its pixel (1/12 px squared) and by interpolating (1/6). A stroke's width
    # is told from the blur's square: 8 % too little, as an estimate common to all slants gave, and thin strokes stay a
    # sixth too wide.
    step = reading.px_per_mm / PX_PER_MM
    assert reading.blur_px == pytest.approx(np.sqrt(blur**2 + step**2 / 4), rel=0.03)
    assert reading.blur_mm == pytest.approx(reading.blur_px / reading.px_per_mm)


def test_blur_of_a_slanted_view_is_longer_where_the_page_is_farther(portrait):
    view = View(2592, 1944, tilt_deg=30.0, tilt_towards_deg=0.0, blur_px=1.2, noise=1.0)
    grey, truth = shoot(portrait, view)
    reading = read_sheet(grey)
    spots = places(portrait.layout).reshape(-1, 2)
    local = np.stack([truth.to_image(spots + s) - truth.to_image(spots - s) for s in np.eye(2) / 2], axis=-1)
    back = np.linalg.inv(local)
    true = (reading.blur_px**2 + 1 / 6) * back @ np.swapaxes(back, -1, -2)
    assert np.abs(reading.blur_at(spots) - true).max() < 0.02 * np.abs(true).max()
    # A view that leans to a corner spreads slantwise.
    slantwise = dataclasses.replace(view, tilt_towards_deg=45.0)
    seen = read_sheet(shoot(portrait, slantwise)[0]).blur_at(spots)
    assert np.abs(seen[:, 0, 1] / np.sqrt(seen[:, 0, 0] * seen[:, 1, 1])).max() > 0.1
