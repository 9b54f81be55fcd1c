"""Decode one page into grey or colour pixels. Runs inside the child process of `intake`, and never uses OpenCV.

What comes out is what a person would see on a white sheet: transparent parts are white, deeper data are reduced to
8 bits by division (never by clipping), palettes and print inks become colours. Colour is taken to be sRGB: colour
profiles and gamma entries are not applied. Anything that would need a guess is refused.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Callable
from io import BytesIO
from typing import Any

import numpy as np
import numpy.typing as npt
import simplejpeg

# Imported by name: Pillow would otherwise look for them in every child anew.
from PIL import (  # noqa: F401
    BmpImagePlugin,
    Image,
    JpegImagePlugin,
    MpoImagePlugin,
    PngImagePlugin,
    TiffImagePlugin,
    UnidentifiedImageError,
    WebPImagePlugin,
)

from handwriting.claims import orientation, read_exif, stated_resolution
from handwriting.errors import DamagedFileError, FileNotReadableError, TooLargeError, UsageError
from handwriting.intake import Message, Sink

Image.preinit()

_SAVE_8_BIT = "Save the page as an 8-bit grey or colour PNG or JPEG"
_AGAIN = "Scan or photograph the page again and save it as PNG or JPEG"
_REDUCED_OR_MASK = 0b101  # NewSubfileType bits: a smaller copy, a transparency mask (TIFF 6.0 section 8)
_NEW_SUBFILE_TYPE, _BITS, _PHOTOMETRIC = 254, 258, 262
_WHITE_IS_ZERO = 0  # TIFF 6.0 section 8, PhotometricInterpretation
_BAND = 64  # rows
_SENSIBLE_PIXELS = 1_000_000_000  # nobody is told to raise the limit beyond
_PNG_PICTURE = {b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"}
_FORMATS = {"JPEG": ("JPEG", "MPO"), "PNG": ("PNG",), "TIFF": ("TIFF",), "BMP": ("BMP", "DIB"), "WebP": ("WEBP",)}


def prepare(kind: str) -> None:
    """Load in the parent what decoding this kind of file needs, so that forked children find it loaded."""
    if kind == "PDF":
        import handwriting.pdf  # noqa: F401


def decode(data: bytes, options: Message, sink: Sink) -> Message:
    """Decode one page.

    Parameters
    ----------
    data : bytes
        The file's content.
    options : dict
        ``kind``: PNG, JPEG, TIFF, PDF, BMP or WebP; ``number``: the page, from 1; ``max_pixels``; and, where all pages
        are wanted, ``max_pages``.
    sink : Sink
        Receives the pixels.

    Returns
    -------
    dict
        ``shape``, ``format``, ``count``, ``orientation`` (Exif code the parent still has to apply), ``dpi``,
        ``source``, ``size_mm`` and ``notes``.
    """
    if options["kind"] == "PDF":
        from handwriting import pdf

        return pdf.decode(data, options, sink)
    Image.MAX_IMAGE_PIXELS = None  # the limit is the caller's, checked below before anything is decoded
    image = _open(data, options["kind"])
    return (_jpeg if options["kind"] == "JPEG" else _raster)(image, data, options, sink)


def count(data: bytes, options: Message, sink: Sink) -> Message:
    """Count the pages of the file: ``{"count": n}``."""
    if options["kind"] == "PDF":
        from handwriting import pdf

        return {"count": pdf.count(data)}
    Image.MAX_IMAGE_PIXELS = None
    image = _open(data, options["kind"])
    return {"count": len(_tiff_pages(image)) if isinstance(image, TiffImagePlugin.TiffImageFile) else 1}


def check_number(options: Message, total: int) -> None:
    """Refuse a page that is not there, or all pages of a document with too many."""
    most = options.get("max_pages")
    if most is not None and total > most:
        fix = f"Name the pages you want, or raise the limit max_pages to {total}"
        raise TooLargeError(f"has {total} pages, more than the limit of {most}", fix=fix)
    if options["number"] > total:
        pages = "1 page" if total == 1 else f"{total} pages"
        fix = "Leave the page number out" if total == 1 else f"Choose 1 to {total}"
        raise UsageError(f"has only {pages}; page {options['number']} was asked for", fix=fix)


def check_pixels(width: int, height: int, options: Message) -> None:
    """Refuse a page of too many pixels, or of none, before it is decoded."""
    if width < 1 or height < 1:
        raise DamagedFileError("has no pixels", fix=_AGAIN)
    most = options["max_pixels"]
    if width * height > most:
        size = f"{width} x {height} = {width * height / 1e6:.0f} million pixels"
        fix = "Scan at 300 dpi: an A4 page is then 8.7 million pixels"
        if width * height <= _SENSIBLE_PIXELS:
            fix += f". Or raise the limit max_pixels to {width * height} (--max-pixels {width * height})"
        raise TooLargeError(f"is {size}, over the limit of {most / 1e6:g} million", fix=fix)


def _open(data: bytes, kind: str) -> Image.Image:
    """Read the header. From memory, never by path: opened by path, Pillow 13 loses the orientation of some TIFFs."""
    try:
        return Image.open(BytesIO(data), formats=_FORMATS[kind])
    except UnidentifiedImageError as error:
        raise DamagedFileError(f"starts like a {kind} file but its header cannot be read", fix=_AGAIN) from error


def _jpeg(image: Image.Image, data: bytes, options: Message, sink: Sink) -> Message:
    """Decode a JPEG with every recoverable error counted as damage: half a page in flat grey must not be measured."""
    check_number(options, 1)
    check_pixels(*image.size, options)
    exif = read_exif(image.info.get("exif"))
    dpi, source, notes = stated_resolution(image, exif)
    if getattr(image, "n_frames", 1) > 1:
        notes.append("second frame of a phone picture ignored")
    if "icc_profile" in image.info and image.mode == "RGB":
        notes.append("colour profile not applied")
    try:
        height, width, space, _ = simplejpeg.decode_jpeg_header(data)
        check_pixels(width, height, options)
        if image.mode == "CMYK":
            simplejpeg.decode_jpeg(data, "CMYK")  # Pillow is the one that gets the inks right, this one sees damage
            notes.append("print inks (CMYK) turned into colours")
            shape = _put(sink, image.convert("RGB"))
        else:
            grey = space.upper() == "GRAY"
            shape = (height, width) if grey else (height, width, 3)
            simplejpeg.decode_jpeg(data, "GRAY" if grey else "RGB", buffer=sink.pixels(shape))
    except ValueError as error:
        raise DamagedFileError(f"is damaged or cut short ({_said(error)})", fix=_AGAIN) from error
    answer = _answer(shape, image.format or "JPEG", dpi, source, notes)
    return answer | {"orientation": orientation(exif)}


def _raster(image: Image.Image, data: bytes, options: Message, sink: Sink) -> Message:
    """Decode PNG, TIFF, BMP or WebP with Pillow."""
    total, turned = 1, 1
    if isinstance(image, TiffImagePlugin.TiffImageFile):
        pages = _tiff_pages(image)
        total = len(pages)
        check_number(options, total)
        image.seek(pages[options["number"] - 1])
        turned = orientation(dict(image.tag_v2))
    else:
        check_number(options, total)
    if image.format == "PNG":
        _check_png(data)
    check_pixels(*image.size, options)
    _refuse_unreadable_kinds(image)
    exif = read_exif(image.info.get("exif"))
    dpi, source, notes = stated_resolution(image, exif)
    if not isinstance(image, TiffImagePlugin.TiffImageFile) and getattr(image, "n_frames", 1) > 1:
        notes.append("animation: first frame only")
    deep_colour = image.format == "PNG" and data[24] == 16 and data[25] in {2, 4, 6}
    deep_colour |= isinstance(image, TiffImagePlugin.TiffImageFile) and _deep_tiff(image)
    try:
        said = _overhear(image.load)
    except (OSError, SyntaxError, ValueError, TypeError, EOFError, IndexError, KeyError) as error:
        if "-9" in str(error):  # Pillow's code for memory it did not get
            raise MemoryError from error
        raise DamagedFileError(f"is damaged or cut short ({_said(error)})", fix=_AGAIN) from error
    if b"Bad code word" in said:  # libtiff goes on after a broken fax code, and the rest of the strip is wrong
        raise DamagedFileError("is damaged (a fax code on this page cannot be read)", fix=_AGAIN)
    if image.info.get("icc_profile") and image.mode not in {"L", "1"}:
        notes.append("colour profile not applied")
    flat = _flatten(image, notes)
    if deep_colour:
        _check_deep_colour(flat)
        notes.append("16-bit reduced")
    answer = _answer(_put(sink, flat), image.format or options["kind"], dpi, source, notes) | {"count": total}
    if turned != 1:  # Pillow has turned a TIFF by now
        notes.append(f"turned by TIFF orientation {turned}")
        if turned >= 5 and dpi:
            answer["dpi"] = dpi[::-1]
        return answer
    return answer | {"orientation": orientation(exif) if image.format != "TIFF" else 1}


def _overhear(work: Callable[[], object]) -> bytes:
    """Do the work; what libraries wrote to the error stream meanwhile, cut off where a pipe is full."""
    if os.name == "nt":
        work()
        return b""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    before = os.dup(2)
    os.dup2(writing, 2)
    try:
        work()
    finally:
        os.dup2(before, 2)
        os.close(before)
        os.close(writing)
    with os.fdopen(reading, "rb") as heard:
        return heard.read()


def _check_png(data: bytes) -> None:
    """Check the sums of the chunks that carry the picture: Pillow leaves those of the pixels unread."""
    place = 8
    while place + 12 <= len(data):
        length = int.from_bytes(data[place : place + 4], "big")
        kind, end = data[place + 4 : place + 8], place + 8 + length
        if kind in _PNG_PICTURE:
            summed = zlib.crc32(memoryview(data)[place + 4 : end])
            if summed != int.from_bytes(data[end : end + 4], "big"):
                raise DamagedFileError("is damaged or cut short (a check sum does not match)", fix=_AGAIN)
        if kind == b"IEND":
            return
        place = end + 4


def _tiff_pages(image: TiffImagePlugin.TiffImageFile) -> list[int]:
    """Frames of a TIFF that are pages: not thumbnails, not masks."""
    frames = range(image.n_frames)
    pages = []
    for frame in frames:
        image.seek(frame)
        kind = image.tag_v2.get(_NEW_SUBFILE_TYPE, 0)
        if not (isinstance(kind, int) and kind & _REDUCED_OR_MASK):
            pages.append(frame)
    return pages or list(frames)


def _deep_tiff(image: TiffImagePlugin.TiffImageFile) -> bool:
    bits = image.tag_v2.get(_BITS, (1,))
    return len(bits) > 1 and max(bits) > 8


def _refuse_unreadable_kinds(image: Image.Image) -> None:
    kinds = {"F": "brightness stored as decimal numbers", "LAB": "colours stored as CIE L*a*b*", "HSV": "HSV colours"}
    if image.mode in kinds:
        raise FileNotReadableError(f"has {kinds[image.mode]}, which have no agreed white", fix=_SAVE_8_BIT)


def _flatten(image: Image.Image, notes: list[str]) -> Image.Image | npt.NDArray[np.uint8]:
    """Turn any kind of pixel into 8-bit grey or RGB as seen on white paper."""
    mode = image.mode
    if mode == "I" or mode.startswith("I;16"):
        return _from_16_bit(image, notes)
    if "transparency" in image.info or mode in {"LA", "La", "PA", "RGBA", "RGBa"}:
        return _on_white(image, notes)
    if mode == "L":
        return image
    if mode == "1":
        return image.convert("L")
    if mode == "P":
        return _plain_palette(image.convert("RGB"), image)
    if mode == "CMYK":
        notes.append("print inks (CMYK) turned into colours")
    return image.convert("RGB")


def _on_white(image: Image.Image, notes: list[str]) -> Image.Image:
    """Lay a picture with transparent parts on white paper."""
    if image.mode in {"La", "RGBa"}:
        image = image.convert({"La": "LA", "RGBa": "RGBA"}[image.mode])
    grey = image.mode in {"L", "LA", "1"}
    source = image
    image = image if image.mode in {"LA", "RGBA"} else image.convert("RGBA")
    alpha = image.getchannel("A")
    if alpha.getextrema()[0] != 255:
        notes.append("alpha put on white")
    target = "L" if grey else "RGB"
    paper = Image.new(target, image.size, "white")
    paper.paste(image.convert(target), mask=alpha)
    return _plain_palette(paper, source) if source.mode in {"P", "PA"} else paper


def _plain_palette(colours: Image.Image, source: Image.Image) -> Image.Image:
    """Give a picture whose palette holds nothing but greys back as grey."""
    palette = np.frombuffer(bytes(source.getpalette("RGB") or b""), np.uint8).reshape(-1, 3)
    return colours.getchannel("R") if palette.size and not np.ptp(palette, axis=1).any() else colours


def _from_16_bit(image: Image.Image, notes: list[str]) -> npt.NDArray[np.uint8]:
    """Reduce 16-bit grey to 8 bits over the range the data really use.

    Scanners of 10, 12 or 14 bits write their numbers into 16: white would then come out nearly black. Such data are
    recognised by the file saying so, or by no value above the smaller range while the brightest hundredth fills its
    upper half.
    """
    values = np.asarray(image)
    low, high = int(values.min()), int(values.max())
    if low < 0 or high > 65535:
        raise FileNotReadableError(f"has grey values from {low} to {high}, outside 16 bits", fix=_SAVE_8_BIT)
    bits = _stated_bits(image)
    # Pillow turns white-is-zero round in 8 bits only.
    inverted = isinstance(image, TiffImagePlugin.TiffImageFile) and image.tag_v2.get(_PHOTOMETRIC) == _WHITE_IS_ZERO
    if inverted:
        values = (2**bits - 1) - values
    elif bits == 16 and high < 2**14:
        bright = float(np.percentile(values, 99))
        bits = next((b for b in (8, 10, 12, 14) if high < 2**b and bright >= 2 ** (b - 1)), 16)
    notes.append("16-bit reduced" if bits == 16 else f"{bits}-bit data in 16 bits stretched")
    table = np.round(np.arange(65536) * (255 / (2**bits - 1))).clip(0, 255).astype(np.uint8)
    grey: npt.NDArray[np.uint8] = table[values]
    clear = image.info.get("transparency")
    if isinstance(clear, int):
        grey[values == clear] = 255
        notes.append("alpha put on white")
    return grey


def _stated_bits(image: Image.Image) -> int:
    """Bits of the grey values where a TIFF states 9 to 15 of them, else 16."""
    bits = image.tag_v2.get(_BITS, (16,))[0] if isinstance(image, TiffImagePlugin.TiffImageFile) else 16
    return bits if 8 < bits < 16 else 16


def _check_deep_colour(flat: Image.Image | npt.NDArray[np.uint8]) -> None:
    """Refuse 16-bit colour that uses only the lowest bits: after reduction to 8 there is next to nothing left of it."""
    top = int(np.asarray(flat).max())
    if top < 64:
        what = f"stores colours in 16 bits but none brighter than {(top + 1) / 256:.0%} of the range"
        raise FileNotReadableError(what, fix=_SAVE_8_BIT)


def _put(sink: Sink, flat: Image.Image | npt.NDArray[np.uint8]) -> tuple[int, ...]:
    if not isinstance(flat, Image.Image):
        sink.pixels(flat.shape)[...] = flat
        return flat.shape
    width, height = flat.size
    pixels = sink.pixels((height, width) if flat.mode == "L" else (height, width, 3))
    # Band by band: Pillow copies what it hands out twice.
    for top in range(0, height, _BAND):
        bottom = min(top + _BAND, height)
        pixels[top:bottom] = np.asarray(flat.crop((0, top, width, bottom)))
    return pixels.shape


def _answer(shape: tuple[int, ...], form: str, dpi: Any, source: str, notes: list[str]) -> Message:  # noqa: ANN401
    return {
        "shape": shape,
        "format": {"WEBP": "WebP", "DIB": "BMP"}.get(form, form),
        "count": 1,
        "orientation": 1,
        "dpi": dpi,
        "source": source,
        "size_mm": None,
        "notes": notes,
    }


def _said(error: Exception) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
