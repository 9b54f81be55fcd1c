"""What is typed on the desk's form, checked by the same functions as the command line's options."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from handwriting.calibration import Given
from handwriting.errors import HandwritingError, UsageError
from handwriting.pipeline import Options
from handwriting.sheet.passages import find_passage
from handwriting.task import HANDS, INSTRUCTIONS, SCRIPTS, SETTINGS, SEXES, TASKS, Task, read_task
from handwriting.typed import read_number

LABELS = {
    "code": "Pupil code",
    "age": "Age",
    "grade": "School grade",
    "sex": "Girl or boy",
    "passage": "Passage",
    "text": "Text that was copied",
    "minutes": "Minutes",
    "seconds": "Seconds",
    "reached": "Last word reached",
    "letters": "Letters counted by hand",
    "date": "Date of writing",
    "task": "Task",
    "instruction": "What was asked",
    "setting": "Setting",
    "paper": "Paper",
    "tool": "Pen or pencil",
    "hand": "Writing hand",
    "script": "Script",
    "country": "Country",
    "term": "School term",
    "effort": "Effort, the writer's own mark",
    "supervised": "Who was there",
    "said": "The writer's own words",
    "dpi": "Resolution of the scan",
    "rule_mm": "Distance between writing lines",
    "bar_mm": "Length of the sheet's 100 mm bar",
    "tolerance_mm": "Band that counts as on the line",
}
CHOICES = {
    "task": TASKS,
    "instruction": INSTRUCTIONS,
    "setting": SETTINGS,
    "sex": SEXES,
    "hand": HANDS,
    "script": SCRIPTS,
}
_TASK_FIELDS = tuple(n for n in LABELS if n not in {"passage", "minutes", "dpi", "rule_mm", "bar_mm", "tolerance_mm"})
_LONGEST = 20_000


SAID = {**LABELS, "by": "Kept by", "blank": "Strip to blank", "reader": "Who reads"}


def asked(fields: Mapping[str, object]) -> dict[str, str]:
    """Return the form's own fields that were filled in, trimmed; anything else that was sent is left out.

    Raises
    ------
    UsageError
        A field is longer than any that can be used.
    """
    kept: dict[str, str] = {}
    for name, label in LABELS.items():
        value = fields.get(name)
        if isinstance(value, str) and value.strip():
            if len(value) > _LONGEST:
                raise UsageError(f"{len(value)} characters are too many", where=label, fix="Shorten it.")
            kept[name] = value.strip()
    return kept


def task(fields: Mapping[str, str]) -> Task:
    """Return the task a form describes; fails as `task.read_task` does."""
    given: dict[str, Any] = {n: fields[n] for n in _TASK_FIELDS if n in fields}
    if "passage" in fields and "text" not in fields:
        given["text"] = find_passage(fields["passage"]).text
    if "text" in given:
        # A line end keeps `read_task` from taking the words for the name of a file.
        given["text"] = f"{given['text']}\n"
    if "minutes" in fields:
        whole = read_number(fields["minutes"], "--minutes", 0, 240, "minutes")
        rest = read_number(fields["seconds"], "--seconds", 0, 14_400, "seconds") if "seconds" in fields else 0.0
        given["seconds"] = 60 * whole + rest
    return read_task(**given)


def options(fields: Mapping[str, str]) -> Options:
    """Return how to measure, as far as the form says; fails as `calibration.Given` does."""

    def number(name: str, low: float, high: float, unit: str) -> float | None:
        return read_number(fields[name], f"--{name}", low, high, unit) if name in fields else None

    given = Given(number("dpi", 50, 4800, "dots to the inch"), number("rule_mm", 2, 40, "mm"))
    tolerance = number("tolerance_mm", 0.05, 5, "mm")
    return Options(given, number("bar_mm", 50, 150, "mm"), 0.5 if tolerance is None else tolerance)


def check(fields: Mapping[str, str]) -> None:
    """Refuse a form the measuring could not work with; fails as `task` and `options` do."""
    task(fields)
    options(fields)


def said(error: HandwritingError) -> tuple[str, str]:
    """Return the field a refusal is about (empty when none) and the refusal in the form's words."""
    option = re.fullmatch(r"--([\w-]+)", error.where)
    name = option.group(1).replace("-", "_") if option else ""
    name = "seconds" if name == "minutes" else name
    text = str(error).removeprefix(f"{error.where}: ") if name in SAID else str(error)
    text = re.sub(r"--([a-z][\w-]*)", lambda m: f"“{SAID.get(m[1].replace('-', '_'), m[1])}”", text)
    return (name if name in SAID else ""), text[:1].upper() + text[1:]
