"""Which way up a page is: turned only where turning betters what stands out from the lines."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from handwriting import pipeline
from handwriting.calibration import Given
from handwriting.page import Page
from handwriting.phantoms import draw, random_page
from handwriting.pipeline import Options, measure_page
from handwriting.task import read_task


@pytest.mark.parametrize(
    ("as_scanned", "turned", "degrees"),
    [
        # Shares of the ink above and below the bodies, as found on pages of real pen traces: tall letters almost only,
        # the right way up; and the same kind of page on its head.
        ((0.0, 0.0019), (0.0032, 0.0139), 0),
        ((0.0184, 0.0395), (0.0634, 0.0016), 180),
    ],
)
def test_a_page_is_turned_only_where_that_betters_it(
    monkeypatch: pytest.MonkeyPatch, as_scanned: tuple[float, float], turned: tuple[float, float], degrees: int
) -> None:
    text, writer, paper, capture = random_page(3)
    image = draw(text, writer, paper, capture, 3).image
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    answers = iter((as_scanned, turned))
    monkeypatch.setattr(pipeline, "overhang", lambda _: next(answers))
    page = Page(np.ascontiguousarray(grey), None, "0" * 64, "page", "PNG")
    result = measure_page(page, read_task(), Options(Given(dpi=capture.dpi)))
    assert result.found.frame.turned_deg == degrees
