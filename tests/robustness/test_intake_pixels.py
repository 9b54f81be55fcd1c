"""Files that other readers turn into a wrong page without a word: each must come out right or be refused.

Expected pixels are built here, from the formats' own specifications, not by the library under test.
"""

import io
import struct
import threading
import zlib

import cv2
import numpy as np
import pikepdf
import pytest
import tifffile
from odd_files import (
    ORIENTATIONS,
    animated_png,
    encoded,
    exif_block,
    grey_tiff,
    ink_page,
    pattern,
    pdf_page,
    pdf_scan,
    pdf_stream,
    png,
    png_chunk,
    stored_as,
    tiff,
)
from PIL import Image

from handwriting.errors import DamagedFileError, FileNotReadableError, HandwritingError, LockedFileError
from handwriting.page import count_pages, read_page, read_pages


@pytest.fixture
def read(tmp_path):
    """Write bytes to a file and read the page back."""

    def write_and_read(data, number=1, name="page"):
        path = tmp_path / name
        path.write_bytes(data)
        return read_page(path, number)

    return write_and_read


# Transparency


def test_opaque_ink_on_clear_paper_is_ink_on_white(read):
    ink = ink_page() < 100
    rgba = np.zeros((*ink.shape, 4), np.uint8)
    rgba[ink] = (30, 30, 30, 255)
    page = read(encoded(rgba, "PNG"))
    assert np.array_equal(page.grey, np.where(ink, 30, 255))
    assert "alpha put on white" in page.notes
    assert np.array_equal(read(encoded(rgba[..., [0, 3]], "PNG")).grey, np.where(ink, 30, 255))  # grey with alpha
    assert np.array_equal(read(encoded(rgba, "TIFF")).grey, np.where(ink, 30, 255))
    assert np.array_equal(read(encoded(rgba, "WEBP", lossless=True)).grey, np.where(ink, 30, 255))


def test_half_clear_is_mixed_with_white(read):
    rgba = np.full((4, 5, 4), (100, 60, 20, 128), np.uint8)
    expected = [round(value * 128 / 255 + 255 * 127 / 255) for value in (100, 60, 20)]
    assert np.abs(read(encoded(rgba, "PNG")).colour.astype(int) - expected).max() <= 1


def test_palette_with_a_clear_colour(read):
    ink = ink_page() < 100
    image = Image.fromarray(ink.astype(np.uint8)).convert("P")
    image.putpalette([0, 0, 0, 200, 30, 30])
    page = read(encoded(image, "PNG", transparency=0))
    assert np.array_equal(page.colour[ink], np.full((ink.sum(), 3), (200, 30, 30)))
    assert np.array_equal(page.colour[~ink], np.full(((~ink).sum(), 3), 255))


def test_grey_with_one_clear_value(read):
    values = ink_page()
    clear = png_chunk(b"tRNS", struct.pack(">H", 240))
    page = read(png(values, extra=clear))
    assert np.array_equal(page.grey, np.where(values == 240, 255, values))
    deep = (values.astype(np.uint16) * 257).astype(">u2")
    page = read(png(deep, depth=16, extra=png_chunk(b"tRNS", struct.pack(">H", 30 * 257))))
    assert np.array_equal(page.grey, np.where(values == 30, 255, values))


def test_full_alpha_is_not_worth_a_note(read):
    rgba = np.dstack([pattern(), pattern(), pattern(), np.full_like(pattern(), 255)])
    page = read(encoded(rgba, "PNG"))
    assert np.array_equal(page.grey, pattern())
    assert "alpha put on white" not in page.notes


# Depth


@pytest.mark.parametrize("form", ["PNG", "TIFF"])
def test_16_bit_is_divided_not_clipped(read, form):
    values = pattern().astype(np.uint16) * 257
    page = read(encoded(values, form))
    assert np.array_equal(page.grey, pattern())
    assert "16-bit reduced" in page.notes


def test_16_bit_rounds_to_the_nearest_level(read):
    values = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    assert np.array_equal(read(encoded(values, "PNG")).grey, np.round(values / 257).astype(np.uint8))


def test_big_endian_16_bit_tiff(read, tmp_path):
    tifffile.imwrite(tmp_path / "big.tif", pattern().astype(np.uint16) * 257, byteorder=">")
    assert np.array_equal(read_page(tmp_path / "big.tif").grey, pattern())


@pytest.mark.parametrize("bits", [10, 12, 14])
def test_fewer_bits_in_16_are_stretched(read, bits):
    top = 2**bits - 1
    values = np.round(ink_page() / 255 * top).astype(np.uint16)
    page = read(encoded(values, "PNG"))
    assert np.abs(page.grey.astype(int) - ink_page()).max() <= 1
    assert f"{bits}-bit data in 16 bits stretched" in page.notes


def test_dark_16_bit_page_is_not_stretched(read):
    values = np.full((60, 60), 300, np.uint16)
    values[5, 5] = 4000
    assert read(encoded(values, "PNG")).grey.max() == round(4000 / 257)


@pytest.mark.parametrize("shade", [30, 240])
def test_tiff_that_states_12_bits(read, shade):
    """Two values in three bytes, the first one's high bits first (TIFF 6.0 section 7, FillOrder 1)."""
    value = round(shade / 255 * 4095)
    packed = ((value << 12) | value).to_bytes(3, "big") * (60 * 40 // 2)
    tags = {258: (3, [12]), 259: (3, [1]), 262: (3, [1]), 277: (3, [1])}
    page = read(tiff(60, 40, tags, packed))
    assert np.array_equal(page.grey, np.full((40, 60), shade))
    assert "12-bit data in 16 bits stretched" in page.notes


def test_16_bit_colour_is_reduced(read):
    rgb = np.dstack([pattern(), 255 - pattern(), pattern() // 2])
    page = read(png((rgb.astype(np.uint16) * 257).astype(">u2"), depth=16, colour_type=2))
    assert np.abs(page.colour.astype(int) - rgb).max() <= 1
    assert "16-bit reduced" in page.notes


def test_12_bit_colour_in_16_bits_is_refused_rather_than_black(read, tmp_path):
    rgb = np.dstack([ink_page().astype(np.uint16) * 16] * 3)
    with pytest.raises(FileNotReadableError, match="16 bits but none brighter"):
        read(png(rgb.astype(">u2"), depth=16, colour_type=2))
    tifffile.imwrite(tmp_path / "deep.tif", rgb, photometric="rgb")
    with pytest.raises(HandwritingError):
        read_page(tmp_path / "deep.tif")


def test_one_bit(read):
    ink = ink_page() > 100
    for data in (encoded(ink, "PNG"), encoded(ink, "TIFF", compression="group4"), encoded(ink, "BMP")):
        page = read(data)
        assert np.array_equal(page.grey, np.where(ink, 255, 0))
        assert page.colour is None


def test_white_is_zero_tiff(read):
    values = ink_page()
    assert np.array_equal(read(grey_tiff(255 - values, {262: (3, [0])})).grey, values)


def test_white_is_zero_tiff_of_16_bits(tmp_path):
    """TIFF 6.0 section 8, PhotometricInterpretation 0; Pillow leaves 16-bit values as they are stored."""
    stored = 65535 - ink_page().astype(np.uint16) * 257
    tifffile.imwrite(tmp_path / "white.tif", stored, photometric="miniswhite")
    assert np.array_equal(read_page(tmp_path / "white.tif").grey, ink_page())


@pytest.mark.parametrize("bits", [32, 64])
def test_float_tiff_is_refused(read, bits, tmp_path):
    tifffile.imwrite(tmp_path / "float.tif", (ink_page() / 255).astype(f"f{bits // 8}"))
    with pytest.raises(HandwritingError) as refusal:
        read_page(tmp_path / "float.tif")
    assert isinstance(refusal.value, FileNotReadableError | DamagedFileError)
    if bits == 32:
        assert "decimal numbers" in refusal.value.what


def test_32_bit_whole_numbers_beyond_16_bits_are_refused(read, tmp_path):
    tifffile.imwrite(tmp_path / "deep.tif", ink_page().astype(np.int32) * 1_000_000)
    with pytest.raises(FileNotReadableError, match="outside 16 bits"):
        read_page(tmp_path / "deep.tif")


# Colour


def test_gamma_and_primaries_of_a_png_do_not_shift_the_grey(read):
    rgb = np.dstack([pattern(), 255 - pattern(), pattern()[::-1]])
    extra = png_chunk(b"gAMA", struct.pack(">I", 100_000))  # linear light: a reader that obeys it shifts every level
    extra += png_chunk(b"cHRM", struct.pack(">8I", 31270, 32900, 70000, 29000, 20000, 78000, 14000, 4000))
    page = read(png(rgb, colour_type=2, extra=extra))
    assert np.array_equal(page.colour, rgb)
    assert np.array_equal(page.grey, cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY))


def test_colour_jpeg_follows_the_same_luma(read):
    rgb = np.dstack([pattern(), 255 - pattern(), pattern() // 2])
    data = encoded(rgb, "JPEG", quality=95)
    page = read(data)
    assert np.abs(page.colour.astype(int) - np.asarray(Image.open(io.BytesIO(data)))).max() <= 1
    assert np.abs(page.grey.astype(int) - np.asarray(Image.open(io.BytesIO(data)).convert("L"))).max() <= 1


def test_print_inks_of_adobe_jpeg_are_not_inverted(read):
    rgb = np.full((32, 32, 3), 250, np.uint8)
    rgb[10:14] = 20
    page = read(encoded(Image.fromarray(rgb).convert("CMYK"), "JPEG", quality=95))
    assert page.grey[0, 0] > 240
    assert page.grey[12, 16] < 40
    assert "print inks (CMYK) turned into colours" in page.notes


def test_grey_palette_is_grey(read):
    image = Image.fromarray(pattern()).convert("P")
    image.putpalette([level for level in range(256) for _ in range(3)])
    page = read(encoded(image, "PNG"))
    assert page.colour is None
    assert np.array_equal(page.grey, pattern())


def test_lab_colours_are_refused(read):
    lab = Image.fromarray(np.dstack([pattern()] * 3), mode=None).convert("RGB")
    tags = {258: (3, [8, 8, 8]), 259: (3, [1]), 262: (3, [8]), 277: (3, [3])}
    with pytest.raises(FileNotReadableError, match="CIE"):
        read(tiff(*lab.size, tags, lab.tobytes()))


# Orientation


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_exif_orientation(read, orientation, form):
    options = {"JPEG": {"quality": 100}, "PNG": {}, "WEBP": {"lossless": True}}[form]
    stored = stored_as(pattern(), orientation)
    page = read(encoded(stored, form, exif=exif_block({274: orientation}), **options))
    assert page.grey.shape == pattern().shape
    assert np.abs(page.grey.astype(int) - pattern()).max() <= (2 if form == "JPEG" else 0)
    assert (f"turned by EXIF orientation {orientation}" in page.notes) == (orientation != 1)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("compression", ["raw", "tiff_lzw", "tiff_deflate"])
def test_tiff_orientation(read, orientation, compression):
    stored = stored_as(pattern(), orientation)
    resolution = {282: 300.0, 283: 200.0, 296: 2}
    if compression == "raw":
        rational = {282: (5, [300, 1]), 283: (5, [200, 1]), 296: (3, [2])}
        data = grey_tiff(stored, {274: (3, [orientation])} | rational)
    else:
        data = encoded(stored, "TIFF", compression=compression, tiffinfo={274: orientation} | resolution)
    page = read(data)
    assert np.array_equal(page.grey, pattern())
    assert page.claimed_dpi == ((300, 200) if orientation < 5 else (200, 300))


def test_colour_is_turned_like_grey(read):
    rgb = np.dstack([pattern(), 255 - pattern(), pattern() // 2])
    page = read(encoded(stored_as(rgb, 6), "PNG", exif=exif_block({274: 6})))
    assert np.array_equal(page.colour, rgb)
    assert page.colour.shape[:2] == page.grey.shape


def test_senseless_orientation_is_ignored(read):
    for value in (0, 9, 65535):
        assert np.array_equal(read(encoded(pattern(), "PNG", exif=exif_block({274: value}))).grey, pattern())


def test_orientation_in_xmp_alone_turns_nothing(read):
    packet = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:Description tiff:Orientation="6"/></x:xmpmeta>'
    text = png_chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + packet)
    assert np.array_equal(read(png(pattern(), extra=text)).grey, pattern())


# Damage


def jpeg_variants():
    smooth = encoded(np.kron(pattern(), np.ones((8, 8), np.uint8)), "JPEG", quality=90)
    progressive = encoded(np.kron(pattern(), np.ones((8, 8), np.uint8)), "JPEG", quality=90, progressive=True)
    middle = len(smooth) // 2
    zeroed = smooth[:middle] + b"\0" * 500 + smooth[middle + 500 :]
    return {
        "cut": smooth[:middle],
        "cut, end marker put back": smooth[:middle] + b"\xff\xd9",
        "progressive, cut, end marker put back": progressive[: len(progressive) * 2 // 3] + b"\xff\xd9",
        "bytes zeroed": zeroed,
        "last bytes missing": smooth[:-40],
    }


@pytest.mark.parametrize("variant", jpeg_variants())
def test_damaged_jpeg_is_refused(read, variant):
    with pytest.raises(DamagedFileError, match=r"page: .*(damaged|decoded)"):
        read(jpeg_variants()[variant])


@pytest.mark.parametrize("progressive", [False, True])
def test_sound_jpeg_is_not_refused(read, progressive):
    big = np.kron(pattern(), np.ones((8, 8), np.uint8))
    assert read(encoded(big, "JPEG", quality=90, progressive=progressive)).grey.shape == big.shape


def test_one_wrong_byte_in_a_png_is_refused_or_harmless(read):
    data = encoded(pattern(12, 16), "PNG")
    for place in range(8, len(data)):
        broken = bytearray(data)
        broken[place] ^= 0x55
        try:
            page = read(bytes(broken))
        except (DamagedFileError, FileNotReadableError):
            continue
        assert np.array_equal(page.grey, pattern(12, 16)), place


@pytest.mark.parametrize("form", ["PNG", "TIFF", "BMP", "WEBP"])
def test_cut_short(read, form):
    data = encoded(np.kron(pattern(), np.ones((4, 4), np.uint8)), form)
    for part in (0.3, 0.6, 0.9):
        with pytest.raises((DamagedFileError, FileNotReadableError)):
            read(data[: int(len(data) * part)])


def test_bytes_behind_the_end_of_a_jpeg_are_harmless(read):
    """Phones put data of their own there."""
    assert read(encoded(pattern(), "JPEG") + b"\0\1own data" * 50).grey.shape == pattern().shape


@pytest.mark.parametrize("form", ["JPEG", "flate"])
@pytest.mark.parametrize("part", [0.3, 0.7, 0.97])
def test_scan_inside_a_pdf_that_is_cut_short(read, form, part):
    big = np.kron(pattern(), np.ones((8, 8), np.uint8))
    data = encoded(big, "JPEG", quality=90) if form == "JPEG" else zlib.compress(big.tobytes())
    code = b"/DCTDecode" if form == "JPEG" else b"/FlateDecode"
    size = b"/Width %d/Height %d" % big.shape[::-1]
    head = b"/Type/XObject/Subtype/Image" + size + b"/ColorSpace/DeviceGray/BitsPerComponent 8/Filter" + code

    def document(body):
        resources = b"/Resources<</XObject<</I 5 0 R>>>>"
        return pdf_page((64, 40), b"q 64 0 0 40 0 0 cm /I Do Q", resources, [pdf_stream(body, head)])

    assert np.abs(read(document(data)).grey.astype(int) - big).max() <= 12
    with pytest.raises(DamagedFileError, match="picture on this page is damaged"):
        read(document(data[: int(len(data) * part)]))


def test_broken_fax_code_is_refused(read):
    """One wrong bit garbles the rest of the strip (ITU-T T.6 codes each row from the last), and no exception tells."""
    strokes = np.random.default_rng(5).integers(0, 9, (120, 160)) > 2
    data = encoded(strokes, "TIFF", compression="group4")
    sound = read(data)
    assert np.array_equal(sound.grey, np.where(strokes, 255, 0))
    changed = refused = 0
    for place in range(400, len(data) - 400, 37):
        broken = bytearray(data)
        broken[place] ^= 0x10
        try:
            page = read(bytes(broken))
        except DamagedFileError:
            refused += 1
        else:
            changed += not np.array_equal(page.grey, sound.grey)
    assert refused > 20
    assert changed <= refused / 10  # a wrong code can be a right code for something else


# Which pictures are pages


def test_second_frame_of_a_phone_picture_is_no_page(read, tmp_path):
    first, second = Image.fromarray(pattern()), Image.fromarray(255 - pattern())
    data = encoded(first, "MPO", save_all=True, append_images=[second], quality=100)
    page = read(data)
    assert page.count == 1
    assert page.format == "MPO"
    assert np.abs(page.grey.astype(int) - pattern()).max() <= 2
    assert "second frame of a phone picture ignored" in page.notes
    assert count_pages(tmp_path / "page") == len(read_pages(tmp_path / "page")) == 1


def test_animation_is_one_page(read, tmp_path):
    page = read(animated_png(pattern(), 255 - pattern()))
    assert np.array_equal(page.grey, pattern())
    assert page.count == 1
    assert "animation: first frame only" in page.notes
    moving = encoded(Image.fromarray(pattern()), "WEBP", lossless=True, save_all=True,
                     append_images=[Image.fromarray(255 - pattern())])  # fmt: skip
    page = read(moving)
    assert np.array_equal(page.grey, pattern())
    assert page.count == 1


def test_every_page_of_a_tiff_is_counted(read, tmp_path):
    frames = [Image.fromarray(pattern() + n) for n in range(3)]
    page = read(encoded(frames[0], "TIFF", save_all=True, append_images=frames[1:]))
    assert page.count == 3
    assert "page 1 of 3" in page.notes
    assert np.array_equal(read_page(tmp_path / "page", 3).grey, pattern() + 2)


def test_thumbnail_in_a_tiff_is_no_page(tmp_path):
    with tifffile.TiffWriter(tmp_path / "scan.tif") as writer:
        writer.write(pattern())
        writer.write(pattern()[::4, ::4], subfiletype=1)
        writer.write(255 - pattern())
    assert count_pages(tmp_path / "scan.tif") == 2
    assert np.array_equal(read_page(tmp_path / "scan.tif", 2).grey, 255 - pattern())


# PDF


def test_scanned_pdf_page_is_the_picture_itself(read):
    page = read(pdf_scan(pattern(), (32, 20)))
    assert np.array_equal(page.grey, pattern())
    assert page.colour is None
    assert page.claimed_dpi == pytest.approx((144, 144))
    assert page.claim_source == "PDF page size"
    assert page.size_mm == pytest.approx((32 / 72 * 25.4, 20 / 72 * 25.4))


@pytest.mark.parametrize("width_pt", [595.2, 595.28, 595, 612, 419.53])
def test_scanned_pdf_page_of_awkward_size_is_not_resampled(read, width_pt):
    noise = np.random.default_rng(1).integers(0, 256, (351, 248), np.uint8)
    page = read(pdf_scan(noise, (width_pt, width_pt * 351 / 248)))
    assert np.array_equal(page.grey, noise)
    assert page.claimed_dpi == pytest.approx((248 / width_pt * 72,) * 2, rel=1e-4)


@pytest.mark.parametrize("turn", [90, 180, 270, -90, 450])
def test_rotated_pdf_page_is_upright(read, turn):
    page = read(pdf_scan(pattern(), (32, 20), b"/Rotate %d" % turn))
    assert np.array_equal(page.grey, np.rot90(pattern(), -turn // 90))  # ISO 32000-1 table 30: degrees clockwise


def test_picture_with_a_margin_keeps_its_pixels(read):
    noise = np.random.default_rng(2).integers(0, 256, (300, 200), np.uint8)
    page = read(pdf_scan(noise, (120, 170), placing=(100, 0, 0, 150, 10.3, 9.7)))
    assert page.claimed_dpi == pytest.approx((144, 144), rel=1e-3)
    found = [
        np.array_equal(page.grey[top : top + 300, left : left + 200], noise)
        for top in range(18, 24)
        for left in range(18, 24)
    ]
    assert found.count(True) == 1


def test_mirrored_picture_is_mirrored(read):
    page = read(pdf_scan(pattern(), (32, 20), placing=(-32, 0, 0, 20, 32, 0)))
    assert np.array_equal(page.grey, pattern()[:, ::-1])


def test_picture_inside_a_form(read):
    head = b"/Type/XObject/Subtype/Image/Width 64/Height 40/ColorSpace/DeviceGray/BitsPerComponent 8"
    picture = pdf_stream(pattern().tobytes(), head)
    form = pdf_stream(
        b"q 32 0 0 20 0 0 cm /I Do Q",
        b"/Type/XObject/Subtype/Form/BBox[0 0 99 99]/Matrix[2 0 0 2 0 0]/Resources<</XObject<</I 5 0 R>>>>",
    )
    entries = b"/Resources<</XObject<</F 6 0 R>>>>"
    page = read(pdf_page((128, 80), b"q 2 0 0 2 0 0 cm /F Do Q", entries, [picture, form]))
    assert np.array_equal(page.grey, pattern())
    assert page.claimed_dpi == pytest.approx((36, 36))


def test_uneven_resolution_is_drawn_square(read):
    page = read(pdf_scan(pattern(40, 64), (32, 40)))
    assert page.grey.shape == (80, 64)
    assert page.claimed_dpi == pytest.approx((144, 144))


def test_user_unit_scales_the_page(read):
    plain = read(pdf_scan(pattern(), (16, 10)))
    double = read(pdf_scan(pattern(), (16, 10), b"/UserUnit 2"))
    assert double.size_mm == pytest.approx([2 * side for side in plain.size_mm])
    assert double.claimed_dpi == pytest.approx([value / 2 for value in plain.claimed_dpi])
    assert "PDF UserUnit 2 applied" in double.notes


@pytest.mark.parametrize("owner", ["", "secret"])
def test_user_unit_is_found_behind_compression_and_encryption(read, owner):
    buffer = io.BytesIO()
    with pikepdf.open(io.BytesIO(pdf_scan(pattern(), (16, 10), b"/UserUnit 2"))) as document:
        lock = {"encryption": pikepdf.Encryption(owner=owner, user="")} if owner else {}
        document.save(buffer, object_stream_mode=pikepdf.ObjectStreamMode.generate, **lock)
    assert b"UserUnit" not in buffer.getvalue()
    assert read(buffer.getvalue()).size_mm == pytest.approx((32 / 72 * 25.4, 20 / 72 * 25.4))


@pytest.mark.parametrize("unit", [b"0", b"-1", b"1e9", b"100000"])
def test_senseless_user_unit_is_refused_or_taken_as_one(read, unit):
    try:
        page = read(pdf_scan(pattern(), (16, 10), b"/UserUnit " + unit))
    except FileNotReadableError as refusal:
        assert "units" in refusal.what
    else:
        assert page.size_mm == pytest.approx((16 / 72 * 25.4, 10 / 72 * 25.4))


def test_drawn_page_is_300_dpi_and_white_where_nothing_is(read):
    page = read(pdf_page((144, 72), b"0 g 36 18 72 36 re f"))
    assert page.grey.shape == (300, 600)
    assert (page.grey[80:220, 155:445] == 0).all()
    assert (page.grey[:70] == 255).all()
    assert (page.grey[:, :145] == 255).all()


def test_coloured_drawing_has_colour(read):
    page = read(pdf_page((72, 72), b"1 0 0 rg 0 0 72 72 re f"))
    assert np.array_equal(page.colour[150, 150], (255, 0, 0))


def test_crop_box_is_what_is_seen(read):
    page = read(pdf_scan(pattern(), (32, 20), b"/CropBox[5 2.5 25 15]"))
    assert np.array_equal(page.grey, pattern()[10:35, 10:50])


@pytest.mark.parametrize("dpi", [72, 96])
def test_default_page_size_is_no_claim(read, dpi):
    """One picture pixel a point, or a screen pixel, is what a program does that knows no size."""
    page = read(pdf_scan(pattern(), (64 * 72 / dpi, 40 * 72 / dpi)))
    assert np.array_equal(page.grey, pattern())
    assert (page.claimed_dpi, page.claim_source, page.size_mm) == (None, "", None)
    assert f"stated page size set aside: {dpi} dpi is what programs write unmeasured" in page.notes


@pytest.mark.parametrize("camera", [True, False])
def test_photograph_put_into_a_pdf_says_nothing_about_the_paper(read, camera):
    exif = exif_block({274: 6}, camera={33437: 1.8} if camera else {})
    data = encoded(pattern(), "JPEG", quality=95, exif=exif)
    head = b"/Type/XObject/Subtype/Image/Width 64/Height 40/ColorSpace/DeviceGray/BitsPerComponent 8/Filter/DCTDecode"
    resources = b"/Resources<</XObject<</I 5 0 R>>>>"
    page = read(pdf_page((20, 15), b"q 20 0 0 12.5 0 0 cm /I Do Q", resources, [pdf_stream(data, head)]))
    assert (page.claimed_dpi is None) == (page.size_mm is None) == camera
    assert ("stated page size set aside: the picture on it was taken with a camera" in page.notes) == camera


def test_blank_pdf_page_says_so(read):
    assert "nothing drawn on this page" in read(pdf_page()).notes
    assert "nothing drawn on this page" not in read(pdf_page(content=b"0 0 10 10 re f")).notes


@pytest.mark.parametrize("method", [2, 4, 6])  # RC4 128, AES 128, AES 256 (ISO 32000-2, 7.6)
def test_password(read, method):
    buffer = io.BytesIO()
    with pikepdf.open(io.BytesIO(pdf_page(content=b"0 0 10 10 re f"))) as document:
        lock = pikepdf.Encryption(owner="a", user="b", R=method + (method == 2), aes=method > 3, metadata=method > 3)
        document.save(buffer, encryption=lock)
    with pytest.raises(LockedFileError, match="protected by a password"):
        read(buffer.getvalue())


def test_pdf_that_fails_to_open_with_a_message_of_success(read):
    for data in (b"%PDF-1.7\n", b"%PDF-1.7\n%%EOF", pdf_page()[:300], b"%PDF-" + b"\0" * 5000):
        with pytest.raises(DamagedFileError) as refusal:
            read(data)
        assert "Success" not in str(refusal.value)


def test_pdfs_read_in_threads_at_once_are_right(tmp_path):
    path = tmp_path / "scan.pdf"
    path.write_bytes(pdf_scan(pattern(), (32, 20)))
    trouble = []

    def many():
        for _ in range(8):
            try:
                if not np.array_equal(read_page(path).grey, pattern()):
                    trouble.append("pixels")
            except HandwritingError as error:
                trouble.append(error)

    threads = [threading.Thread(target=many) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert trouble == []


# What must not travel with the page


def test_place_of_the_photograph_is_not_carried(read):
    import pickle

    place = {1: "N", 2: (51.0, 28.0, 38.0), 18: "CANARY-DATUM"}
    block = exif_block({271: "CANARY-MAKER", 274: 6}, gps=place)
    data = encoded(pattern(), "JPEG", quality=95, exif=block)
    assert b"CANARY-DATUM" in data
    page = read(data)
    assert b"CANARY" not in pickle.dumps(page)
    assert "turned by EXIF orientation 6" in page.notes


def test_no_folder_in_the_name(tmp_path):
    folder = tmp_path / "class-4b"
    folder.mkdir()
    (folder / "K07.png").write_bytes(encoded(pattern(), "PNG"))
    page = read_page(folder / "K07.png")
    assert page.name == "K07.png"


def test_compressed_text_bomb_in_a_png(read):
    text = png_chunk(b"zTXt", b"a\0\0" + zlib.compress(b"\0" * 200_000_000, 9))
    try:
        page = read(png(pattern(), extra=text))
    except DamagedFileError:
        return
    assert np.array_equal(page.grey, pattern())
