"""The record: everything that was asked, found and measured on one page, as one versioned JSON document.

Report, tables and pictures are drawn from this record alone. Coordinates are in the page's own unit (`scale.unit`:
``mm`` when the scale is believed, ``px`` of the upright frame when it is not), axes as in `geometry.py`.
The shipped schema is ``record.schema.json``; `load` refuses what does not follow it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace
from functools import cache
from importlib import resources
from typing import Any

import jsonschema

from handwriting.errors import RecordError
from handwriting.geometry import Box
from handwriting.quantity import Measured, NotMeasured, Part, Quantity

SCHEMA = 1

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class PageFacts:
    """Which picture was measured. `frame` is the upright working picture all coordinates refer to."""

    sha256: str
    name: str
    format: str
    number: int
    count: int
    width_px: int
    height_px: int
    claimed_dpi: tuple[float, float] | None
    frame_width_px: int
    frame_height_px: int
    turned_deg: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RulerFacts:
    """A ruler found in the picture: its outline, and every centimetre tick by its two ends."""

    outline: tuple[Point, ...]
    ticks: tuple[tuple[Point, Point], ...]


@dataclass(frozen=True, slots=True)
class ScaleFacts:
    """Millimetres to one frame pixel, with its relative standard uncertainty, and how it came to be believed."""

    unit: str
    mm_per_px: float | None
    relative_uncertainty: float
    source: str
    sentence: str
    checks: tuple[str, ...] = ()
    ruler: RulerFacts | None = None


@dataclass(frozen=True, slots=True)
class RulingFacts:
    """The printed rules, fitted jointly; each rule is its two ends."""

    kind: str
    pitch: float
    slope_deg: float
    residual_rms: float
    rules: tuple[tuple[Point, Point], ...]
    margin: tuple[Point, Point] | None = None


@dataclass(frozen=True, slots=True)
class LetterFacts:
    """One letter or body mark: its box, kind and, when known, which letter it is.

    Heights are those of the ink: `height` of its top and `foot` of its foot above the lower edge of the line's ink
    (`LineFacts.stands_on`), `to_rule` of its foot above the ruled line (None where there is none).
    """

    box: Box
    kind: str
    height: float
    foot: float
    to_rule: float | None = None
    text: str | None = None
    confidence: float | None = None
    state: str = "written"


@dataclass(frozen=True, slots=True)
class WordFacts:
    """One word as found: number on the page from 1, box, and text and state when known."""

    number: int
    box: Box
    text: str | None = None
    state: str = "written"
    confidence: float | None = None
    letters: tuple[LetterFacts, ...] = ()


@dataclass(frozen=True, slots=True)
class LineFacts:
    """One line of writing: number from the top, from 1; baseline as corners; x-height (ink); words; its rule.

    `baseline` is the course of the pen along the feet of the letters, the middle of its line, which does not depend on
    how wide the pen writes. The ink goes on below it by `half_stroke`, half the usual width of a stroke on the page; 0
    where that is not known, and in records of earlier versions, whose baseline is the lower edge of the ink.
    """

    number: int
    baseline: tuple[Point, ...]
    x_height: float
    box: Box
    rule: int | None
    words: tuple[WordFacts, ...]
    flags: tuple[str, ...] = ()
    half_stroke: float = 0.0

    def stands_on(self) -> tuple[Point, ...]:
        """Return the lower edge of the ink of the feet, from which x-height, heights and feet are measured."""
        return tuple((x, y + self.half_stroke) for x, y in self.baseline)


@dataclass(frozen=True, slots=True)
class FlagNote:
    """A flag raised on the page: its code in `flags.FLAGS` and where or how strongly."""

    code: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """One page measured. `measures` keeps the order in which a report lists them."""

    page: PageFacts
    task: dict[str, Any]
    scale: ScaleFacts
    ruling: RulingFacts | None
    lines: tuple[LineFacts, ...]
    print_areas: tuple[Box, ...]
    measures: dict[str, Quantity]
    comparisons: tuple[dict[str, Any], ...]
    flags: tuple[FlagNote, ...]
    software: dict[str, Any]
    letters: dict[str, Any] = field(default_factory=dict)
    corrections: tuple[dict[str, Any], ...] = ()
    as_found: dict[str, Any] | None = None
    schema: int = SCHEMA

    def with_measures(self, measures: dict[str, Quantity]) -> Record:
        """Return the record with other measures."""
        return replace(self, measures=measures)


def _plain(value: Any) -> Any:  # noqa: ANN401 - JSON is dynamic by nature
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        # Six significant digits are a thousand times finer than any interval here, and keep the file small.
        return float(f"{value:.6g}")
    return value


def to_json(record: Record) -> str:
    """Return the record as indented JSON text, numbers to six significant digits."""
    document = _plain(asdict(record))
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"


@cache
def schema() -> dict[str, Any]:
    """Return the JSON Schema every record follows."""
    text = resources.files("handwriting").joinpath("record.schema.json").read_text("utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def load(text: str, *, where: str = "record") -> Record:
    """Read a record back from its JSON text.

    Raises
    ------
    RecordError
        The text is not JSON, is of a newer version, or does not follow the schema.
    """
    try:
        document = json.loads(text)
    except json.JSONDecodeError as e:
        raise RecordError(f"line {e.lineno} is not JSON", where=where, fix="Measure the page again.") from e
    version = document.get("schema") if isinstance(document, dict) else None
    if isinstance(version, int) and version > SCHEMA:
        raise RecordError(
            f"the record has version {version}, this program knows {SCHEMA}", where=where, fix="Update the program."
        )
    problem = next(iter(jsonschema.Draft202012Validator(schema()).iter_errors(document)), None)
    if problem is not None:
        place = "/".join(str(p) for p in problem.absolute_path) or "top"
        raise RecordError(f"not a valid record at {place}", where=where, fix="Measure the page again.")
    return _record(document)


def _box(d: dict[str, float]) -> Box:
    return Box(d["left"], d["top"], d["right"], d["bottom"])


def _points(items: list[list[float]]) -> tuple[Point, ...]:
    return tuple((p[0], p[1]) for p in items)


def _pair(items: list[list[float]]) -> tuple[Point, Point]:
    a, b = _points(items)
    return a, b


def _quantity(d: dict[str, Any]) -> Quantity:
    if "why" in d:
        return NotMeasured(d["flag"], d["why"])
    parts = tuple(Part(**p) for p in d["parts"])
    return Measured(d["value"], d["unit"], d["low"], d["high"], d["n"], parts, tuple(d["flags"]))


def _word(d: dict[str, Any]) -> WordFacts:
    letters = tuple(LetterFacts(**{**x, "box": _box(x["box"])}) for x in d["letters"])
    return WordFacts(**{**d, "box": _box(d["box"]), "letters": letters})


def _line(d: dict[str, Any]) -> LineFacts:
    return LineFacts(
        number=d["number"],
        baseline=_points(d["baseline"]),
        x_height=d["x_height"],
        box=_box(d["box"]),
        rule=d["rule"],
        words=tuple(_word(w) for w in d["words"]),
        flags=tuple(d["flags"]),
        half_stroke=d.get("half_stroke", 0.0),
    )


def _ruling(d: dict[str, Any] | None) -> RulingFacts | None:
    if d is None:
        return None
    rules = tuple(_pair(r) for r in d["rules"])
    return RulingFacts(**{**d, "rules": rules, "margin": _pair(d["margin"]) if d["margin"] else None})


def _scale(d: dict[str, Any]) -> ScaleFacts:
    ruler = d.get("ruler")
    if ruler is not None:
        ruler = RulerFacts(_points(ruler["outline"]), tuple(_pair(t) for t in ruler["ticks"]))
    return ScaleFacts(**{**d, "checks": tuple(d["checks"]), "ruler": ruler})


def _record(d: dict[str, Any]) -> Record:
    dpi = d["page"]["claimed_dpi"]
    return Record(
        page=PageFacts(**{**d["page"], "claimed_dpi": tuple(dpi) if dpi else None, "notes": tuple(d["page"]["notes"])}),
        task=d["task"],
        scale=_scale(d["scale"]),
        ruling=_ruling(d["ruling"]),
        lines=tuple(_line(x) for x in d["lines"]),
        print_areas=tuple(_box(b) for b in d["print_areas"]),
        measures={k: _quantity(q) for k, q in d["measures"].items()},
        comparisons=tuple(d["comparisons"]),
        flags=tuple(FlagNote(**f) for f in d["flags"]),
        software=d["software"],
        letters=d["letters"],
        corrections=tuple(d["corrections"]),
        as_found=d.get("as_found"),
        schema=d["schema"],
    )
