"""Printed fonts' own x-height against the measured one.

The x-height is read from each font's OS/2 table (sxHeight, version 2 and later; ISO/IEC 14496-22 Open Font Format,
OS/2 and head tables), in units of the em. Lines are set at a known size at 300 dpi, blurred as a scanner does, and
measured through the finder of lines. The flat tops of x, z, v and w stand at sxHeight; round letters overshoot it and
the baseline by about a hundredth of the em each (a tenth of a millimetre at 4.5 mm), so large sizes are set in flat
letters.

Fonts: packages of the Python package registry, placed by `fetch.py`.
"""

import struct

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from handwriting.ink import find_ink
from handwriting.lifting import flatten, lift_rules
from handwriting.lines import find_lines
from handwriting.rules import find_rules
from tests.external.fetch import folder

DPI = 300
PX_PER_MM = DPI / 25.4
FONTS = ("Roboto-Regular.ttf", "SourceSansPro-Regular.ttf", "Caladea-Regular.ttf")
ORDINARY = (
    "seven women were over near the moor",
    "a raven saw some warm sea foam",
    "once we saw an acorn so we ran home",
    "a sour cream sauce can ease our woes",
    "we wove rose cane across a room",
    "moon snow rose over menace and worse",
)
FLAT = (
    "zwxvz xzvw wzx vxzzw zxv",
    "vxzw zxvwz xzz wvxz zwvx",
    "xzvxw zwz vxwz zxvzw xvz",
    "wzxv xvzwx zzx vwzx xzwv",
)


def x_height_of(path):
    """Return sxHeight over unitsPerEm."""
    data = path.read_bytes()
    (tables,) = struct.unpack_from(">H", data, 4)
    starts = {}
    for i in range(tables):
        tag, _, start, _ = struct.unpack_from(">4sIII", data, 12 + 16 * i)
        starts[tag] = start
    (version,) = struct.unpack_from(">H", data, starts[b"OS/2"])
    assert version >= 2
    (height,) = struct.unpack_from(">h", data, starts[b"OS/2"] + 86)
    (em,) = struct.unpack_from(">H", data, starts[b"head"] + 18)
    return height / em


def measured(path, em_px, text):
    page = Image.new("L", (2480, 3508), 250)
    pen = ImageDraw.Draw(page)
    font = ImageFont.truetype(path, em_px)
    for i, line in enumerate(text):
        pen.text((250, 500 + 2.2 * em_px * i), line, font=font, fill=40, anchor="ls")
    grey = cv2.GaussianBlur(np.asarray(page), (0, 0), 0.7)
    flat = flatten(grey, PX_PER_MM)
    rules = find_rules(flat, PX_PER_MM)
    lifted, cut = lift_rules(flat, rules, PX_PER_MM)
    lines = find_lines(find_ink(lifted, cut, rules, PX_PER_MM), rules.across, PX_PER_MM)
    assert rules.across is None
    assert len(lines.lines) == len(text)
    return [line.x_height / PX_PER_MM for line in lines.lines]


CASES = [
    *((name, text, size) for name in FONTS for text in (ORDINARY, FLAT) for size in (2.0, 3.0)),
    # A page of nothing but serifed x, z, v and w this large: the level serifs run together into what the finder of
    # rules takes for printed rules, so large sizes are of the fonts without serifs.
    *((name, FLAT, size) for name in FONTS[:2] for size in (4.5, 6.0)),
]


@pytest.mark.parametrize(
    ("name", "text", "x_height_mm"), CASES, ids=[f"{n}-{'flat' if t is FLAT else 'ordinary'}-{x}" for n, t, x in CASES]
)
def test_x_height_is_that_of_the_font(name, text, x_height_mm):
    path = folder() / name
    if not path.is_file():
        pytest.skip(f"{name} is not there: run tests/external/fetch.py once")
    share = x_height_of(path)
    em_px = round(x_height_mm / share * PX_PER_MM)
    true = share * em_px / PX_PER_MM
    found = measured(path, em_px, text)
    assert np.median(found) == pytest.approx(true, abs=0.1), found
