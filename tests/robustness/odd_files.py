"""Builds odd, damaged and hostile files byte by byte, for the tests of the way in."""

import io
import struct
import zlib

import numpy as np
from PIL import Image

# TIFF 6.0, section 8, Orientation: which visual side the stored row 0 and the stored column 0 are.
ORIENTATIONS = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def pattern(height=40, width=64):
    """A smooth page without any symmetry: turning, mirroring and shifting all show."""
    down, across = np.mgrid[:height, :width]
    return (20 + 3 * down + across + 40 * ((down < 12) & (across < 9))).clip(0, 255).astype(np.uint8)


def ink_page(height=80, width=120):
    """White paper (240) with three dark strokes (30)."""
    page = np.full((height, width), 240, np.uint8)
    page[20:26, 10:100] = page[40:46, 10:70] = page[60:66, 30:34] = 30
    return page


def stored_as(upright, orientation):
    """How a device that says `orientation` has stored the page that looks like `upright`."""
    row, column = ORIENTATIONS[orientation]
    stored = upright if row in {"top", "bottom"} else np.swapaxes(upright, 0, 1)
    if row in {"bottom", "right"}:
        stored = stored[::-1]
    if column in {"right", "bottom"}:
        stored = stored[:, ::-1]
    return np.ascontiguousarray(stored)


def encoded(pixels, form, **options):
    buffer = io.BytesIO()
    image = pixels.copy() if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    image.save(buffer, form, **options)
    return buffer.getvalue()


def exif_block(tags, camera=None, gps=None):
    exif = Image.Exif()
    for tag, value in tags.items():
        exif[tag] = value
    exif.get_ifd(0x8769).update(camera or {})
    exif.get_ifd(0x8825).update(gps or {})
    return exif.tobytes()


# PNG (ISO/IEC 15948): signature, then chunks of length, type, data, CRC.


def png_chunk(kind, body):
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(pixels, *, depth=8, colour_type=0, extra=b"", size=None, behind=b""):
    """A PNG of the pixels' raw bytes; `extra` chunks go before the data, `behind` after."""
    height, width = size or pixels.shape[:2]
    rows = b"".join(b"\0" + row.tobytes() for row in pixels)
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour_type, 0, 0, 0))
    body = png_chunk(b"IDAT", zlib.compress(rows))
    return b"\x89PNG\r\n\x1a\n" + head + extra + body + behind + png_chunk(b"IEND", b"")


def animated_png(first, second, frames=2):
    """APNG (W3C PNG third edition): the default image is frame one, a second one follows."""
    height, width = first.shape
    control = png_chunk(b"acTL", struct.pack(">II", frames, 0))

    def frame(number):
        return png_chunk(b"fcTL", struct.pack(">IIIIIHHBB", number, width, height, 0, 0, 1, 10, 0, 0))

    rows = b"".join(b"\0" + row.tobytes() for row in second)
    behind = frame(1) + png_chunk(b"fdAT", struct.pack(">I", 2) + zlib.compress(rows))
    return png(first, extra=control + frame(0), behind=behind)


# TIFF 6.0: header, one directory, the data in one strip behind it.


def tiff(width, height, tags, data=b""):
    """A little-endian TIFF; `tags` maps tag -> (type code, values)."""
    codes = {3: "H", 4: "I", 5: "II", 11: "f", 12: "d", 2: "c"}
    tags = {256: (4, [width]), 257: (4, [height]), 278: (4, [height]), 279: (4, [len(data)]), 273: (4, [0])} | tags
    entries, far = [], b""
    start = 8 + 2 + 12 * len(tags) + 4
    for tag in sorted(tags):
        code, values = tags[tag]
        body = struct.pack("<" + codes[code] * (len(values) // len(codes[code])), *values)
        number = len(values) // len(codes[code])
        if tag == 273:
            entries.append([tag, code, number, None])
        elif len(body) <= 4:
            entries.append([tag, code, number, body.ljust(4, b"\0")])
        else:
            entries.append([tag, code, number, struct.pack("<I", start + len(far))])
            far += body + b"\0" * (len(body) % 2)
    where = struct.pack("<I", start + len(far))
    directory = b"".join(struct.pack("<HHI", *e[:3]) + (where if e[3] is None else e[3]) for e in entries)
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + directory + b"\0" * 4 + far + data


def grey_tiff(pixels, tags=()):
    """An uncompressed 8-bit grey TIFF in one strip, the kind a library may map into memory instead of reading."""
    height, width = pixels.shape
    plain = {258: (3, [8]), 259: (3, [1]), 262: (3, [1]), 277: (3, [1])}
    return tiff(width, height, plain | dict(tags), pixels.tobytes())


# JPEG (ITU-T T.81): only the headers of a picture of any size.


def jpeg_headers_only(width, height):
    quantiser = b"\xff\xdb\x00\x43\x00" + b"\x10" * 64
    frame = b"\xff\xc0\x00\x0b\x08" + struct.pack(">HH", height, width) + b"\x01\x01\x11\x00"
    huffman = b"\xff\xc4\x00\x14\x00" + b"\x01" + b"\0" * 15 + b"\0" + b"\xff\xc4\x00\x14\x10" + b"\x01" + b"\0" * 16
    return b"\xff\xd8" + quantiser + frame + huffman + b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00" + b"\xff\xd9"


# PDF (ISO 32000-1): numbered objects, a cross-reference table, a trailer.


def pdf(*objects):
    out, places = b"%PDF-1.7\n", []
    for number, body in enumerate(objects, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%b\nendobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % place for place in places)
    size = len(objects) + 1
    tail = b"trailer <</Size %d/Root 1 0 R>>\nstartxref\n%d\n%%%%EOF\n" % (size, len(out))
    return out + b"xref\n0 %d\n0000000000 65535 f \n" % size + table + tail


def pdf_stream(data, entries=b""):
    return b"<<%b/Length %d>>stream\n%b\nendstream" % (entries, len(data), data)


def pdf_page(box=(595, 842), content=b"", entries=b"", objects=()):
    """A document of one page; `objects` are numbered from 5."""
    page = b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 %g %g]/Contents 4 0 R%b>>" % (*box, entries)
    catalog, tree = b"<</Type/Catalog/Pages 2 0 R>>", b"<</Type/Pages/Kids[3 0 R]/Count 1>>"
    return pdf(catalog, tree, page, pdf_stream(content), *objects)


def pdf_scan(pixels, box, entries=b"", placing=None):
    """A page that is one grey picture; `placing` is its matrix, the whole page by default."""
    height, width = pixels.shape
    matrix = placing or (box[0], 0, 0, box[1], 0, 0)
    head = b"/Type/XObject/Subtype/Image/Width %d/Height %d/ColorSpace/DeviceGray/BitsPerComponent 8" % (width, height)
    picture = pdf_stream(zlib.compress(pixels.tobytes()), head + b"/Filter/FlateDecode")
    content = b"q %f %f %f %f %f %f cm /I Do Q" % matrix
    return pdf_page(box, content, b"/Resources<</XObject<</I 5 0 R>>>>" + entries, [picture])


def pdf_nested_forms(depth=9, fan=10):
    """Forms that draw the next form ten times each: 10**depth drawings out of a few kilobytes."""
    forms = []
    for level in range(depth):
        last = level == depth - 1
        inner = b"0 0 100 100 re f " if last else b"/F Do "
        resources = b"" if last else b"/Resources<</XObject<</F %d 0 R>>>>" % (6 + level)
        forms.append(pdf_stream(inner * fan, b"/Type/XObject/Subtype/Form/BBox[0 0 595 842]" + resources))
    return pdf_page(content=b"/F Do " * fan, entries=b"/Resources<</XObject<</F 5 0 R>>>>", objects=forms)
