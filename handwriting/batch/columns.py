"""What the tables of a study hold: every column once, with its type, unit and meaning.

The tables, the codebook, the JSON Schema and the data package are all made from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from handwriting.batch.manifest import COLUMNS as ASKED
from handwriting.report.words import catalogue

Type = Literal["text", "number", "whole"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: name, type, unit (empty when it has none) and meaning; an empty cell means not known."""

    name: str
    type: Type
    unit: str
    meaning: str


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", "", meaning)


_WHO = (
    _text("sample", "Name of the sample; joins the tables"),
    _text("participant", ASKED["participant"]),
    _text("occasion", ASKED["occasion"]),
)
_BOX = tuple(
    Column(side, "number", "see unit", f"{side.capitalize()} edge of the box")
    for side in ("left", "top", "right", "bottom")
)
_UNIT = _text("unit", "Unit of places and lengths in this row: mm, or px of the upright picture when there is no scale")
_CONFIDENCE = Column("confidence", "number", "1", "How sure the program is of text and state, 0 to 1")

#: What the alignment with the text counted; names as in the record's ``counted_by_tool``.
_BY_TOOL = (
    Column("tool_letters", "whole", "letters", "Letters written, counted by the program against the text"),
    Column("tool_letters_low", "whole", "letters", "Lower end of the interval of that count"),
    Column("tool_letters_high", "whole", "letters", "Upper end of the interval of that count"),
    Column("tool_left_out", "whole", "letters", "Letters of the text left out before the last word reached"),
    Column("tool_repeated", "whole", "letters", "Letters of words written again"),
    Column("tool_added", "whole", "letters", "Letters that are not in the text"),
    Column("tool_crossed_out", "whole", "letters", "Letters crossed out"),
    Column("tool_last_word", "whole", "", "Number in the text of the last word reached, as the program found it"),
    Column("text_confidence", "number", "1", "How sure the program is of the alignment with the text, 0 to 1"),
    Column("text_fit", "number", "1", "How well the ink fits the text, 0 to 1"),
)

_SAMPLE_HEAD = (
    *_WHO,
    _text("file", ASKED["file"]),
    Column("page", "whole", "", "Page of the file, from 1"),
    _text("outcome", "measured, or refused (then failures has the reason)"),
    _text("sha256", "Fingerprint of the file measured"),
    Column("text_letters", "whole", "letters", "Letters of the text that was to be copied"),
    _text("text_sha256", "Fingerprint of that text (UTF-8): the same for the same text"),
    Column("seconds", "number", "s", ASKED["seconds"]),
    Column("letters_counted", "whole", "letters", ASKED["letters"]),
    _text("reached", "Last word reached in the text, as it stands there"),
    Column("reached_word", "whole", "", "Its number in the text, from 1"),
    Column("age_months", "whole", "months", "Age in completed months"),
    Column("grade", "whole", "", ASKED["grade"]),
    *(_text(name, ASKED[name]) for name in ("sex", "date", "setting", "task", "instruction", "paper", "tool", "hand")),
    *(_text(name, ASKED[name]) for name in ("script", "country", "term")),
    Column("effort", "whole", "points", ASKED["effort"]),
    *(_text(name, ASKED[name]) for name in ("supervised", "said", "minutes")),
    _text("scale_source", "How the scale came to be believed"),
    Column("mm_per_px", "number", "mm", "Millimetres to one pixel of the upright picture"),
    Column("scale_uncertainty", "number", "1", "Relative standard uncertainty of the scale"),
    _text("claimed_dpi", "Resolution the file states, dots to the inch along x and y"),
    _text("format", "Kind of file"),
    Column("width_px", "whole", "px", "Width of the picture"),
    Column("height_px", "whole", "px", "Height of the picture"),
    _text("ruling", "Kind of printed rules; empty when there are none"),
    Column("rule_pitch_mm", "number", "mm", "Distance from one rule to the next"),
    Column("lines", "whole", "", "Lines of writing found"),
    Column("words", "whole", "", "Words found"),
    Column("letter_marks", "whole", "", "Letter marks found"),
    *_BY_TOOL,
    _text("left_out_text", "Runs of the text that are not on the page, with | between"),
    _text("flags", "Codes of what qualifies the page as a whole, with spaces between"),
    Column("corrections", "whole", "", "Corrections a person made"),
)

MEASURES = (
    *_WHO,
    _text("measure", "Which measure"),
    Column("value", "number", "see unit", "The value; empty when it could not be made"),
    _text("unit", "Unit of value, low and high; 1 for a ratio"),
    Column("low", "number", "see unit", "Lower end of the 95 % interval"),
    Column("high", "number", "see unit", "Upper end of the 95 % interval"),
    Column("n", "whole", "", "Marks, gaps or lines it rests on"),
    _text("flags", "Codes of what qualifies the value, with spaces between"),
    _text("not_measured", "Code of the reason when there is no value"),
    _text("reason", "The reason in words"),
)

WORDS = (
    _WHO[0],
    Column("line", "whole", "", "Line of writing, from 1 at the top"),
    Column("word", "whole", "", "Word on the page, from 1"),
    _text("text", "What is written, when known"),
    _text("state", "What became of the word: written, or as the alignment with the text found it"),
    _CONFIDENCE,
    *_BOX,
    Column("letter_marks", "whole", "", "Letter marks in it"),
    _UNIT,
)

LETTERS = (
    _WHO[0],
    Column("line", "whole", "", "Line of writing, from 1 at the top"),
    Column("word", "whole", "", "Word on the page, from 1"),
    Column("letter", "whole", "", "Mark in the word, from 1 at the left"),
    _text("text", "Which letter it is, when known"),
    _text("kind", "body, ascender, descender or other"),
    _text("state", "What became of the letter: written, or as the alignment with the text found it"),
    _CONFIDENCE,
    *_BOX,
    Column("height", "number", "see unit", "Top of the ink above the baseline of its line"),
    Column("foot", "number", "see unit", "Foot above the baseline of its line"),
    Column("to_rule", "number", "see unit", "Foot above the ruled line; empty without one"),
    _UNIT,
)

FAILURES = (
    *_WHO,
    _text("file", ASKED["file"]),
    Column("page", "whole", "", "Page of the file, from 1"),
    _text("kind", "Kind of refusal"),
    _text("reason", "Why the page could not be measured"),
    _text("advice", "What to do about it"),
)

CODEBOOK = (
    _text("table", "Which table"),
    _text("column", "Which column"),
    _text("type", "text, number or whole (number)"),
    _text("unit", "Unit, empty when it has none"),
    _text("meaning", "What it holds; an empty cell means not known or not measured"),
)

TITLES = {
    "samples": "One row a sample: what was asked, how it was scaled, every measure with its interval, your own columns",
    "measures": "One row a sample and measure, with the reason where there is no value",
    "words": "One row a word: place, text, state, confidence",
    "letters": "One row a letter mark: place, class, state, confidence",
    "failures": "One row a page that could not be measured, with reason and advice",
    "codebook": "One row a column of these tables",
}
KEYS = {
    "samples": ("sample",),
    "measures": ("sample", "measure"),
    "words": ("sample", "word"),
    "letters": ("sample", "word", "letter"),
    "failures": ("sample",),
    "codebook": ("table", "column"),
}


def measure_keys() -> tuple[str, ...]:
    """Return the keys of all measures, in the order of the report's catalogue."""
    return tuple(catalogue().measures)


def reserved() -> frozenset[str]:
    """Return the names in the samples table that are not free for the researcher's own columns, in small letters."""
    return frozenset(c.name.casefold() for c in samples_columns((), {}))


def samples_columns(own: tuple[str, ...], units: dict[str, str]) -> tuple[Column, ...]:
    """Return the columns of the wide table; `units` are those of the measures, `own` the researcher's columns."""
    words = catalogue()
    wide: list[Column] = []
    for key in measure_keys():
        unit, name = units.get(key, ""), words.measure(key).name
        wide += [
            Column(key, "number", unit, name),
            Column(f"{key}_low", "number", unit, f"{name}: lower end of the 95 % interval"),
            Column(f"{key}_high", "number", unit, f"{name}: upper end of the 95 % interval"),
            Column(f"{key}_n", "whole", "", f"{name}: marks, gaps or lines it rests on"),
        ]
    return (*_SAMPLE_HEAD, *wide, *(_text(name, "Carried through from the manifest") for name in own))


def all_columns(own: tuple[str, ...], units: dict[str, str]) -> dict[str, tuple[Column, ...]]:
    """Return the columns of every table by its name."""
    return {
        "samples": samples_columns(own, units),
        "measures": MEASURES,
        "words": WORDS,
        "letters": LETTERS,
        "failures": FAILURES,
        "codebook": CODEBOOK,
    }
