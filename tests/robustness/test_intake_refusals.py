"""Every file that cannot be used is refused in one sentence: what, where, how to mend it. Nothing crashes."""

import io
import os
import zlib
from pathlib import Path

import numpy as np
import pytest
from odd_files import (
    animated_png,
    encoded,
    grey_tiff,
    jpeg_headers_only,
    pattern,
    pdf,
    pdf_nested_forms,
    pdf_page,
    pdf_scan,
    pdf_stream,
    png,
    tiff,
)
from PIL import Image

from handwriting.errors import (
    DamagedFileError,
    DecodeFailedError,
    FileNotReadableError,
    HandwritingError,
    TooLargeError,
    UsageError,
)
from handwriting.page import Limits, count_pages, read_page, read_pages

BLANK_TREE = (b"<</Type/Catalog/Pages 2 0 R>>", b"<</Type/Pages/Kids[]/Count 0>>")


@pytest.fixture
def refusal(tmp_path):
    """Write bytes to a file; the error it is refused with."""

    def refused(data, kind, **options):
        path = tmp_path / "scan.dat"
        path.write_bytes(data)
        with pytest.raises(kind) as caught:
            read_page(path, **options)
        error = caught.value
        assert error.where.startswith("scan.dat")
        assert error.fix
        assert "\n" not in str(error)
        assert str(tmp_path) not in str(error)
        return error.what

    return refused


# Not a file to read


def test_missing(tmp_path):
    with pytest.raises(FileNotReadableError, match=r"gone\.png: there is no such file"):
        read_page(tmp_path / "gone.png")


def test_folder(tmp_path):
    with pytest.raises(FileNotReadableError, match="is a folder, not a file"):
        read_page(tmp_path)


def test_not_permitted(tmp_path, monkeypatch):
    path = tmp_path / "locked.png"
    path.write_bytes(b"x")

    def denied(*args, **kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", denied)
    with pytest.raises(FileNotReadableError, match=r"locked\.png: may not be read"):
        read_page(path)


def test_disk_trouble(tmp_path, monkeypatch):
    path = tmp_path / "far.png"
    path.write_bytes(b"x")

    def broken(*args, **kwargs):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "open", broken)
    with pytest.raises(FileNotReadableError, match="Input/output error"):
        read_page(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(FileNotReadableError, match="is not an ordinary file"):
        read_page(tmp_path / "pipe")


def test_path_no_system_accepts():
    with pytest.raises(FileNotReadableError):
        read_page("a\0b.png")
    with pytest.raises(FileNotReadableError):
        read_page("x" * 5000)


@pytest.mark.skipif(os.name == "nt", reason="file names are text there")
def test_file_name_that_is_no_text(tmp_path):
    path = tmp_path / os.fsdecode(b"K\xff07\n.png")
    path.write_bytes(encoded(pattern(), "PNG"))
    assert read_page(path).name == "K\ufffd07\ufffd.png"


# Not a kind that is read


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"\0" * 5000, "nothing but zero bytes"),
        (b"hello, this is a letter", "not a picture or document of a kind read here"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not a picture or document"),
        (b"GIF89a" + b"\0" * 50, "kind not read here: GIF picture"),
        (b"\0\0\0\x18ftypheic" + b"\0" * 50, "kind not read here: HEIC picture"),
        (b"PK\x03\x04" + b"\0" * 50, "zip archive or office document"),
        (b"\0\0\0\x0cjP  \r\n\x87\n", "JPEG 2000"),
        (b"\x89PNX", "not a picture or document"),
        (b"\xff", "not a picture or document"),
    ],
)
def test_wrong_kind(refusal, data, words):
    assert words in refusal(data, FileNotReadableError)


def test_kind_is_told_by_content_not_by_name(tmp_path):
    path = tmp_path / "photo.jpg"
    path.write_bytes(encoded(pattern(), "PNG"))
    assert read_page(path).format == "PNG"


@pytest.mark.parametrize(
    "magic",
    [b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0", b"MM\0*", b"II+\0", b"BM", b"RIFF\0\0\0\0WEBP", b"%PDF-1.4\n"],
)
@pytest.mark.parametrize("rest", [b"", b"\0" * 100, b"\xff" * 100, bytes(range(256)) * 4])
def test_right_start_and_nothing_behind_it(refusal, magic, rest):
    refusal(magic + rest, DamagedFileError)


# No pixels


def test_no_pixels(refusal):
    refusal(png(np.zeros((0, 5), np.uint8)), HandwritingError)
    refusal(png(np.zeros((1, 1), np.uint8), size=(0, 0)), HandwritingError)
    refusal(grey_tiff(np.zeros((0, 0), np.uint8)), HandwritingError)
    refusal(jpeg_headers_only(0, 0), HandwritingError)


def test_smallest_page_there_is(tmp_path):
    (tmp_path / "dot.png").write_bytes(png(np.array([[77]], np.uint8)))
    assert read_page(tmp_path / "dot.png").grey.tolist() == [[77]]


def test_pdf_page_without_size(tmp_path):
    path = tmp_path / "flat.pdf"
    for box in ((0, 0), (0, 100), (-5, 100), (1e-9, 1e-9)):
        path.write_bytes(pdf_page(box, b"0 0 1 1 re f"))
        try:
            page = read_page(path)
        except HandwritingError:
            continue
        assert page.grey.size > 0
        assert min(page.size_mm) > 0


def test_pdf_without_pages(refusal):
    refusal(pdf(*BLANK_TREE), DamagedFileError)


def test_pdf_page_that_is_missing(tmp_path):
    tree = b"<</Type/Pages/Kids[3 0 R 9 0 R]/Count 2>>"
    path = tmp_path / "half.pdf"
    path.write_bytes(pdf(BLANK_TREE[0], tree, b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 72 72]>>"))
    assert read_page(path, 1).size_mm == pytest.approx((25.4, 25.4))
    with pytest.raises(HandwritingError):
        read_page(path, 2)


# Too much


def test_headers_that_ask_for_a_thousand_million_pixels(refusal):
    assert "1024 million pixels, over the limit of 100 million" in refusal(
        jpeg_headers_only(32000, 32000), TooLargeError
    )
    huge = png(np.zeros((1, 3750), np.uint8), depth=1, size=(30000, 30000))
    assert "900 million" in refusal(huge, TooLargeError)
    tags = {258: (3, [1]), 259: (3, [4]), 262: (3, [0]), 277: (3, [1])}
    assert "900 million" in refusal(tiff(30000, 30000, tags, b"\0" * 100), TooLargeError)
    assert "900 million" in refusal(_bitmap_header(30000, 30000), TooLargeError)


def _bitmap_header(width, height):
    data = bytearray(encoded(pattern(), "BMP"))
    data[18:22], data[22:26] = width.to_bytes(4, "little"), height.to_bytes(4, "little")
    return bytes(data)


def test_pdf_page_of_five_metres(refusal):
    assert "is 60000 x 60000" in refusal(pdf_page((14400, 14400)), TooLargeError)


def test_pdf_with_a_large_picture_on_a_small_page(refusal):
    """The picture's own resolution would ask for too many pixels: refused, not silently reduced."""
    bits = pdf_scan(np.zeros((1, 1), np.uint8), (72, 72)).replace(b"/Width 1/Height 1", b"/Width 20000/Height 20000")
    assert "400 million" in refusal(bits, TooLargeError)


def test_limit_is_met_exactly(tmp_path):
    path = tmp_path / "page.png"
    path.write_bytes(encoded(pattern(40, 50), "PNG"))
    assert read_page(path, limits=Limits(max_pixels=2000)).grey.size == 2000
    with pytest.raises(TooLargeError, match="max_pixels to 2000"):
        read_page(path, limits=Limits(max_pixels=1999))


def test_nested_forms_are_stopped_by_the_clock(refusal):
    data = pdf_nested_forms()
    assert len(data) < 5000
    assert "took longer than 1 s" in refusal(data, DecodeFailedError, limits=Limits(seconds=1))


def test_drawing_that_unpacks_to_hundreds_of_times_its_size_takes_no_more_than_its_share(refusal):
    """Two million lines in 90 kB: drawn, they need half a gigabyte; the child ends, this process does not."""
    page = b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 595 842]/Contents 4 0 R>>"
    lines = zlib.compress(b"0 0 m 500 700 l S\n" * 2_000_000, 9)
    tree = b"<</Type/Pages/Kids[3 0 R]/Count 1>>"
    data = pdf(b"<</Type/Catalog/Pages 2 0 R>>", tree, page, pdf_stream(lines, b"/Filter/FlateDecode"))
    assert len(data) < 100_000
    said = refusal(data, DecodeFailedError, limits=Limits(memory_bytes=150_000_000, seconds=20))
    assert "memory" in said or "took longer" in said


def test_short_of_memory_is_named(refusal):
    data = encoded(np.zeros((6000, 6000), np.uint8), "PNG")
    refusal(data, DecodeFailedError, limits=Limits(memory_bytes=20_000_000))


def test_document_of_too_many_pages(tmp_path):
    kids = b" ".join(b"%d 0 R" % (3 + n) for n in range(300))
    pages = [b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 72 72]>>"] * 300
    path = tmp_path / "long.pdf"
    path.write_bytes(pdf(BLANK_TREE[0], b"<</Type/Pages/Count 300/Kids[" + kids + b"]>>", *pages))
    assert count_pages(path) == 300
    with pytest.raises(TooLargeError, match=r"has 300 pages, more than the limit of 200.*max_pages to 300"):
        read_pages(path)
    assert read_page(path, 300).count == 300
    with pytest.raises(UsageError, match="has only 300 pages; page 301"):
        read_page(path, 301)


def test_pdf_that_lies_about_its_page_count(tmp_path):
    data = pdf_page().replace(b"/Count 1", b"/Count 999999")
    path = tmp_path / "liar.pdf"
    path.write_bytes(data)
    with pytest.raises(HandwritingError):
        read_pages(path)


def test_tiff_whose_directories_go_round_in_a_circle(tmp_path):
    data = bytearray(grey_tiff(pattern()))
    entries = int.from_bytes(data[8:10], "little")
    data[10 + 12 * entries : 14 + 12 * entries] = (8).to_bytes(4, "little")
    path = tmp_path / "round.tif"
    path.write_bytes(bytes(data))
    try:
        page = read_page(path, limits=Limits(seconds=3))
    except HandwritingError:
        return
    assert np.array_equal(page.grey, pattern())
    assert page.count == 1


# Any file at all


def _seeds():
    first, second = Image.fromarray(pattern(16, 24)), Image.fromarray(255 - pattern(16, 24))
    colour = np.dstack([pattern(16, 24)] * 3)
    return {
        "png": encoded(pattern(16, 24), "PNG"),
        "animated png": animated_png(pattern(16, 24), 255 - pattern(16, 24)),
        "jpeg": encoded(colour, "JPEG"),
        "progressive jpeg": encoded(colour, "JPEG", progressive=True),
        "phone jpeg": encoded(first, "MPO", save_all=True, append_images=[second.copy()]),
        "tiff": encoded(first, "TIFF", save_all=True, append_images=[second], compression="tiff_lzw"),
        "fax tiff": encoded(pattern(16, 24) > 60, "TIFF", compression="group4"),
        "jpeg tiff": encoded(colour, "TIFF", compression="jpeg"),
        "bmp": encoded(pattern(16, 24), "BMP"),
        "webp": encoded(colour, "WEBP"),
        "pdf": pdf_scan(pattern(16, 24), (24, 16)),
    }


@pytest.mark.parametrize("seed", _seeds())
def test_mutants_never_get_past_the_errors_of_this_program(seed, tmp_path, capfd):
    """Broken at random: a page or one of our errors, never anything else, and not a word on the error stream."""
    data = _seeds()[seed]
    rng = np.random.default_rng(20)
    path = tmp_path / "mutant"
    outcomes = {"page": 0, "refused": 0}
    for _ in range(30):
        broken = bytearray(data)
        for _ in range(rng.integers(1, 8)):
            match rng.integers(4):
                case 0:
                    broken[rng.integers(len(broken))] = rng.integers(256)
                case 1:
                    broken[rng.integers(len(broken))] ^= 1 << rng.integers(8)
                case 2:
                    at = rng.integers(len(broken))
                    del broken[at : at + rng.integers(1, 9)]
                case _:
                    at = rng.integers(len(broken))
                    broken[at:at] = rng.bytes(rng.integers(1, 9))
        path.write_bytes(bytes(broken))
        try:
            page = read_page(path, limits=Limits(seconds=5, max_pixels=1_000_000, memory_bytes=400_000_000))
        except HandwritingError as error:
            outcomes["refused"] += 1
            assert error.where
            assert error.fix
        else:
            outcomes["page"] += 1
            assert page.grey.size > 0
    assert outcomes["refused"] > 0
    assert capfd.readouterr() == ("", "")


def test_every_cut_of_a_small_file(tmp_path):
    path = tmp_path / "cut"
    for data in (encoded(pattern(8, 8), "PNG"), encoded(pattern(8, 8), "JPEG")):
        for length in range(0, len(data) - 12, 7):
            path.write_bytes(data[:length])
            with pytest.raises((FileNotReadableError, DamagedFileError)):
                read_page(path)


def test_corrupt_frame_control_of_an_animation(tmp_path):
    """The chunk that crashes another decoder: every byte of it, one at a time."""
    data = animated_png(pattern(8, 8), pattern(8, 8))
    start = data.index(b"acTL") - 4
    path = tmp_path / "animation"
    for place in range(start, start + 20):
        for value in (0x00, 0x7F, 0xFF):
            broken = bytearray(data)
            broken[place] = value
            path.write_bytes(bytes(broken))
            try:
                page = read_page(path)
            except HandwritingError:
                continue
            assert np.array_equal(page.grey, pattern(8, 8))


def test_image_read_from_anything_but_the_start(tmp_path):
    """Junk may stand before a PDF's header, within 1024 bytes (ISO 32000-1, annex H.3.4.1), not before a picture's."""
    path = tmp_path / "junk"
    path.write_bytes(b"\n" * 500 + pdf_page(content=b"0 0 9 9 re f"))
    assert read_page(path).format == "PDF"
    path.write_bytes(b"\n" + encoded(pattern(), "PNG"))
    with pytest.raises(FileNotReadableError):
        read_page(path)
    behind = io.BytesIO(encoded(pattern(), "PNG") + b"trailing bytes")
    path.write_bytes(behind.getvalue())
    assert np.array_equal(read_page(path).grey, pattern())
