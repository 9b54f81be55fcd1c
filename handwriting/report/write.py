"""Writing the outputs: each file appears whole or not at all, and none appears before all could be stored."""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from handwriting.encoding import png
from handwriting.errors import OutputError
from handwriting.record import Record, to_json
from handwriting.report.gallery import render_gallery
from handwriting.report.html import render_html
from handwriting.report.models import Models
from handwriting.report.overlay import Picture, overlay
from handwriting.report.pdf import page_pdf
from handwriting.report.table import measures_csv
from handwriting.report.words import Catalogue

# Files of an earlier page that a new one may not write again: beside the new record they would tell of another page.
_LETTERS, _MAPS = "letters.html", ("lines.png", "words.png", "lines-*.png", "words-*.png")
_DEEP_GREY = b"\x10\x00"  # bit depth 16, grey: of PNGs, what label maps alone are here


@dataclass(frozen=True, slots=True)
class Earlier:
    """The page whose results stand in a folder: its file's name and sha256, and which page of it."""

    name: str
    sha256: str
    number: int


def results_of(folder: Path) -> Earlier | None:
    """Return whose results stand in a folder, None where there are none, or none that can be read."""
    try:
        page = json.loads((folder / "record.json").read_text("utf-8"))["page"]
        return Earlier(str(page["name"]), str(page["sha256"]), int(page["number"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def write_report(
    record: Record,
    picture: Picture,
    folder: Path,
    *,
    extra: Mapping[str, bytes] | None = None,
    words: Catalogue | None = None,
    models: Models | None = None,
) -> dict[str, Path]:
    """Write ``record.json``, ``report.html``, ``report.pdf``, ``measures.csv`` and ``overlay.png`` into a folder.

    Where letters are known there is ``letters.html`` too.

    Parameters
    ----------
    record : Record
        The page measured.
    picture : array, uint8, (rows, columns) or (rows, columns, 3) RGB
        The upright frame the record's coordinates refer to.
    folder : Path
        Made when it does not exist; files of the same names are replaced, and what was written there for another page
        and not again now (letters, label maps) is taken away.
    extra : mapping of file name to content, optional
        More files to write together with these (label maps).
    words : Catalogue, optional
        Wording; English when left out.
    models : Models, optional
        The user's own model of the letters, laid beside them in ``letters.html``.

    Returns
    -------
    dict
        File name to path, in the order written.

    Raises
    ------
    OutputError
        The folder or a file in it cannot be written; nothing half-written is left.
    """
    gallery = render_gallery(record, picture, words=words, models=models)
    contents = {
        "record.json": to_json(record).encode("utf-8"),
        "report.html": render_html(record, picture, words=words).encode("utf-8"),
        "report.pdf": page_pdf(record, picture, words=words),
        # The mark at the start tells spreadsheets that the text is UTF-8.
        "measures.csv": measures_csv(record, words=words).encode("utf-8-sig"),
        "overlay.png": png(overlay(record, picture, words=words)),
        **({} if gallery is None else {"letters.html": gallery.encode("utf-8")}),
        **(extra or {}),
    }
    earlier = results_of(folder)
    written = write_files(folder, contents)
    if earlier is not None:
        _take_away(folder, written, maps=(earlier.sha256, earlier.number) != (record.page.sha256, record.page.number))
    return written


def _take_away(folder: Path, written: Iterable[str], *, maps: bool) -> None:
    """Take away what an earlier page left and this one has not written again."""
    old = [folder / _LETTERS]
    if maps:
        old += [path for pattern in _MAPS for path in folder.glob(pattern) if path.read_bytes()[24:26] == _DEEP_GREY]
    for path in old:
        if path.name not in written:
            path.unlink(missing_ok=True)


def write_files(folder: Path, contents: Mapping[str, bytes]) -> dict[str, Path]:
    """Write several files into a folder: all are stored under passing names first, then take their own.

    Raises
    ------
    OutputError
        Something could not be written. Passing files are removed, and so is a folder made for the purpose.
    """
    made = _make_folder(folder)
    stored: dict[str, Path] = {}
    try:
        refuse_folders(folder, contents)
        for name, content in contents.items():
            _store(folder, name, content, stored)
        for name, passing in stored.items():
            passing.replace(folder / name)
        _settle(folder)
    except BaseException as error:
        for passing in stored.values():
            passing.unlink(missing_ok=True)
        for empty in made:
            with contextlib.suppress(OSError):
                empty.rmdir()
        if isinstance(error, OSError):
            raise _refusal(error, folder) from error
        raise
    return {name: folder / name for name in contents}


def refuse_folders(folder: Path, names: Iterable[str]) -> None:
    """Refuse to write where a folder stands, before anything is renamed."""
    for name in names:
        if (folder / name).is_dir():
            raise OutputError(
                "a folder stands where this file should go", where=str(folder / name), fix="Move it away."
            )


def _make_folder(folder: Path) -> list[Path]:
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _refusal(error, folder) from error
    return missing


def _store(folder: Path, name: str, content: bytes, stored: dict[str, Path]) -> None:
    handle, passing = tempfile.mkstemp(dir=folder, prefix=f".{name}.", suffix=".part")
    stored[name] = Path(passing)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    # mkstemp makes files private; results get the rights any new file of this user gets.
    mask = os.umask(0)
    os.umask(mask)
    stored[name].chmod(0o666 & ~mask)


def _settle(folder: Path) -> None:
    """Have the folder's new entries stored, where the system can do that for folders."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _refusal(error: OSError, folder: Path) -> OutputError:
    reason = error.strerror or type(error).__name__
    fix = "Choose another folder with --out, or make room on the disk."
    return OutputError(
        f"the results could not be written ({reason[:1].lower()}{reason[1:]})", where=str(folder), fix=fix
    )
