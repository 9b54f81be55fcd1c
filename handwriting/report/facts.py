"""What was asked and where the numbers come from, as pairs of name and text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from handwriting.flags import FLAGS
from handwriting.quantity import Measured
from handwriting.record import Record
from handwriting.report.rounding import number, significant
from handwriting.report.words import Catalogue, spelled

_ALWAYS = ("code", "date", "task", "instruction", "seconds", "paper", "tool", "setting")
_TEXT_SHOWN = 110


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact of the header; a wide one takes a row of its own."""

    name: str
    value: str
    wide: bool = False


@dataclass(frozen=True, slots=True)
class FlagRow:
    """One note with its number in the report; `code` finds it from a measure."""

    number: int
    code: str
    meaning: str
    effect: str
    advice: str


def given(task: Mapping[str, Any], key: str) -> str:
    """Return what was given for `key` as text, empty when it was not."""
    value = task.get(key)
    if key == "age" and not value and task.get("age_months") is not None:
        months = int(task["age_months"])
        return f"{months // 12}:{months % 12}"
    if isinstance(value, Mapping):
        value = bare(str(value.get("text", "")))
    if value is None or value in {"", "unstated"}:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def bare(word: str) -> str:
    """Return a word of a text without the punctuation around it."""
    return re.sub(r"^\W+|\W+$", "", word) or word


def sentence(text: str) -> str:
    """Return a reason as a sentence: capital first, full stop last."""
    bare = text.strip()
    if not bare:
        return ""
    return bare[:1].upper() + bare[1:] + ("" if bare[-1] in ".!?" else ".")


def task_facts(record: Record, words: Catalogue) -> list[Fact]:
    """Return the header: what a reader must always know first, even as "not given", then the rest as far as given."""
    rows: list[Fact] = []
    order = [*_ALWAYS, *(key for key in words.facts if key not in {*_ALWAYS, "text"})]
    for key in order:
        said = given(record.task, key)
        if key == "seconds" and said:
            said = words.say("seconds_said", seconds=said, minutes=_clock(float(record.task["seconds"])))
        said = words.fact_values.get(said, said)
        if said or key in _ALWAYS:
            rows.append(Fact(words.facts[key], said or words.say("not_given")))
    text = " ".join(given(record.task, "text").split())
    if len(text) > _TEXT_SHOWN:
        text = text[:_TEXT_SHOWN].rsplit(" ", 1)[0] + " " + words.say("continued")
    rows.append(Fact(words.facts["text"], text or words.say("not_given"), wide=True))
    return rows


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def flag_rows(record: Record, words: Catalogue | None = None) -> list[FlagRow]:
    """Return every note once: those of the page first, then those only a line or a measure carries."""
    told = FLAGS if words is None else words.flags
    details: dict[str, list[str]] = {}
    for note in record.flags:
        details.setdefault(note.code, []).extend([note.detail] if note.detail else [])
    for line in record.lines:
        for code in line.flags:
            details.setdefault(code, [])
    for quantity in record.measures.values():
        for code in quantity.flags if isinstance(quantity, Measured) else ():
            details.setdefault(code, [])
    rows: list[FlagRow] = []
    for place, (code, more) in enumerate(details.items(), start=1):
        known = told.get(code)
        meaning = known.meaning if known else sentence(spelled(code))
        detail = f" ({'; '.join(_counted(part, words) for part in more)})" if more else ""
        effect, advice = (known.effect, known.advice) if known else ("", "")
        rows.append(FlagRow(place, code, meaning + detail, effect, advice))
    return rows


_COUNTED = re.compile(r"(\d+) (line|word|area|tick)s?")


def _counted(detail: str, words: Catalogue | None) -> str:
    """Return how many of what a note is about, in the reader's words; any other detail as it is."""
    match = _COUNTED.fullmatch(detail)
    if match is None or words is None:
        return detail
    n = int(match[1])
    return words.say(f"one_{match[2]}") if n == 1 else words.say(f"many_{match[2]}s", n=n)


def areas_said(record: Record, words: Catalogue) -> str:
    """Return how many printed areas were set aside, in words; empty when there are none."""
    n = len(record.print_areas)
    return "" if not n else words.say("one_area") if n == 1 else words.say("many_areas", n=n)


def provenance(record: Record, words: Catalogue) -> list[tuple[str, str]]:
    """Return where the numbers come from: page, scale, rules, count, and the versions that made them."""
    page, software = record.page, dict(record.software)
    rows = [
        (words.say("page_file"), words.say("page_of", name=page.name, number=page.number, count=page.count)),
        (words.say("page_hash"), page.sha256),
        (words.say("scale"), _scale(record, words)),
        (words.say("ruling"), _ruling(record, words)),
    ]
    counting = dict(record.letters)
    counting.pop("counted_by_tool", None)  # has a section of its own
    counting.pop("alike", None)  # stands in the gallery of letters
    minutes, ticks = counting.pop("by_minute", ()), counting.pop("minute_ticks", None)
    rule = counting.pop("rule", None) or software.pop("counting_rule", None)
    if rule:
        rows.append((words.say("counting"), words.english(str(rule))))
    if counting:
        rows.append((words.say("letters_counted"), words.english(_listed(counting))))
    if minutes:
        told = "; ".join(words.say("minute_letters", minute=m["minute"], letters=m["letters"]) for m in minutes)
        rows.append((words.say("by_minute"), told))
    if ticks:
        rows.append((words.say("minute_ticks"), _ticks(ticks, words)))
    rows.append((words.say("excluded"), areas_said(record, words) or words.say("excluded_none")))
    changed = len(record.corrections)
    by_hand = words.say("corrections_some", n=changed) if changed else words.say("corrections_none")
    rows.append((words.say("corrections"), by_hand))
    # The tables' fingerprints are in the record; here their names are enough.
    tables = [name.removeprefix("figures ") for name in software if name.startswith("figures ")]
    programs = {name: value for name, value in software.items() if not name.startswith("figures ")}
    programs = {name: words.say("yes" if v else "no") if isinstance(v, bool) else v for name, v in programs.items()}
    rows.append((words.say("software"), _listed({**programs, "figures": tables})))
    return rows


def _ticks(ticks: Mapping[str, Any], words: Catalogue) -> str:
    """Return where the ticks stand and whether a person confirmed them."""
    told = []
    for mark in ticks["marks"]:
        key = "tick_margin" if mark["in_margin"] else "tick_letter" if mark["letter"] else "tick_word"
        told.append(words.say(key, **{name: mark[name] for name in ("minute", "line", "word", "text", "letter")}))
    settled = words.say("ticks_confirmed" if ticks["confirmed"] else "ticks_open")
    return f"{'; '.join(told)}. {settled}"


def _scale(record: Record, words: Catalogue) -> str:
    scale = record.scale
    if scale.unit == "px" or scale.mm_per_px is None:
        head = words.say("scale_none")
    else:
        uncertainty = significant(100 * scale.relative_uncertainty)
        head = words.say("scale_value", dpi=number(25.4 / scale.mm_per_px, 1), percent=uncertainty)
    told = " ".join([sentence(scale.sentence), *(sentence(check) for check in scale.checks)]).strip()
    return f"{sentence(head)} {words.english(told)}".strip()


def _ruling(record: Record, words: Catalogue) -> str:
    ruling = record.ruling
    if ruling is None:
        return words.say("ruling_none")
    return words.say(
        "ruling_value",
        kind=words.rulings.get(ruling.kind, ruling.kind),
        pitch=significant(ruling.pitch, 3),
        unit=record.scale.unit,
        rms=significant(ruling.residual_rms),
    )


def _listed(entries: Mapping[str, Any]) -> str:
    """Return nested entries as one line: ``name value; name value``."""
    said: list[str] = []
    for key, value in entries.items():
        name = key.replace("_", " ")
        if value is None or value in ("", [], {}):
            continue
        if isinstance(value, Mapping):
            said.append(f"{name}: {_listed(value)}")
        elif isinstance(value, (list, tuple)):
            said.append(f"{name}: {', '.join(str(v) for v in value)}")
        else:
            said.append(f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}")
    return "; ".join(said)
