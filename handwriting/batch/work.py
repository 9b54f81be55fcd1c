"""What a worker does with one sample: measure it, or say in one sentence why not. Whatever goes wrong is an answer."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from traceback import extract_tb
from typing import TYPE_CHECKING

from handwriting.batch.manifest import Sample
from handwriting.errors import HandwritingError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from handwriting.record import Record

_OVERLAY_PX = 1100


@dataclass(frozen=True, slots=True)
class Settings:
    """How a study is measured: the same for all its pages.

    Parameters
    ----------
    folder : str
        What the samples' files are relative to.
    tolerance_mm : float
        Half-width of the band that counts as on the line, mm.
    max_pixels : int
        Largest page taken.
    overlays : bool
        Also draw each page with its findings, for the gallery.
    who : str
        Initials or role of the person whose corrections are used.
    """

    folder: str
    tolerance_mm: float = 0.5
    max_pixels: int = 100_000_000
    overlays: bool = False
    who: str = ""


@dataclass(frozen=True, slots=True)
class Work:
    """A page measured: its record as JSON text, and the picture for the gallery (JPEG) when one was asked for."""

    record: str
    overlay: bytes | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """A page that could not be measured: kind of refusal, why, and what to do."""

    kind: str
    what: str
    fix: str


@dataclass(frozen=True, slots=True)
class Order:
    """A task for a worker: a sample, the settings, the measuring function's name, and what a person put right."""

    sample: Sample
    settings: Settings
    measure: str
    corrections: str = ""


#: Measures one sample: the seam through which tests and other programs bring their own.
Measure = Callable[[Order], Work]


def measure_sample(order: Order) -> Work:
    """Read and measure one sample of the study, and put right what its corrections say.

    The numbers of words and lines in corrections are those of the page as found; so are those of the picture.

    Raises
    ------
    HandwritingError
        As `read_page`, `pipeline.measure_sample` and `read_corrections`.
    """
    import cv2

    from handwriting.calibration import Given
    from handwriting.memory import keep_freed
    from handwriting.page import Limits, read_page
    from handwriting.pipeline import Options
    from handwriting.pipeline import measure_sample as measure_pages
    from handwriting.record import to_json

    cv2.setNumThreads(1)
    keep_freed()
    sample, settings = order.sample, order.settings
    limits = Limits(max_pixels=settings.max_pixels)
    pages = [read_page(Path(settings.folder) / file, sample.page, limits) for file in sample.files]
    options = Options(Given(sample.dpi, sample.rule_mm), sample.bar_mm, settings.tolerance_mm)
    found = result = measure_pages(pages, sample.task, options)
    if order.corrections.strip():
        from handwriting.corrections.apply import correct
        from handwriting.corrections.text import read_corrections

        where = f"corrections of {sample.name}"
        said = read_corrections(order.corrections, found.record, who=settings.who, when="", where=where)
        result = correct(found, said)
    picture = _picture(found.record, found.picture) if settings.overlays else None
    return Work(to_json(result.record), picture)


def _picture(record: Record, picture: NDArray[np.uint8]) -> bytes:
    import cv2

    from handwriting.report.overlay import overlay

    drawn = overlay(record, picture)
    share = min(1.0, _OVERLAY_PX / drawn.shape[1])
    small = cv2.resize(drawn, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    _, data = cv2.imencode(".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 80])
    return data.tobytes()


def attempt(order: Order) -> Work | Refused:
    """Measure a sample and answer in every case: the next page waits."""
    try:
        return _function(order.measure)(order)
    except HandwritingError as error:
        return Refused(kind(error), error.what, error.fix)
    except MemoryError:
        what = "the computer ran out of memory on this page"
        return Refused("memory", what, "Use fewer workers, or scan at 300 dots to the inch.")
    except Exception as error:  # noqa: BLE001 - the worker has nobody else to tell
        at = extract_tb(error.__traceback__)[-1]
        said = " ".join(f"{type(error).__name__}: {error}".split())[:200]
        what = f"a mistake in the program ({Path(at.filename).name}, line {at.lineno}: {said})"
        return Refused("mistake", what, "Please report it with the page, if you may.")


def kind(error: HandwritingError) -> str:
    """Return an error's kind in words with hyphens: ``DamagedFileError`` is ``damaged-file``."""
    name = type(error).__name__.removesuffix("Error")
    return "".join(f"-{c.lower()}" if c.isupper() else c for c in name).lstrip("-")


@cache
def _function(name: str) -> Measure:
    module, _, function = name.partition(":")
    found: Measure = getattr(importlib.import_module(module), function)
    return found
