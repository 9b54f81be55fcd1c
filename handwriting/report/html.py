"""The report as one HTML page: no script, nothing fetched, a strict page policy, two A4 pages when printed."""

from __future__ import annotations

import base64
import hashlib
import io
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import cv2
import numpy as np
from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup
from PIL import Image

from handwriting.quantity import Measured
from handwriting.record import Record
from handwriting.report import copied, facts, paper, plain, speed
from handwriting.report.charts import legend_key
from handwriting.report.overlay import Picture, overlay, shown_marks
from handwriting.report.rounding import rounded
from handwriting.report.words import Catalogue, catalogue

_PICTURE_PX = 1500
_PICTURE_BYTES = 900_000
_WORD_PX = 80


@dataclass(frozen=True, slots=True)
class _Row:
    """One row of the technical table: a measure and, where it has one, its spread."""

    name: str
    term: str
    value: str
    interval: str
    n: int
    spread: str
    spread_interval: str
    notes: str


@cache
def template(name: str) -> Template:
    """Return a template that comes with the report; what it is given is escaped."""
    text = resource(name)
    return Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(text)


def resource(name: str) -> str:
    """Return the text of a file that comes with the report."""
    return resources.files("handwriting.report").joinpath(name).read_text("utf-8")


def render_html(record: Record, picture: Picture, *, words: Catalogue | None = None) -> str:
    """Return the whole report of a page as HTML text.

    Parameters
    ----------
    record : Record
        The page measured; every number shown comes from it.
    picture : array, uint8, (rows, columns) or (rows, columns, 3) RGB
        The upright frame the record's coordinates refer to.
    words : Catalogue, optional
        Wording; English when left out.
    """
    words = words or catalogue()
    shown = parts(record, picture, words)
    return template("report.html.j2").render(shown, fit=paper.classes(shown))


def parts(record: Record, picture: Picture, words: Catalogue) -> dict[str, Any]:
    """Return what the templates show, by name; they see no more of the record than is meant to be shown."""
    style = resource("report.css")
    code = facts.given(record.task, "code")
    return {
        "words": words,
        "t": words.text,
        "title": words.say("title_code", code=code) if code else words.say("title"),
        "style": Markup(style),
        "style_hash": "sha256-" + base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii"),
        "facts": facts.task_facts(record, words),
        "provenance": facts.provenance(record, words),
        "missing": _missing(record, words),
        "flags": facts.flag_rows(record, words),
        "rows": _rows(record, words),
        "cautions": cautions(words),
        **_picture(record, picture, words),
        **_plain(record, words),
        **speed.section(record, words),
        "copied": copied.sentences(record, words),
        "slips": [(*encoded(_small(slip.picture)), slip.said) for slip in copied.slips(record, picture, words)],
    }


def cautions(words: Catalogue) -> Markup:
    """Return the section of cautions, with the intended purpose."""
    items = Markup("").join(Markup("<li>{}</li>").format(caution) for caution in words.cautions)
    head = Markup('<section class="cautions"><h2>{}</h2>').format(words.say("cautions"))
    purpose = Markup("<p><strong>{}.</strong> {}</p>").format(words.say("purpose_head"), words.purpose)
    return head + Markup("<ul>{}</ul>{}</section>").format(items, purpose)


def encoded(shown: Picture) -> tuple[str, tuple[int, int]]:
    """Return a picture as a data address, made smaller until it is light enough to send by mail."""
    image = Image.fromarray(shown)
    for quality in (82, 70, 55, 40):
        out = io.BytesIO()
        image.save(out, "WEBP", quality=quality, method=4)
        if out.tell() <= _PICTURE_BYTES:
            break
    return "data:image/webp;base64," + base64.b64encode(out.getvalue()).decode("ascii"), image.size


def _small(picture: Picture) -> Picture:
    """Return the picture of a word, at most as tall as it is shown on a fine screen."""
    smaller = min(1.0, _WORD_PX / picture.shape[0])
    if smaller == 1:
        return picture
    size = (max(1, round(picture.shape[1] * smaller)), _WORD_PX)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)


def picture_alt(record: Record, words: Catalogue) -> str:
    """Return the page picture in words, for those who do not see it."""
    lines, found = plain.counted(record, words)
    rules = words.say("picture_alt_rules", n=len(record.ruling.rules)) if record.ruling else ""
    printed = words.say("picture_alt_print", areas=facts.areas_said(record, words)) if record.print_areas else ""
    return words.say("picture_alt", lines=lines, words=found, rules=rules, print=printed)


def _picture(record: Record, picture: Picture, words: Catalogue) -> dict[str, Any]:
    shown = overlay(record, picture, cropped=True, legend=False, longest_px=_PICTURE_PX, words=words)
    address, (width, height) = encoded(shown)
    lines, found = plain.counted(record, words)
    return {
        "image": address,
        "image_width": width,
        "image_height": height,
        "image_alt": picture_alt(record, words),
        "found": words.say("picture_found", lines=lines, words=found),
        "legend": [(key, legend_key(key), words.legend[key]) for key in shown_marks(record)],
        "layout": "side" if height > 0.85 * width else "stack" if height > 0.42 * width else "wide",
    }


def _plain(record: Record, words: Catalogue) -> dict[str, Any]:
    rate = plain.measured(record, "letters_per_minute")
    told = plain.topics(record, words)
    return {
        "speed_sentence": plain.sentence(rate, "letters_per_minute", words) if rate else "",
        "topics": [(topic.title, " ".join(topic.sentences)) for topic in told],
        "order": plain.order_said(told, words),
    }


def _missing(record: Record, words: Catalogue) -> list[tuple[str, str]]:
    """Return each reason once, with the names of the measures it kept from being made."""
    reasons: dict[str, list[str]] = {}
    for key, quantity in record.measures.items():
        if not isinstance(quantity, Measured):
            reasons.setdefault(words.reason(quantity.flag, quantity.why), []).append(words.measure(key).name)
    return [(facts.sentence(why), "; ".join(names)) for why, names in reasons.items()]


def _figures(key: str, quantity: Measured, words: Catalogue) -> tuple[str, str]:
    """Return value and interval of a measure for the technical table."""
    q = plain.as_shown(quantity, words.measure(key))
    shown = rounded(q.value, q.low, q.high, fine=True)
    return plain.with_unit(shown.value, q.unit, words), words.say("interval", low=shown.low, high=shown.high)


def _rows(record: Record, words: Catalogue) -> list[_Row]:
    numbers = {flag.code: str(flag.number) for flag in facts.flag_rows(record)}
    made = {key: q for key, q in record.measures.items() if isinstance(q, Measured)}
    beside = {words.measure(key).spread for key in made}
    rows: list[_Row] = []
    for key, quantity in made.items():
        if key in beside:
            continue
        own = words.measure(key)
        spread = made.get(own.spread)
        value, interval = _figures(key, quantity, words)
        spread_value, spread_interval = _figures(own.spread, spread, words) if spread else ("", "")
        codes = dict.fromkeys((*quantity.flags, *(spread.flags if spread else ())))
        rows.append(
            _Row(
                name=own.name,
                term=words.say("terms", term=own.term, spread=own.spread_term) if spread else own.term,
                value=value,
                interval=interval,
                n=quantity.n,
                spread=spread_value,
                spread_interval=spread_interval,
                notes=", ".join(numbers.get(code, code) for code in codes),
            )
        )
    return rows
