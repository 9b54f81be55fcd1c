"""The page type and the plain way in: what is in the file is what comes out."""

import hashlib
import io
import pickle
from dataclasses import FrozenInstanceError, fields

import numpy as np
import pytest
from PIL import Image

from handwriting.errors import TooLargeError, UsageError
from handwriting.page import Limits, Page, count_pages, iter_pages, read_page, read_pages


def grey_pixels(height=40, width=60):
    """A page with no symmetry, so that any turning or mirroring shows."""
    down, across = np.mgrid[:height, :width]
    return ((3 * down + 2 * across) % 256).astype(np.uint8)


def colour_pixels(height=40, width=60):
    return np.dstack([grey_pixels(height, width), 255 - grey_pixels(height, width), grey_pixels(height, width) // 2])


def test_grey_png_comes_back_bit_for_bit(tmp_path):
    path = tmp_path / "K07.png"
    Image.fromarray(grey_pixels()).save(path)
    page = read_page(path)
    assert np.array_equal(page.grey, grey_pixels())
    assert page.colour is None
    assert page.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (page.name, page.format, page.number, page.count) == ("K07.png", "PNG", 1, 1)
    assert page.claimed_dpi is None
    assert page.claim_source == ""
    assert page.size_mm is None
    assert page.notes == ()


def test_colour_is_rgb_and_grey_follows_the_luma_weights_of_bt_601(tmp_path):
    path = tmp_path / "page.png"
    Image.fromarray(colour_pixels()).save(path)
    page = read_page(path)
    assert np.array_equal(page.colour, colour_pixels())
    # ITU-R BT.601-7, section 2.5.1: E'Y = 0.299 E'R + 0.587 E'G + 0.114 E'B
    assert np.abs(page.grey - colour_pixels() @ [0.299, 0.587, 0.114]).max() <= 0.51


def test_pixels_cannot_be_written(tmp_path):
    path = tmp_path / "page.png"
    Image.fromarray(colour_pixels()).save(path)
    page = read_page(path)
    for array in (page.grey, page.colour):
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0] = 1
    with pytest.raises(FrozenInstanceError):
        page.number = 2


def test_page_takes_a_copy_of_writable_pixels():
    mine = grey_pixels()
    page = Page(grey=mine, colour=None, sha256="", name="", format="PNG")
    mine[:] = 0
    assert np.array_equal(page.grey, grey_pixels())


def test_page_survives_pickling_and_stays_read_only(tmp_path):
    path = tmp_path / "page.png"
    Image.fromarray(colour_pixels()).save(path)
    page = read_page(path)
    again = pickle.loads(pickle.dumps(page))
    for field in fields(Page):
        if field.name in {"grey", "colour"}:
            assert np.array_equal(getattr(again, field.name), getattr(page, field.name))
            assert not getattr(again, field.name).flags.writeable
        else:
            assert getattr(again, field.name) == getattr(page, field.name)


def test_pages_of_a_tiff_in_the_order_asked_for(tmp_path):
    path = tmp_path / "three.tif"
    frames = [Image.fromarray(np.full((8, 9 + n), 10 * n, np.uint8)) for n in range(3)]
    frames[0].save(path, save_all=True, append_images=frames[1:])
    assert count_pages(path) == 3
    assert [page.grey[0, 0] for page in read_pages(path)] == [0, 10, 20]
    chosen = read_pages(path, pages=[3, 1])
    assert [(page.number, page.count, page.grey.shape) for page in chosen] == [(3, 3, (8, 11)), (1, 3, (8, 9))]
    assert read_page(path, 2).notes == ("page 2 of 3",)
    assert [page.number for page in iter_pages(path)] == [1, 2, 3]


@pytest.mark.parametrize("number", [0, -1, True, 1.0, "1"])
def test_refuses_what_is_no_page_number(tmp_path, number):
    path = tmp_path / "page.png"
    Image.fromarray(grey_pixels()).save(path)
    with pytest.raises(UsageError, match="is not a page number"):
        read_page(path, number)


def test_refuses_a_page_that_is_not_there(tmp_path):
    path = tmp_path / "page.png"
    Image.fromarray(grey_pixels()).save(path)
    with pytest.raises(UsageError, match=r"page\.png: has only 1 page; page 2 was asked for"):
        read_page(path, 2)
    with pytest.raises(UsageError, match="no page was chosen"):
        read_pages(path, pages=[])


@pytest.mark.parametrize("name", ["max_bytes", "max_pixels", "max_pages", "seconds", "memory_bytes"])
def test_limits_must_be_above_zero(name):
    with pytest.raises(UsageError, match=name):
        Limits(**{name: 0})


def test_limits_name_themselves_and_can_be_raised(tmp_path):
    path = tmp_path / "page.tif"
    frame = Image.fromarray(grey_pixels())
    frame.save(path, save_all=True, append_images=[frame, frame])
    size = len(path.read_bytes())
    with pytest.raises(TooLargeError, match=f"raise the limit max_bytes to {size}"):
        read_page(path, limits=Limits(max_bytes=size - 1))
    with pytest.raises(TooLargeError, match="raise the limit max_pixels to 2400"):
        read_page(path, limits=Limits(max_pixels=2399))
    with pytest.raises(TooLargeError, match="raise the limit max_pages to 3"):
        read_pages(path, limits=Limits(max_pages=2))
    with pytest.raises(TooLargeError, match="raise the limit max_pages to 3"):
        read_pages(path, pages=[1, 2, 3], limits=Limits(max_pages=2))
    exact = Limits(max_bytes=size, max_pixels=2400, max_pages=3)
    assert len(read_pages(path, limits=exact)) == 3
    assert read_page(path, 3, limits=Limits(max_pages=1)).number == 3


def test_grey_jpeg_stays_grey_and_matches_pillow(tmp_path):
    buffer = io.BytesIO()
    Image.fromarray(grey_pixels()).save(buffer, "JPEG", quality=90)
    path = tmp_path / "page.jpg"
    path.write_bytes(buffer.getvalue())
    page = read_page(path)
    assert page.colour is None
    assert np.abs(page.grey.astype(int) - np.asarray(Image.open(buffer))).max() <= 1
