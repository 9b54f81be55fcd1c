"""What a file says about its resolution: passed on when it is there, believable and not contradicted."""

import math

import numpy as np
import pytest
from odd_files import encoded, exif_block, grey_tiff, pattern, png, png_chunk

from handwriting.page import read_page

X, Y, UNIT = 282, 283, 296


@pytest.fixture
def claim(tmp_path):
    """Write bytes to a file; what it claims, where, and the notes."""

    def read(data):
        path = tmp_path / "page"
        path.write_bytes(data)
        page = read_page(path)
        return page.claimed_dpi, page.claim_source, page.notes

    return read


def jfif(data, unit, x, y):
    """Set the density in the JFIF segment (ITU-T T.871, 10.1), which the encoder puts right behind the start."""
    assert data[6:11] == b"JFIF\0"
    return data[:13] + bytes([unit]) + x.to_bytes(2, "big") + y.to_bytes(2, "big") + data[18:]


def plain_jpeg(**options):
    return encoded(pattern(), "JPEG", **options)


def test_jfif_per_inch_and_per_centimetre(claim):
    assert claim(jfif(plain_jpeg(), 1, 300, 300)) == ((300, 300), "JFIF", ())
    assert claim(jfif(plain_jpeg(), 2, 118, 118)) == (pytest.approx((299.72, 299.72)), "JFIF", ())


def test_jfif_aspect_is_no_resolution(claim):
    assert claim(jfif(plain_jpeg(), 0, 300, 300)) == (None, "", ())


def test_no_statement_no_claim(claim):
    for data in (
        encoded(pattern(), "PNG"),
        grey_tiff(pattern()),
        encoded(pattern(), "WEBP"),
    ):
        dpi, source, _ = claim(data)
        assert (dpi, source) == (None, "")
    block = exif_block({271: "scanner"})
    data = plain_jpeg(exif=block)
    assert claim(jfif(data, 0, 1, 1) if data[6:10] == b"JFIF" else data)[0] is None


def test_exif_resolution(claim):
    block = exif_block({X: 300.0, Y: 300.0, UNIT: 2})
    assert claim(jfif(plain_jpeg(exif=block), 0, 1, 1))[:2] == ((300, 300), "EXIF")
    block = exif_block({X: 118.0, Y: 118.0, UNIT: 3})
    assert claim(encoded(pattern(), "WEBP", exif=block))[:2] == (pytest.approx((299.72, 299.72)), "EXIF")


def test_72_in_exif_means_unknown(claim):
    """Exif 2.3, 4.6.4: when the resolution is unknown, 72 is to be written."""
    dpi, _, notes = claim(jfif(plain_jpeg(exif=exif_block({X: 72.0, Y: 72.0, UNIT: 2})), 0, 1, 1))
    assert dpi is None
    assert "stated resolution set aside: 72 dpi in EXIF means unknown" in notes


@pytest.mark.parametrize(("in_jfif", "in_exif"), [(96, 180), (72, 300), (300, 200)])
def test_contradiction_is_no_claim(claim, in_jfif, in_exif):
    block = exif_block({X: float(in_exif), Y: float(in_exif), UNIT: 2})
    dpi, _, notes = claim(jfif(plain_jpeg(exif=block), 1, in_jfif, in_jfif))
    assert dpi is None
    assert f"stated resolution set aside: JFIF says {in_jfif} dpi, EXIF says {in_exif} dpi" in notes


def test_agreement_is_one_claim(claim):
    block = exif_block({X: 300.0, Y: 300.0, UNIT: 2})
    assert claim(jfif(plain_jpeg(exif=block), 1, 300, 300)) == ((300, 300), "JFIF", ())


@pytest.mark.parametrize("tag", [33434, 33437, 37386])
def test_a_camera_does_not_know_the_paper(claim, tag):
    block = exif_block({X: 300.0, Y: 300.0, UNIT: 2}, camera={tag: 4.0})
    dpi, _, notes = claim(plain_jpeg(exif=block))
    assert dpi is None
    assert "stated resolution set aside: taken with a camera" in notes


@pytest.mark.parametrize("pair", [(1, 1), (1, 0), (0, 300), (300, 0), (65535, 65535), (49, 49), (4801, 4801)])
def test_absurd_jfif(claim, pair):
    dpi, _, notes = claim(jfif(plain_jpeg(), 1, *pair))
    assert dpi is None
    assert any("absurd" in note for note in notes)


@pytest.mark.parametrize("value", [72, 96])
def test_resolution_of_old_screens_is_a_default_not_a_claim(claim, value):
    dpi, _, notes = claim(jfif(plain_jpeg(), 1, value, value))
    assert dpi is None
    assert f"stated resolution set aside: {value} dpi (JFIF) is what programs write unmeasured" in notes
    metre = round(value / 0.0254).to_bytes(4, "big")
    assert claim(png(pattern(), extra=png_chunk(b"pHYs", metre * 2 + b"\x01")))[0] is None
    assert claim(encoded(pattern(), "BMP"))[0] is None  # the encoder writes 96 when told nothing


def test_unknown_in_exif_does_not_contradict_jfif(claim):
    block = exif_block({X: 72.0, Y: 72.0, UNIT: 2})
    assert claim(jfif(plain_jpeg(exif=block), 1, 300, 300))[:2] == ((300, 300), "JFIF")


@pytest.mark.parametrize("value", [50, 4800])
def test_edges_of_what_is_believed(claim, value):
    assert claim(jfif(plain_jpeg(), 1, value, value))[0] == (value, value)


def test_png_metres(claim):
    def physical(x, y, unit):
        return png(pattern(), extra=png_chunk(b"pHYs", x.to_bytes(4, "big") + y.to_bytes(4, "big") + bytes([unit])))

    dpi, source, _ = claim(physical(11811, 11811, 1))
    assert dpi == pytest.approx((300, 300), abs=0.01)
    assert source == "pHYs"
    assert claim(physical(11811, 11811, 0))[0] is None
    assert claim(physical(2**31 - 1, 1, 1))[0] is None


def test_bitmap_nonsense(claim):
    data = bytearray(encoded(pattern(), "BMP"))
    assert len(data) > 54
    data[38:46] = (11811).to_bytes(4, "little") * 2
    dpi, source, _ = claim(bytes(data))
    assert dpi == pytest.approx((300, 300), abs=0.01)
    assert source == "BMP header"
    data[38:46] = (1610612736).to_bytes(4, "little") + (9).to_bytes(4, "little")
    dpi, _, notes = claim(bytes(data))
    assert dpi is None
    assert any("absurd" in note for note in notes)


def test_tiff_tags(claim):
    def stated(x, y, unit):
        tags = {X: (5, x), Y: (5, y)} | ({} if unit is None else {UNIT: (3, [unit])})
        return claim(grey_tiff(pattern(), tags))

    assert stated([300, 1], [300, 1], 2) == ((300, 300), "TIFF tags", ())
    assert stated([600, 2], [204, 1], 2)[0] == (300, 204)
    assert stated([300, 1], [300, 1], None)[0] == (300, 300)  # TIFF 6.0 section 8: inch is the default
    assert stated([11811, 100], [11811, 100], 3)[0] == pytest.approx((300, 300), abs=0.01)
    assert stated([300, 1], [300, 1], 1)[0] is None
    assert stated([300, 0], [300, 1], 2)[0] is None
    assert stated([1, 1], [1, 1], 2)[0] is None


def test_one_tiff_tag_alone_is_no_claim(claim):
    assert claim(grey_tiff(pattern(), {X: (5, [300, 1])}))[0] is None


def test_claim_turns_with_the_page(claim):
    block = exif_block({X: 300.0, Y: 200.0, UNIT: 2, 274: 6})
    assert claim(encoded(pattern(), "PNG", exif=block))[0] == (200, 300)


def test_each_tiff_page_has_its_own_claim(tmp_path):
    from PIL import Image

    one, two = Image.fromarray(pattern()), Image.fromarray(pattern())
    one.encoderinfo = {"tiffinfo": {X: 100.0, Y: 100.0, UNIT: 2}}
    two.encoderinfo = {"tiffinfo": {X: 200.0, Y: 200.0, UNIT: 2}}
    one.save(tmp_path / "two.tif", save_all=True, append_images=[two])
    found = [read_page(tmp_path / "two.tif", number).claimed_dpi for number in (1, 2)]
    assert all(dpi is None or all(math.isfinite(value) for value in dpi) for dpi in found)
    assert found[1] in {None, (200, 200)}


def test_broken_exif_costs_only_the_claim(tmp_path):
    path = tmp_path / "page.jpg"
    good = plain_jpeg(exif=exif_block({X: 300.0, Y: 300.0, UNIT: 2, 274: 6}), quality=100)
    start = good.index(b"Exif\0\0")
    rng = np.random.default_rng(3)
    for _ in range(40):
        broken = bytearray(good)
        for place in rng.integers(start + 6, start + 60, 4):
            broken[place] = rng.integers(256)
        path.write_bytes(bytes(broken))
        page = read_page(path)
        assert sorted(page.grey.shape) == sorted(pattern().shape)
