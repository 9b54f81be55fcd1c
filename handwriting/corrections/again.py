"""Measure a page once more as its record was made, so that corrections have the page's ink to work on."""

from __future__ import annotations

from handwriting.calibration import Given
from handwriting.errors import UsageError
from handwriting.page import Page
from handwriting.pipeline import Options, Result, measure_page
from handwriting.record import Record
from handwriting.task import Task


def measure_again(record: Record, page: Page) -> Result:
    """Measure the page of a record with what was asked then.

    Raises
    ------
    UsageError
        The page is not the one the record was made from.
    """
    if page.sha256 != record.page.sha256:
        raise UsageError(
            "this is not the page the record was made from", where=page.name, fix="Give the same file, unchanged"
        )
    asked = record.software
    given = Given(asked.get("dpi_given"), asked.get("rule_mm_given"))
    options = Options(given, asked.get("bar_mm_given"), asked.get("tolerance_mm", Options().tolerance_mm))
    return measure_page(page, Task.from_dict(record.task), options)
