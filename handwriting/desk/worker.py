"""The measuring process: reads, measures, corrects and draws, one request at a time, and answers over a pipe.

It runs apart from the desk's server, so that no page can stop the server from answering and a person can stop the
measuring. What it makes goes into the page's own folder; the answer over the pipe is small.
"""

from __future__ import annotations

import json
import os
import secrets
import signal
import sys
from collections import OrderedDict
from dataclasses import fields, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from handwriting.calibration import Given
from handwriting.corrections.apply import correct
from handwriting.corrections.model import Correction
from handwriting.desk import forms
from handwriting.desk.view import view
from handwriting.desk.work import write_bytes, write_json
from handwriting.errors import FileNotReadableError, HandwritingError
from handwriting.legibility.pictures import shuffled, word_pictures
from handwriting.memory import keep_freed
from handwriting.page import Limits, Page, read_page
from handwriting.pipeline import Options, Result, measure_found, measure_page, measure_sample
from handwriting.record import Record, to_json

Picture = NDArray[np.uint8]
#: The further pages of a sample: their folders, and their numbers in the file.
Others = list[tuple[Path, int]]

# A desk serves one person at a time: a page of an A3 scan at 600 dots to the inch is the most it is for.
LIMITS = Limits(max_bytes=200_000_000, max_pixels=100_000_000, max_pages=60)
_AT_HAND = 3
_QUALITY = 84


class Bench:
    """The pages measured last, held with all that corrections need."""

    def __init__(self, send: Any) -> None:  # noqa: ANN401 - a function of one message
        self._send = send
        self._results: OrderedDict[str, Result] = OrderedDict()
        self._covered: dict[str, str] = {}
        self._owed: tuple[Path, Record] | None = None

    def measure(self, folder: Path, number: int, asked: dict[str, str], others: Others) -> dict[str, Any]:
        """Measure a page and leave record, view and picture in its folder."""
        result = self._result(folder, number, asked, others)
        text = to_json(result.record).encode("utf-8")
        for name in ("tool.json", "record.json"):
            write_bytes(folder / name, text)
        write_json(folder / "view.json", view(result.record))
        write_bytes(folder / "picture.jpg", jpeg(result.picture))
        self._covered[folder.name] = "[]"
        return {"count": result.pages[0].count, "text": result.task.text}

    def finish(self, folder: Path, number: int) -> dict[str, Any]:
        """Replace the file as it came by its bare pixels."""
        original = folder / "original"
        if original.exists():
            if not (folder / "page.json").exists():
                held = self._results.get(folder.name)
                _save_page(folder, held.pages[0] if held and len(held.pages) == 1 else _read(folder, number))
            original.unlink()
        return {}

    def correct(
        self, folder: Path, number: int, asked: dict[str, str], others: Others, corrections: list[dict[str, Any]]
    ) -> dict[str, Any]:
        """Make the record anew with the corrections that count."""
        result = self._result(folder, number, asked, others)
        corrected = correct(result, tuple(Correction.from_dict(c) for c in corrections))
        covered = json.dumps([c["value"] for c in corrections if c["kind"] == "blank"])
        if self._covered.get(folder.name, "[]") != covered:
            write_bytes(folder / "picture.jpg", jpeg(corrected.picture))
            self._covered[folder.name] = covered
        shown = view(corrected.record)
        write_json(folder / "view.json", shown)
        self._owed = (folder, corrected.record)
        return {"view": shown}

    def pay(self) -> None:
        """Write the record that the last answer left for later: a person waits for the view, not for the file."""
        if self._owed is not None:
            folder, record = self._owed
            if folder.exists():
                write_bytes(folder / "record.json", to_json(record).encode("utf-8"))
            self._owed = None

    def lossless(
        self, folder: Path, number: int, asked: dict[str, str], others: Others, corrections: list[dict[str, Any]]
    ) -> dict[str, Any]:
        """Leave the upright picture with all its pixels, what was blanked painted over, for keeping."""
        result = self._result(folder, number, asked, others)
        picture = correct(result, tuple(Correction.from_dict(c) for c in corrections)).picture
        write_bytes(folder / "frame.png", _png(picture))
        return {}

    def words(
        self,
        folder: Path,
        number: int,
        asked: dict[str, str],
        others: Others,
        corrections: list[dict[str, Any]],
        most: int,
    ) -> dict[str, Any]:
        """Leave pictures of words to be read, in an order of chance, with the key that tells which is which."""
        result = self._result(folder, number, asked, others)
        corrected = correct(result, tuple(Correction.from_dict(c) for c in corrections))
        key = shuffled(corrected.record, secrets.randbelow(2**31), most)
        place = folder / "reading"
        place.mkdir(mode=0o700, exist_ok=True)
        for item, picture in zip(key.items, word_pictures(corrected.found, key), strict=True):
            write_bytes(place / f"{item.item}.png", _png(picture))
        # The key last: the words are ready when it is there.
        write_bytes(place / "key.json", key.to_json().encode("utf-8"))
        return {}

    def _result(self, folder: Path, number: int, asked: dict[str, str], others: Others) -> Result:
        task, options = forms.task(asked), forms.options(asked)
        held = self._results.get(folder.name)
        if held is not None and len(held.pages) == 1 + len(others):
            self._results.move_to_end(folder.name)
            if (options.given, options.bar_mm) == (held.options.given, held.options.bar_mm) and (
                task.text in {"", held.task.text}
            ):
                # What was found on the page stands; only what was asked of the writer is new.
                task = replace(task, text=held.task.text)
                if (task, options) != (held.task, held.options):
                    held = measure_found(held.pages, held.found, task, held.scale, options)
                    self._results[folder.name] = held
                return held
        self._send({"stage": "Reading the page"})
        alone = held is not None and len(held.pages) == 1
        first = held.pages[0] if held is not None and alone else _read(folder, number)
        pages = [first, *(_read(place, n) for place, n in others)]
        self._send({"stage": "Finding lines, words and letters"})
        result = measure_sample(pages, task, options)
        self._send({"stage": "Drawing what was found"})
        self._results[folder.name] = result
        while len(self._results) > _AT_HAND:
            self._results.popitem(last=False)
        return result

    def forget(self, folder: Path) -> dict[str, Any]:
        """Let go of a page that was put away."""
        self._results.pop(folder.name, None)
        return {}

    def warm(self) -> dict[str, Any]:
        """Load what the first page would otherwise wait for."""
        blank = np.full((1200, 900), 250, np.uint8)
        for row in range(200, 1000, 100):
            cv2.putText(blank, "minimum aluminium", (60, row), cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, 1.6, 30, 3)
        page = Page(blank, None, "", "warm", "PNG", claimed_dpi=(150.0, 150.0))
        measure_page(page, forms.task({}), Options(Given()))
        return {}


def _read(folder: Path, number: int) -> Page:
    """Return the page from its bare pixels, or from the file as it came while that is there."""
    if not (folder / "page.json").exists():
        page = read_page(folder / "original", number, LIMITS)
        return replace(page, name=f"page-{folder.name[:8]}")
    held = json.loads((folder / "page.json").read_text("utf-8"))
    data = np.frombuffer((folder / "page.png").read_bytes(), np.uint8)
    # Written by `_save_page`, in this very folder: nothing of the file as it came is decoded here.
    pixels = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
    if pixels is None:
        raise FileNotReadableError("the page's picture is gone or damaged", fix="Put it away and take it in again.")
    colour = cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB) if pixels.ndim == 3 else None
    grey = pixels if colour is None else cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY)
    for name in ("claimed_dpi", "size_mm", "notes"):
        held[name] = None if held[name] is None else tuple(held[name])
    return Page(grey=grey, colour=colour, **held)


def _save_page(folder: Path, page: Page) -> None:
    write_bytes(folder / "page.png", _png(page.grey if page.colour is None else page.colour))
    write_json(folder / "page.json", {f.name: getattr(page, f.name) for f in fields(page) if f.name not in _PIXELS})


_PIXELS = ("grey", "colour")


def _png(picture: Picture) -> bytes:
    shown = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".png", shown, [cv2.IMWRITE_PNG_COMPRESSION, 2])
    if not done:
        raise FileNotReadableError("the page could not be kept as a picture", fix="Scan it again at 300 dpi.")
    return data.tobytes()


def jpeg(picture: Picture) -> bytes:
    """Return a picture as JPEG, free of any metadata."""
    shown = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return data.tobytes()


def serve(pipe: Connection) -> None:
    """Answer requests until the pipe closes: the whole life of the process.

    A request names a method of `Bench` and its arguments. The answer is ``done`` with what it returned or ``error``
    with a deliberate refusal; messages with ``stage`` may come before it, and ``free`` comes last. Whatever else goes
    wrong ends the process, which the desk notices and says.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    quiet = os.open(os.devnull, os.O_WRONLY)  # tracebacks may hold texts and paths
    os.dup2(quiet, sys.__stderr__.fileno() if sys.__stderr__ else 2)
    keep_freed()
    bench = Bench(pipe.send)
    while True:
        try:
            name, arguments = pipe.recv()
        except EOFError:
            return
        try:
            pipe.send({"done": getattr(bench, name)(**arguments)})
            bench.pay()
        except HandwritingError as error:
            pipe.send({"error": error})
        pipe.send({"free": True})
