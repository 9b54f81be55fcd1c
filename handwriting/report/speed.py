"""The speed beside published figures: chart, table, and what differs, all from the record's comparisons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from handwriting.quantity import Measured
from handwriting.record import Record
from handwriting.report.charts import SpeedRow, speed_chart
from handwriting.report.facts import sentence
from handwriting.report.rounding import number, rounded
from handwriting.report.words import Catalogue

_Entry = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Compared:
    """One row of the table of published figures; empty text where the source has nothing."""

    number: int
    who: str
    context: str
    figure: str
    sd: str
    n: str
    z: str


def section(record: Record, words: Catalogue) -> dict[str, Any]:
    """Return what the template needs for the section on speed."""
    here = record.measures.get("letters_per_minute")
    held = [c for c in record.comparisons if isinstance(c.get("mean"), (int, float))]
    reasons = [words.english(sentence(str(c["no_comparison"]))) for c in record.comparisons if c.get("no_comparison")]
    if isinstance(here, Measured):
        shown = rounded(here.value, here.low, here.high)
        line = words.say("speed_here", value=shown.value, low=shown.low, high=shown.high)
        if not held and not reasons:
            line += " " + words.say("speed_no_figures")
        chart = speed_chart(here, [_chart_row(place, c) for place, c in enumerate(held, start=1)], words)
    else:
        why = sentence(words.reason(here.flag, here.why)) if here is not None else words.say("not_given")
        line, chart, held = words.say("speed_none", why=why), Markup(""), []
    compared = [_compared(place, c, words) for place, c in enumerate(held, start=1)]
    return {
        "speed_line": line,
        "chart": chart,
        "comparisons": compared,
        "differences": _differences(held, words),
        "no_comparisons": reasons,
        "has_z": any(row.z for row in compared),
    }


def _short(c: _Entry) -> str:
    """Return the citation without the context that the record carries with it."""
    citation, context = str(c.get("citation") or c.get("source") or ""), str(c.get("context") or "")
    return citation.removesuffix(context).rstrip(", ") if context else citation


def _who(c: _Entry) -> str:
    return ", ".join(part for part in (_short(c), str(c.get("label") or "")) if part)


def _chart_row(place: int, c: _Entry) -> SpeedRow:
    return SpeedRow(
        place, _who(c), float(c["mean"]), c.get("sd"), measured=c.get("kind", "distribution") == "distribution"
    )


def _figure(c: _Entry, key: str, places: int, words: Catalogue) -> str:
    value = c.get(key)
    return words.figure(number(float(value), places)) if isinstance(value, (int, float)) else ""


def _compared(place: int, c: _Entry, words: Catalogue) -> Compared:
    kind = str(c.get("kind", "distribution"))
    obtained = str(c.get("obtained") or "")
    context = [words.kinds.get(kind, kind), str(c.get("context") or ""), words.obtained.get(obtained, obtained)]
    z = _figure(c, "z", 2, words)
    if z and c.get("z_low") is not None:
        z = words.say("z_said", z=z, low=_figure(c, "z_low", 2, words), high=_figure(c, "z_high", 2, words))
    return Compared(
        number=place,
        who=_who(c),
        context="; ".join(part for part in context if part),
        figure=_figure(c, "mean", 1, words),
        sd=_figure(c, "sd", 1, words),
        n=_figure(c, "n", 0, words),
        z=z,
    )


def _differences(held: Sequence[_Entry], words: Catalogue) -> list[tuple[str, str]]:
    """Return which rows and what differs there; what all rows of one source share is said once."""
    by_source: dict[str, list[tuple[int, list[str]]]] = {}
    for place, c in enumerate(held, start=1):
        told = [sentence(str(d)) for d in (c.get("percentile"), *(c.get("differences") or ()), c.get("no_z")) if d]
        by_source.setdefault(str(c.get("source")), []).append((place, told))
    said: list[tuple[str, str]] = []
    for rows in by_source.values():
        shared = [d for d in rows[0][1] if all(d in told for _, told in rows)]
        said.append((_rows_said([place for place, _ in rows], words), " ".join(shared)))
        for place, told in rows:
            own = [d for d in told if d not in shared]
            if own:
                said.append((_rows_said([place], words), " ".join(own)))
    return [(which, what) for which, what in said if what]


def _rows_said(places: list[int], words: Catalogue) -> str:
    key = "differences_of" if len(places) == 1 else "differences_of_many"
    return words.say(key, numbers=", ".join(map(str, places)))
