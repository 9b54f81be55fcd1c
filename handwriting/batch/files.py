"""The page files a manifest names, found in listings: the disk is asked once a folder, not once a file."""

from __future__ import annotations

import os
import posixpath
import re
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

_DRIVE = re.compile(r"[A-Za-z]:")


class Wrong(NamedTuple):
    """What is wrong with a cell, and how to mend it."""

    what: str
    fix: str


@dataclass(slots=True)
class _Listing:
    """Names in one folder, Unicode NFC; `stored` has those the disk spells otherwise."""

    files: set[str]
    others: set[str]
    stored: dict[str, str]
    _near: dict[str, str] | None = field(default=None, init=False)

    def near(self, name: str) -> str | None:
        """Return the name that differs from this one in capitals alone."""
        if self._near is None:
            self._near = {n.casefold(): n for n in (*self.files, *self.others)}
        return self._near.get(name.casefold())


class Files:
    """The files below a folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._listings: dict[str, _Listing | None] = {}
        # Files of folders whose names are known to mean the same everywhere, by the folder's name.
        self._plain: dict[str, set[str]] = {}

    def find(self, cell: str) -> str | Wrong:
        """Return the file's name from the folder as it is on the disk, or what is wrong with it."""
        parent, _, name = cell.rpartition("/")
        files = self._plain.get(parent)
        if files is not None and name in files and "\\" not in name:
            return cell
        return _not_portable(cell) or self._on_disk(cell)

    def _on_disk(self, cell: str) -> str | Wrong:
        parent, name = posixpath.split(posixpath.normpath(unicodedata.normalize("NFC", cell)))
        if parent not in self._listings:
            self._listings[parent] = _listing(self._folder / parent)
        listing = self._listings[parent]
        if listing is None:
            return Wrong(f"there is no folder {parent}", "Check the spelling and the folder.")
        if name in listing.files:
            # A file beside the manifest may begin like a formula or a drive: those are looked at one by one.
            if parent and not listing.stored:
                self._plain[parent] = listing.files
            return posixpath.join(parent, listing.stored.get(name, name))
        if name in listing.others:
            return Wrong("this is a folder, not a file", "Name one picture or PDF in it.")
        other = listing.near(name)
        fix = f"Did you mean {other}? Capitals matter." if other else "Check the spelling and the folder."
        return Wrong("there is no such file", fix)


def _listing(folder: Path) -> _Listing | None:
    found = _Listing(set(), set(), {})
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                name = unicodedata.normalize("NFC", entry.name)
                (found.others if entry.is_dir() else found.files).add(name)
                if name != entry.name:
                    found.stored[name] = entry.name
    except (OSError, ValueError):
        return None
    return found


def _not_portable(cell: str) -> Wrong | None:
    """Tell what keeps a path from meaning the same on another machine."""
    fix = "Write it from the manifest's folder, with /, such as scans/P07.png; or name the folder with --folder."
    if "://" in cell:
        return Wrong("this is an address, not a file", "Copy the file to this computer.")
    if _DRIVE.match(cell) or cell.startswith("\\\\"):
        return Wrong("this is a path of one Windows computer", fix)
    if "\\" in cell:
        return Wrong("this path is written with \\", fix)
    if cell.startswith(("/", "~")):
        return Wrong("this is a path of one computer", fix)
    if cell[0] in "=+@":
        return Wrong("this looks like a formula of a spreadsheet", "Put its value here.")
    return None
