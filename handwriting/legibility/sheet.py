"""The reading sheet as one HTML page to print or show, and the empty table of answers that goes with it."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from functools import cache
from importlib import resources

from jinja2 import Environment, StrictUndefined, Template

from handwriting.encoding import png
from handwriting.legibility.pictures import Key, Picture

# Words are shown as large as they are written, on paper and on a screen of 96 px to the inch (CSS).
_CSS_PX_PER_INCH = 96.0
_TALLEST_CSS_PX = 110.0


@cache
def _template() -> Template:
    text = resources.files("handwriting.legibility").joinpath("reading-sheet.html.j2").read_text("utf-8")
    return Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(text)


def reading_sheet(key: Key, pictures: Sequence[Picture], mm_per_px: float | None) -> str:
    """Return the sheet as HTML text: numbered pictures with room for an answer, and nothing of the text.

    Parameters
    ----------
    key : Key
    pictures : sequence of ndarray
        In the order of the key.
    mm_per_px : float or None
        Words are shown in the size they were written in; without a scale the page's own pixels are taken for 300 to the
        inch.
    """
    factor = _CSS_PX_PER_INCH * (mm_per_px or 25.4 / 300) / 25.4
    items = []
    for item, picture in zip(key.items, pictures, strict=True):
        height, width = picture.shape
        shrink = min(1.0, _TALLEST_CSS_PX / (height * factor))
        items.append(
            {
                "number": item.item,
                "picture": base64.b64encode(png(picture)).decode("ascii"),
                "width": round(width * factor * shrink),
                "height": round(height * factor * shrink),
            }
        )
    return _template().render(items=items, code=key.code)


def answers_table(key: Key) -> str:
    """Return the empty table of answers as CSV text: columns item and answer."""
    return "item,answer\r\n" + "".join(f"{item.item},\r\n" for item in key.items)
