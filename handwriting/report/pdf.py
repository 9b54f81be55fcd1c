"""The reports as PDF, tagged for screen readers (PDF/UA-1), typeset without any program or font of the system."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Mapping
from dataclasses import asdict, replace
from importlib import resources
from typing import Any

import typst

from handwriting.encoding import png
from handwriting.errors import OutputError
from handwriting.record import Record
from handwriting.report import html
from handwriting.report.compared import View
from handwriting.report.facts import given
from handwriting.report.overlay import Picture, overlay
from handwriting.report.words import Catalogue, catalogue

_PICTURE_PX = 1800
_TALLEST_MM, _WIDEST_MM = 112.0, 180.0
_HALF_MM, _HALF_TALLEST_MM = 87.0, 80.0
_SHEET_FONT = "Libertinus Serif"
# What the typeface may lack: all but Latin, Greek, Cyrillic, Hebrew, Arabic and common signs; then all but the first
# three and the marks of sentences.
_LACKING = (
    re.compile("[^\u0000-\u06ff\u1e00-\u20cf\u2100-\u22ff\u25a0-\u25ff]"),
    re.compile("[^\u0000-\u052f\u1e00-\u1fff\u2010-\u203a\u2212\u25af]"),
)
_EMPTY_BOX = "\u25af"


def page_pdf(record: Record, picture: Picture, *, words: Catalogue | None = None) -> bytes:
    """Return the report of one page as PDF: two pages for every reader, then the technical part.

    Parameters are those of `html.render_html`.
    """
    words = words or catalogue()
    parts = html.parts(record, picture, words)
    shown = overlay(record, picture, cropped=True, longest_px=_PICTURE_PX, words=words)
    rows, columns = shown.shape[:2]
    facts = [asdict(f) for f in parts["facts"]]
    document = {
        **_shared(words),
        "title": parts["title"],
        "facts": [f for f in facts if not f["wide"] and f["name"] != words.facts["said"]],
        "text": next((f for f in facts if f["wide"]), None),
        "picture": {
            "alt": parts["image_alt"],
            "found": parts["found"],
            "svg": _framed(shown),
            "width": min(_WIDEST_MM, _TALLEST_MM * columns / rows),
        },
        "speed": parts["speed_sentence"],
        "topics": parts["topics"],
        "said": given(record.task, "said"),
        "rows": [asdict(r) for r in parts["rows"]],
        "order": parts["order"],
        "missing": parts["missing"],
        "flags": [asdict(f) for f in parts["flags"]],
        "copied": parts["copied"],
        "speed_line": parts["speed_line"],
        "chart": {"svg": _fonts(str(parts["chart"])), "alt": words.say("chart_in_short")} if parts["chart"] else None,
        "comparisons": [asdict(c) for c in parts["comparisons"]],
        "differences": parts["differences"],
        "no_comparisons": parts["no_comparisons"],
        "provenance": parts["provenance"],
    }
    return _typeset("page.typ", document)


def comparison_pdf(shown: View, words: Catalogue) -> bytes:
    """Return a comparison as PDF."""
    document: dict[str, Any] = {**_shared(words), **asdict(replace(shown, pictures=()))}
    document["pictures"] = [
        {
            "date": p.date,
            "alt": p.alt,
            "svg": _framed(p.image),
            "width": min(_HALF_MM, _HALF_TALLEST_MM * p.image.shape[1] / p.image.shape[0]),
        }
        for p in shown.pictures
    ]
    for chart in document["charts"]:
        chart["svg"] = _fonts(str(chart["svg"]))
    return _typeset("compare.typ", document)


def _shared(words: Catalogue) -> dict[str, Any]:
    return {
        "language": words.language,
        "words": dict(words.text),
        "cautions_title": words.say("cautions"),
        "cautions": list(words.cautions),
        "purpose_title": words.say("purpose_head"),
        "purpose": words.purpose,
    }


def _fonts(text: str) -> str:
    """Return a chart with the one font that is always there."""
    for family in ("Helvetica, Arial, Libertinus Serif, sans-serif", "Helvetica, Arial, sans-serif"):
        text = text.replace(f'font-family="{family}"', f'font-family="{_SHEET_FONT}"')
    return text


def _framed(picture: Picture) -> str:
    """Return a picture inside an SVG: what the template is given is text."""
    rows, columns = picture.shape[:2]
    data = base64.b64encode(png(picture)).decode("ascii")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{columns}" height="{rows}">'
        f'<image width="{columns}" height="{rows}" href="data:image/png;base64,{data}"/></svg>'
    )


def _typeset(template: str, document: Mapping[str, Any]) -> bytes:
    folder = resources.files("handwriting.report")
    source = b"".join(folder.joinpath(name).read_bytes() for name in ("parts.typ", template))
    return _compiled(source, json.dumps(document, ensure_ascii=False), _LACKING)


def _compiled(source: bytes, shown: str, lacking: tuple[re.Pattern[str], ...]) -> bytes:
    """Typeset; signs that the typeface lacks become empty boxes, as readers know them from elsewhere."""
    try:
        made = typst.compile(source, sys_inputs={"report": shown}, ignore_system_fonts=True, pdf_standards=["ua-1"])
    except typst.TypstError as error:
        if lacking and "could not be displayed" in str(error):
            return _compiled(source, lacking[0].sub(_EMPTY_BOX, shown), lacking[1:])
        raise OutputError(
            f"the report could not be typeset ({error})", fix="Please report this with the record"
        ) from error
    return bytes(made)
