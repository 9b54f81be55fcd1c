"""The review gallery: one static page of all pages with what was found on them, those to look at first on top.

No script, nothing fetched; pictures lie beside it in ``gallery/``. What a person puts right goes into
``corrections/<sample>.txt`` and is picked up by the next run.
"""

from __future__ import annotations

import base64
import hashlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, StrictUndefined

from handwriting.batch.engine import CORRECTIONS, OVERLAYS
from handwriting.batch.ledger import Outcome
from handwriting.batch.manifest import Manifest, Sample
from handwriting.batch.methods import counted, spelt
from handwriting.batch.tables import read_record
from handwriting.report.write import write_files

NAME = "gallery.html"
_DOUBTFUL = 5


@dataclass(frozen=True, slots=True)
class _Page:
    name: str
    sureness: float
    picture: str
    facts: tuple[tuple[str, str], ...]


def write_gallery(manifest: Manifest, outcomes: Mapping[str, Outcome], study: Path) -> Path:
    """Write the gallery of a study that has been run, and return its place."""
    pages = [_page(sample, outcomes[sample.name], study) for sample in manifest.samples]
    pages.sort(key=lambda page: page.sureness)  # stable: pages alike stay in the manifest's order
    folder = resources.files("handwriting.batch.templates")
    style = folder.joinpath("gallery.css").read_text("utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(
        folder.joinpath("gallery.html.j2").read_text("utf-8")
    )
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    text = template.render(
        pages=pages,
        style=style,
        style_hash=f"sha256-{digest}",
        corrections=CORRECTIONS,
        count=counted(len(pages), "page"),
    )
    return write_files(study, {NAME: text.encode("utf-8")})[NAME]


def sureness(document: dict[str, Any]) -> tuple[float, list[float]]:
    """Return how sure the program is of a page, 0 to 1, and the confidences of its words that are known.

    The lower of two: mean confidence of words and letters where it is known, and the share of measures that could be
    made.
    """
    words = [w for line in document["lines"] for w in line["words"]]
    known = [w["confidence"] for w in words if w["confidence"] is not None]
    measures = document["measures"].values()
    made = sum("why" not in q for q in measures) / len(measures) if measures else 1.0
    return min(made, sum(known) / len(known)) if known else made, known


def _page(sample: Sample, outcome: Outcome, study: Path) -> _Page:
    who = [("Participant", sample.participant), ("Occasion", sample.occasion), ("File", sample.file)]
    put_right = ("To put it right", f"{CORRECTIONS}/{sample.name}.txt")
    if outcome.refused is not None:
        reason = [("Not measured", outcome.refused.what), ("Advice", outcome.refused.fix)]
        return _Page(sample.name, -1.0, "", tuple(f for f in (*who, *reason) if f[1]))
    document = read_record(study, outcome)
    sure, known = sureness(document)
    missing = Counter(q["flag"] for q in document["measures"].values() if "why" in q)
    # Numbers of words are those of the page as found, which is what corrections speak of.
    words = [w for line in (document.get("as_found") or document)["lines"] for w in line["words"]]
    usual = sum(known) / len(known) if known else 0.0
    # Those that would be shown with the same figure as the rest of the page say nothing.
    doubtful = [w for w in words if w["confidence"] is not None and round(usual - w["confidence"], 2) > 0]
    doubtful = sorted(doubtful, key=lambda w: w["confidence"])[:_DOUBTFUL]
    facts = [
        *who,
        ("Found", f"{counted(len(document['lines']), 'line')}, {counted(len(words), 'word')}"),
        ("Confidence of words", f"{usual:.2f} on the mean" if known else ""),
        (
            "Least sure",
            "; ".join(f"word {w['number']} {w['text'] or w['state']} {w['confidence']:.2f}" for w in doubtful),
        ),
        (
            "Not made",
            f"{missing.total()} of {len(document['measures'])} measures: "
            + ", ".join(f"{flag} {number}" for flag, number in missing.most_common())
            if missing
            else "",
        ),
        ("Flags", " ".join(spelt(flag["code"]) for flag in document["flags"])),
        ("Corrections in use", str(len(document["corrections"]) or "")),
        put_right,
    ]
    picture = f"{OVERLAYS}/{quote(sample.name)}.jpg"
    return _Page(sample.name, sure, picture, tuple(f for f in facts if f[1]))
