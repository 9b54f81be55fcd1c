"""The comparison report: HTML, PDF, CSV and JSON of one pupil's history, written whole or not at all."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from markupsafe import Markup

import handwriting
from handwriting.change import Difference, Occasion
from handwriting.history import History
from handwriting.record import Record
from handwriting.report.compared import View, view
from handwriting.report.html import cautions, encoded, resource, template
from handwriting.report.overlay import Picture
from handwriting.report.table import safe
from handwriting.report.words import Catalogue, catalogue
from handwriting.report.write import write_files

SCHEMA = 1


def render_comparison(shown: View, words: Catalogue) -> str:
    """Return a comparison as HTML text: no script, nothing fetched, a strict page policy."""
    style = resource("report.css")
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    return template("compare.html.j2").render(
        v=shown,
        words=words,
        t=words.text,
        style=Markup(style),
        style_hash=f"sha256-{digest}",
        cautions=cautions(words),
        pictures=[(p.date, p.alt, *encoded(p.image)) for p in shown.pictures],
    )


def write_comparison(
    told: History,
    folder: Path,
    *,
    pictures: Sequence[tuple[Record, Picture]] = (),
    words: Catalogue | None = None,
) -> dict[str, Path]:
    """Write ``compare.html``, ``compare.pdf``, ``compare.csv`` and ``compare.json`` into a folder.

    `pictures` are records and upright frames of the pages to be shown with what was found on them.

    Raises
    ------
    OutputError
        The folder or a file in it cannot be written; nothing half-written is left.
    """
    from handwriting.report.pdf import comparison_pdf

    words = words or catalogue()
    shown = view(told, words, software=f"handwriting {handwriting.__version__}", pictures=pictures)
    contents = {
        "compare.html": render_comparison(shown, words).encode("utf-8"),
        "compare.pdf": comparison_pdf(shown, words),
        "compare.csv": comparison_csv(told, words).encode("utf-8-sig"),
        "compare.json": comparison_json(told).encode("utf-8"),
    }
    return write_files(folder, contents)


_COLUMNS = (
    *("key", "name", "unit", "before", "before_low", "before_high", "after", "after_low", "after_high"),
    *("difference", "low", "high", "interval_from", "claim", "stays_with_all", "rci", "sem", "sdc", "df", "why"),
)


def comparison_csv(told: History, words: Catalogue) -> str:
    """Return the differences as CSV, unrounded, and what was not compared with the reason."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(_COLUMNS)
    for d in told.comparison.differences:
        writer.writerow(_csv_row(d, words))
    for one in told.comparison.not_compared:
        name = safe(words.measure(one.key).name)
        writer.writerow([safe(one.key), name, *[""] * (len(_COLUMNS) - 3), safe(one.why)])
    return out.getvalue()


def _csv_row(d: Difference, words: Catalogue) -> list[str | float | int]:
    middle = (d.before.value + d.after.value) / 2
    error: list[str | float | int] = ["", "", ""]
    if d.new_page is not None:
        error = [_figure(d.new_page.at(middle)), _figure(d.new_page.sdc(middle)), d.new_page.df]
    ends = [_figure(x) for q in (d.before, d.after) for x in (q.value, q.low, q.high)]
    step = [_figure(x) for x in (d.difference, d.low, d.high)]
    how = ["marks" if d.beside else "new page", d.claim, str(d.together).lower()]
    index = "" if d.index is None else _figure(d.index)
    return [
        safe(d.key),
        safe(words.measure(d.key).name),
        safe(d.before.unit),
        *ends,
        *step,
        *how,
        index,
        *error,
        safe(d.why),
    ]


def _figure(value: float) -> str:
    return f"{value:.6g}"


def comparison_json(told: History) -> str:
    """Return the history as JSON: occasions, differences, what was unlike, repeats, grid and growth."""
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "kind": "comparison",
        "software": {"handwriting": handwriting.__version__},
        "code": told.code,
        "occasions": [_occasion(o) for o in told.series],
        "before": [str(s.date) for s in told.comparison.before.samples],
        "after": [str(s.date) for s in told.comparison.after.samples],
        "unlike": [asdict(u) for u in told.comparison.unlike],
        "differences": [asdict(d) for d in told.comparison.differences],
        "not_compared": [asdict(n) for n in told.comparison.not_compared],
        "new_page": {key: asdict(r) for key, r in told.new_page.items()},
        "same_page": {key: asdict(r) for key, r in told.same_page.items()},
        "grid": asdict(told.grid),
        "growth": [asdict(g) for g in told.growth],
    }
    return json.dumps(_plain(document), ensure_ascii=False, indent=1) + "\n"


def _occasion(one: Occasion) -> dict[str, Any]:
    return {
        "dates": [str(s.date) for s in one.samples],
        "samples": [s.number for s in one.samples],
        "measures": {key: asdict(q) for key, q in one.measures.items()},
    }


def _plain(value: Any) -> Any:  # noqa: ANN401 - JSON is dynamic by nature
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return float(f"{value:.6g}") if isinstance(value, float) else value
