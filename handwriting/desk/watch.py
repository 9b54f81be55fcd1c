"""A scanner's folder: what is put there while the desk is open is taken in; the files themselves are left alone."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from handwriting.errors import FileNotReadableError

_SUFFIXES = {".png", ".jpg", ".jpeg", ".tif", ".tiff", ".pdf", ".bmp", ".webp"}
_EVERY_S = 1.5

Stamp = tuple[int, int]


class Watch:
    """Looks into a folder again and again.

    A file counts as whole when its size and time are the same at two looks in a row. What lay there at the start is
    not taken: it may be years of scans.

    Raises
    ------
    FileNotReadableError
        The folder cannot be looked into.
    """

    def __init__(self, folder: Path, take: Callable[[Path], None], *, every_s: float = _EVERY_S) -> None:
        self.folder = folder
        self._take, self._every = take, every_s
        if not folder.is_dir():
            raise FileNotReadableError("there is no such folder", where=str(folder), fix="Name the scanner's folder.")
        self._before: dict[Path, Stamp] = {}
        self._taken = set(self._look().items())
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def close(self) -> None:
        """Look no more."""
        self._end.set()
        if self._thread.is_alive():
            self._thread.join(10)

    def _run(self) -> None:
        while not self._end.wait(self._every):
            self.look()

    def look(self) -> None:
        """Look once: take in what is new and has stopped growing."""
        now = self._look()
        for path, stamp in sorted(now.items()):
            if (path, stamp) not in self._taken and self._before.get(path) == stamp:
                self._taken.add((path, stamp))
                self._take(path)
        self._before = now

    def _look(self) -> dict[Path, Stamp]:
        found = {}
        try:
            for path in self.folder.iterdir():
                if path.suffix.lower() in _SUFFIXES and path.is_file():
                    status = path.stat()
                    found[path] = (status.st_size, status.st_mtime_ns)
        except OSError:  # the folder or a file went away between two looks: the next look tells
            return self._before
        return found
