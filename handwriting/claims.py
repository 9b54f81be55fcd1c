"""What a picture file claims about its resolution, and whether the claim is worth passing on.

A claim is never a measurement: most cameras and programs write a number nobody measured. Only what is really in the
file counts here (a decoding library fills gaps with 1 or 72), and only while it is believable and not contradicted.
"""

from __future__ import annotations

import math
import struct
from typing import Any

from PIL import Image, TiffImagePlugin

LOWEST_DPI, HIGHEST_DPI = 50.0, 4800.0  # outside these nobody scans a page of writing; common practice, no source
_X, _Y, _UNIT = 282, 283, 296  # XResolution, YResolution, ResolutionUnit: TIFF 6.0 section 8, Exif 2.3 section 4.6.4
_CAMERA = (33434, 33437, 37386)  # ExposureTime, FNumber, FocalLength: Exif 2.3 section 4.6.5, written by cameras only
_EXIF_POINTER = 34665
_DISAGREE = 0.01
_SCREENS, _NEAR = (72.0, 96.0), 0.1  # dpi of old screens, the default of much software; common practice, no source
_INCH_MM = 25.4

ORIENTATION = 274
_BROKEN = (SyntaxError, ValueError, TypeError, OSError, KeyError, IndexError, struct.error)  # what Pillow lets through

Exif = dict[int, Any]
Claim = tuple[tuple[float, float] | None, str, list[str]]


def read_exif(block: bytes | None) -> Exif:
    """Read an Exif block into tag -> value, what only cameras write included; a broken tag is left out.

    Pillow's own `getexif` is not used: it also believes an orientation written in XMP, which viewers do not.
    """
    tags: Exif = {}
    if not block:
        return tags
    exif = Image.Exif()
    try:
        exif.load(block)
        own = exif.get_ifd(_EXIF_POINTER)
        for source in (own, exif):
            tags |= {tag: source[tag] for tag in (*_CAMERA, _X, _Y, _UNIT, ORIENTATION) if tag in source}
    except _BROKEN:
        return tags
    return tags


def orientation(tags: Exif) -> int:
    """Exif code of how the stored picture has to be turned to stand upright; 1, as it is, without a valid one."""
    value = tags.get(ORIENTATION)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def by_camera(tags: Exif) -> bool:
    """Whether the Exif block carries what only a camera writes: its resolution says nothing about the paper."""
    return any(tag in tags for tag in _CAMERA)


def is_default(dpi: tuple[float, float]) -> bool:
    """Whether this is a resolution that programs write when nobody has measured one."""
    return any(all(abs(value - screen) < _NEAR for value in dpi) for screen in _SCREENS)


def stated_resolution(image: Image.Image, exif: Exif) -> Claim:
    """Find the resolution a raster file states.

    Parameters
    ----------
    image : PIL.Image.Image
        The opened file; it need not be loaded. For a TIFF the frame in question must be current.
    exif : dict
        The file's Exif tags, see `read_exif`.

    Returns
    -------
    dpi : (float, float) or None
        Pixels per inch along x and y of the *stored* picture, before any turning.
    source : str
        ``JFIF``, ``EXIF``, ``pHYs``, ``TIFF tags`` or ``BMP header``; empty without a claim.
    notes : list of str
        Why a stated value was set aside.
    """
    notes: list[str] = []
    found: list[tuple[str, tuple[float, float]]] = []
    for source, stated in _statements(image, exif):
        if stated is None:
            continue
        if not all(LOWEST_DPI <= value <= HIGHEST_DPI for value in stated):
            notes.append(f"stated resolution set aside: {stated[0]:.6g} x {stated[1]:.6g} dpi ({source}) is absurd")
        elif source == "EXIF" and stated == (72.0, 72.0):  # to be written when the resolution is unknown: Exif 2.3
            notes.append("stated resolution set aside: 72 dpi in EXIF means unknown")
        else:
            found.append((source, stated))
    if found and by_camera(exif):
        return None, "", [*notes, "stated resolution set aside: taken with a camera"]
    if not found:
        return None, "", notes
    source, dpi = found[0]
    for other, stated in found[1:]:
        if any(abs(a - b) > _DISAGREE * a for a, b in zip(dpi, stated, strict=True)):
            text = f"{source} says {dpi[0]:.6g} dpi, {other} says {stated[0]:.6g} dpi"
            return None, "", [*notes, f"stated resolution set aside: {text}"]
    if is_default(dpi):
        text = f"{dpi[0]:.0f} dpi ({source}) is what programs write unmeasured"
        return None, "", [*notes, f"stated resolution set aside: {text}"]
    return dpi, source, notes


def _statements(image: Image.Image, exif: Exif) -> list[tuple[str, tuple[float, float] | None]]:
    """List each statement in the file, as pixels per inch; None where a field is there but says nothing."""
    if isinstance(image, TiffImagePlugin.TiffImageFile):
        return [("TIFF tags", _from_tags(image.tag_v2))]
    stated: list[tuple[str, tuple[float, float] | None]] = []
    info = image.info
    if "jfif_density" in info:
        per_inch = {1: 1.0, 2: _INCH_MM / 10}.get(info.get("jfif_unit", 0))
        stated.append(("JFIF", _pair(info["jfif_density"], per_inch)))
    elif image.format == "PNG" and "dpi" in info:
        stated.append(("pHYs", _pair(info["dpi"], 1.0)))
    elif image.format == "BMP" and "dpi" in info:
        stated.append(("BMP header", _pair(info["dpi"], 1.0)))
    stated.append(("EXIF", _from_tags(exif)))
    return stated


def _from_tags(tags: Any) -> tuple[float, float] | None:  # noqa: ANN401 - two unrelated mapping types of the library
    if _X not in tags or _Y not in tags:
        return None
    per_inch = {2: 1.0, 3: _INCH_MM / 10}.get(tags.get(_UNIT, 2))
    return _pair((tags[_X], tags[_Y]), per_inch)


def _pair(stated: tuple[Any, Any], per_inch: float | None) -> tuple[float, float] | None:
    """Two numbers out of a file as pixels per inch; None without a unit, NaN turned into 0 so that it reads absurd."""
    if per_inch is None:
        return None
    pair = _number(stated[0]) * per_inch, _number(stated[1]) * per_inch
    return pair if any(pair) else None


def _number(value: Any) -> float:  # noqa: ANN401 - from the file
    if isinstance(value, tuple):
        value = value[0] if value else 0
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return 0.0
    return number if math.isfinite(number) else 0.0
