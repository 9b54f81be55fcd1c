"""File -> `Page`: grey and colour pixels, upright, with what the file claims about its scale.

The pixels are only those the file holds: nothing is scaled, sharpened or lightened. Every decode runs in a process of
its own (`intake`), under the limits of `Limits`.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from handwriting import decode
from handwriting.errors import FileNotReadableError, TooLargeError, UsageError
from handwriting.intake import Bounds, Job, Message, run_apart

_KINDS = "PNG, JPEG, TIFF, PDF, BMP or WebP"
_SAVE_AS = "Save the page as PNG, JPEG or PDF"
# First bytes of the kinds that are read (each format's own specification).
_MAGIC = (
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
    (b"BM", "BMP"),
)
# First bytes of kinds people try, named so that the message helps; after (offset, bytes).
_OTHERS = (
    (4, b"ftyphei", "HEIC picture (a phone's own format; set the camera to JPEG or share it as JPEG)"),
    (4, b"ftypmif", "HEIC picture (a phone's own format; set the camera to JPEG or share it as JPEG)"),
    (4, b"ftypavif", "AVIF picture"),
    (0, b"GIF8", "GIF picture"),
    (0, b"\0\0\0\x0cjP  ", "JPEG 2000 picture"),
    (0, b"AT&TFORM", "DjVu document"),
    (0, b"PK\x03\x04", "zip archive or office document"),
    (0, b"\xd0\xcf\x11\xe0", "old office document"),
    (0, b"8BPS", "layered picture"),
)


@dataclass(frozen=True, slots=True)
class Limits:
    """What one file may cost.

    Parameters
    ----------
    max_bytes : int
        Size of the file.
    max_pixels : int
        Width times height of one page.
    max_pages : int
        Pages read in one call.
    seconds : float
        Wall-clock time for one page.
    memory_bytes : int
        Memory for decoding one page.
    start : {"auto", "fork", "spawn"}
        How decoding processes are started, see `intake.Bounds`.
    """

    max_bytes: int = 200_000_000
    max_pixels: int = 100_000_000
    max_pages: int = 200
    seconds: float = 20.0
    memory_bytes: int = 2 * 1024**3
    start: Literal["auto", "fork", "spawn"] = "auto"

    def __post_init__(self) -> None:
        for name in ("max_bytes", "max_pixels", "max_pages", "seconds", "memory_bytes"):
            if not getattr(self, name) > 0:
                raise UsageError(f"the limit {name} must be above 0, not {getattr(self, name)}")


@dataclass(frozen=True, slots=True, eq=False)
class Page:
    """One page as pixels, upright as a viewer shows it.

    Parameters
    ----------
    grey : ndarray, (H, W) uint8, read-only
        0 black, 255 white. From colour by the luma weights of ITU-R BT.601 (0.299 R + 0.587 G + 0.114 B) on the stored
        values, taken as sRGB.
    colour : ndarray, (H, W, 3) uint8, read-only, or None
        RGB; None when the file is grey.
    sha256 : str
        Of the whole file.
    name : str
        File name without folders.
    format : str
        PNG, JPEG, MPO (a phone's JPEG with more pictures behind the first), TIFF, PDF, BMP or WebP.
    number, count : int
        Which page this is, from 1, and how many the file has. Only TIFF and PDF have more than one.
    claimed_dpi : (float, float) or None
        Pixels per inch along x and y that the file states. A claim to be checked, not a measurement.
    claim_source : str
        Where the claim stands: JFIF, EXIF, pHYs, TIFF tags, BMP header or PDF page size; empty without a claim.
    size_mm : (float, float) or None
        Width and height where the file states a physical size (PDF).
    notes : tuple of str
        What had to be done or set aside on the way in.
    """

    grey: npt.NDArray[np.uint8]
    colour: npt.NDArray[np.uint8] | None
    sha256: str
    name: str
    format: str
    number: int = 1
    count: int = 1
    claimed_dpi: tuple[float, float] | None = None
    claim_source: str = ""
    size_mm: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    def __reduce__(self) -> tuple[object, ...]:
        """Rebuild through the constructor: pickled arrays come back writable."""
        return type(self), tuple(getattr(self, field.name) for field in fields(self))

    def __post_init__(self) -> None:
        for name in ("grey", "colour"):
            array = getattr(self, name)
            if array is not None and array.flags.writeable:
                array = array.copy()
                array.flags.writeable = False
                object.__setattr__(self, name, array)


@dataclass(frozen=True, slots=True)
class _File:
    data: bytes
    kind: str
    name: str
    sha256: str


def read_page(path: str | Path, number: int = 1, limits: Limits = Limits()) -> Page:
    """Read one page of a file.

    Parameters
    ----------
    path : str or Path
        A PNG, JPEG, TIFF, PDF, BMP or WebP file; what it is is told by its content, not its name.
    number : int
        The page, from 1.
    limits : Limits
        What the file may cost.

    Returns
    -------
    Page

    Raises
    ------
    FileNotReadableError, DamagedFileError, TooLargeError, LockedFileError, DecodeFailedError, UsageError
        Each with the file's name, the page and what to do.
    """
    return next(iter_pages(path, pages=(number,), limits=limits))


def read_pages(
    path: str | Path,
    *,
    pages: Iterable[int] | None = None,
    limits: Limits = Limits(),
) -> list[Page]:
    """Read several pages of a file, all of them by default; otherwise as `read_page`."""
    return list(iter_pages(path, pages=pages, limits=limits))


def iter_pages(
    path: str | Path,
    *,
    pages: Iterable[int] | None = None,
    limits: Limits = Limits(),
) -> Iterator[Page]:
    """Read pages one at a time, so that a long document never lies in memory whole; otherwise as `read_pages`."""
    wanted = None if pages is None else _checked(pages, limits)
    file = _read_file(Path(path), limits)
    if wanted is not None:
        for number in wanted:
            yield _read(file, number, limits)
        return
    first = _read(file, 1, limits, whole=True)
    yield first
    for number in range(2, first.count + 1):
        yield _read(file, number, limits)


def count_pages(path: str | Path, limits: Limits = Limits()) -> int:
    """Count the pages of a file; only TIFF and PDF can have more than one. Fails as `read_page` does."""
    file = _read_file(Path(path), limits)
    decode.prepare(file.kind)
    answer, _ = run_apart(decode.count, file.data, {"kind": file.kind}, where=file.name, bounds=_bounds(limits))
    return int(answer["count"])


def _checked(pages: Iterable[int], limits: Limits) -> list[int]:
    wanted = list(pages)
    for number in wanted:
        if isinstance(number, bool) or not isinstance(number, int) or number < 1:
            raise UsageError(f"page {number!r} is not a page number", fix="Count pages from 1")
    if not wanted:
        raise UsageError("no page was chosen", fix="Name at least one page, counted from 1")
    if len(wanted) > limits.max_pages:
        fix = f"Choose fewer, or raise the limit max_pages to {len(wanted)}"
        raise TooLargeError(f"{len(wanted)} pages were chosen, more than the limit of {limits.max_pages}", fix=fix)
    return wanted


def _bounds(limits: Limits) -> Bounds:
    return Bounds(seconds=limits.seconds, memory_bytes=limits.memory_bytes, start=limits.start)


def _read_file(path: Path, limits: Limits) -> _File:
    name = _printable(path.name or str(path))
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise FileNotReadableError("is a folder, not a file", where=name, fix="Name one picture or PDF inside it")
        if not stat.S_ISREG(status.st_mode):
            raise FileNotReadableError("is not an ordinary file", where=name, fix=_SAVE_AS)
        if status.st_size > limits.max_bytes:
            raise _too_many_bytes(status.st_size, name, limits)
        with path.open("rb") as source:
            data = source.read(limits.max_bytes + 1)
    except FileNotFoundError as error:
        fix = "Check the spelling and the folder"
        raise FileNotReadableError("there is no such file", where=name, fix=fix) from error
    except PermissionError as error:
        fix = "Ask for permission to read it, or copy it to a folder of your own"
        raise FileNotReadableError("may not be read", where=name, fix=fix) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise FileNotReadableError(f"cannot be read ({reason})", where=name, fix="Copy it to this computer") from error
    if len(data) > limits.max_bytes:
        raise _too_many_bytes(len(data), name, limits)
    return _File(data, _kind(data, name), name, hashlib.sha256(data).hexdigest())


def _too_many_bytes(size: int, name: str, limits: Limits) -> TooLargeError:
    what = f"is {size / 1e6:.0f} MB, over the limit of {limits.max_bytes / 1e6:g} MB"
    fix = f"Scan at 300 dpi, split the document, or raise the limit max_bytes to {size}"
    return TooLargeError(what, where=name, fix=fix)


def _printable(name: str) -> str:
    """Make a file name safe to print and to store: bytes that are no text and control characters become U+FFFD."""
    text = os.fsencode(name).decode("utf-8", "replace")
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text)


def _kind(data: bytes, name: str) -> str:
    if not data:
        raise FileNotReadableError("is empty (0 bytes)", where=name, fix="Save or copy it again")
    for magic, kind in _MAGIC:
        if data.startswith(magic):
            return kind
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if b"%PDF-" in data[:1024]:
        return "PDF"
    for offset, magic, kind in _OTHERS:
        if data[offset : offset + len(magic)] == magic:
            raise FileNotReadableError(f"is of a kind not read here: {kind}", where=name, fix=_SAVE_AS)
    if not data[:4096].strip(b"\0"):
        raise FileNotReadableError("holds nothing but zero bytes", where=name, fix="Save or copy it again")
    raise FileNotReadableError(f"is not a picture or document of a kind read here ({_KINDS})", where=name, fix=_SAVE_AS)


def _read(file: _File, number: int, limits: Limits, *, whole: bool = False, job: Job = decode.decode) -> Page:
    """Decode one page apart; `whole` when all are going to be read, so that a long document is refused at once."""
    decode.prepare(file.kind)
    options: Message = {"kind": file.kind, "number": number, "max_pixels": limits.max_pixels}
    if whole:
        options["max_pages"] = limits.max_pages
    where = f"{file.name}, page {number}" if file.kind in {"PDF", "TIFF"} else file.name
    answer, flat = run_apart(job, file.data, options, where=where, bounds=_bounds(limits))
    if flat is None:
        raise FileNotReadableError("holds no picture", where=where, fix=_SAVE_AS)
    pixels = flat.reshape(answer["shape"])
    notes, dpi, orientation = list(answer["notes"]), answer["dpi"], answer["orientation"]
    if orientation != 1:
        pixels = _upright(pixels, orientation)
        dpi = dpi[::-1] if dpi and orientation >= 5 else dpi
        notes.append(f"turned by EXIF orientation {orientation}")
    if answer["count"] > 1:
        notes.append(f"page {number} of {answer['count']}")
    colour = pixels if pixels.ndim == 3 else None
    grey = pixels if colour is None else _locked(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY))
    return Page(
        grey=grey,
        colour=colour,
        sha256=file.sha256,
        name=file.name,
        format=answer["format"],
        number=number,
        count=answer["count"],
        claimed_dpi=tuple(dpi) if dpi else None,
        claim_source=answer["source"],
        size_mm=tuple(answer["size_mm"]) if answer["size_mm"] else None,
        notes=tuple(notes),
    )


def _upright(pixels: npt.NDArray[np.uint8], orientation: int) -> npt.NDArray[np.uint8]:
    """Turn and mirror stored pixels to how they are to be seen (TIFF 6.0 section 8, Orientation)."""
    match orientation:
        case 2:
            turned = cv2.flip(pixels, 1)
        case 3:
            turned = cv2.rotate(pixels, cv2.ROTATE_180)
        case 4:
            turned = cv2.flip(pixels, 0)
        case 5:
            turned = cv2.transpose(pixels)
        case 6:
            turned = cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE)
        case 7:
            turned = cv2.flip(cv2.transpose(pixels), -1)
        case _:
            turned = cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE)
    return _locked(turned)


def _locked(array: npt.NDArray[np.generic]) -> npt.NDArray[np.uint8]:
    own = np.asarray(array, np.uint8)
    own.flags.writeable = False
    return own
