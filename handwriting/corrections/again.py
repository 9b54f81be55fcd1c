"""Measure a page once more as its record was made, so that corrections have the page's ink to work on."""

from __future__ import annotations

from collections.abc import Sequence

from handwriting.calibration import Given
from handwriting.errors import UsageError
from handwriting.facts import sample_sha256
from handwriting.geometry import Box
from handwriting.page import Page
from handwriting.pipeline import Options, Result, measure_sample
from handwriting.record import Record
from handwriting.task import Task


def measure_again(record: Record, pages: Sequence[Page]) -> Result:
    """Measure the page or pages of a record with what was asked then.

    Raises
    ------
    UsageError
        The page is not the one the record was made from.
    """
    if record.page.sha256 != sample_sha256(pages):
        raise UsageError(
            "this is not the page the record was made from",
            where=", ".join(page.name for page in pages),
            fix="Give the same file, unchanged, or all files of the sample",
        )
    asked = record.software
    given = Given(asked.get("dpi_given"), asked.get("rule_mm_given"), ruler=asked.get("ruler_given", False))
    box = asked.get("print_box_given")
    options = Options(
        given,
        asked.get("bar_mm_given"),
        asked.get("tolerance_mm", Options().tolerance_mm),
        print_box=None if box is None else Box(*box),
        read=asked.get("reader_used", True),
        ticks=asked.get("ticks_given", ""),
    )
    return measure_sample(pages, Task.from_dict(record.task), options)
