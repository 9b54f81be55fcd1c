"""Put corrections to a measured page; the program's own findings stay beside the person's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from itertools import pairwise
from typing import Any

from handwriting.corrections import geometry, told
from handwriting.corrections.model import Correction
from handwriting.errors import UsageError
from handwriting.geometry import Box
from handwriting.letters import find_letters
from handwriting.pipeline import Found, Result, measure_found
from handwriting.reached import with_ticks
from handwriting.record import Record
from handwriting.task import Task, split_words


def correct(result: Result, corrections: Sequence[Correction]) -> Result:
    """Return the page measured anew with corrections.

    Parameters
    ----------
    result : Result
        The page as the program found it, without corrections: undoing one is correcting with the others.
    corrections : sequence of Correction
        In the order they were made.

    Raises
    ------
    UsageError
        A correction points at nothing, or would leave nothing.
    """
    if not corrections:
        return result
    found, task, scale = result.found, result.task, result.scale
    for correction in corrections:
        task = _task(task, correction)
        found = _found(found, task.text, correction)
        if correction.kind == "scale" and isinstance(correction.value, tuple):
            scale = geometry.drawn_scale(found, correction.value)
    task = _with_minutes(task, found, corrections)
    if found.words is not result.found.words:
        found = replace(found, letters=find_letters(found.ink, found.lines, found.words))
    corrected = measure_found(result.pages, found, task, scale, result.options)
    record = replace(
        corrected.record,
        corrections=tuple(c.as_dict() for c in corrections),
        as_found=as_found(result.record),
    )
    return replace(corrected, record=record)


def as_found(record: Record) -> dict[str, Any]:
    """Return what the program itself said: measures, letter counts, lines and words."""
    return record.as_found or {
        "measures": {key: asdict(quantity) for key, quantity in record.measures.items()},
        "letters": record.letters,
        "lines": [asdict(line) for line in record.lines],
    }


def _with_minutes(task: Task, found: Found, corrections: Sequence[Correction]) -> Task:
    """Take the minutes' marks, last: the numbers of words are those after all else was put right."""
    marks = {
        c.value: geometry.word_at(found.words, c.at) + 1
        for c in corrections
        if c.kind == "minute" and c.at is not None and isinstance(c.value, int)
    }
    if not marks:
        # Ticks that a person confirmed are at the same places, whatever the words' numbers have become.
        return with_ticks(task, found.reached()) if found.ticks and task.minutes else task
    order = sorted(marks)
    numbers = [marks[minute] for minute in order]
    if order != list(range(1, len(order) + 1)) or any(b <= a for a, b in pairwise(numbers)):
        raise UsageError(
            "the minutes are not marked in order", fix="Mark the last word of minute 1, then of minute 2, and so on"
        )
    return replace(task, minutes=tuple(numbers), minute_letters=())


def _task(task: Task, correction: Correction) -> Task:
    if correction.kind == "letters" and isinstance(correction.value, int):
        return replace(task, letters=correction.value)
    if correction.kind == "last-word" and isinstance(correction.value, int):
        words = split_words(task.text)
        if not 1 <= correction.value <= len(words):
            raise UsageError(
                f"the text has no word {correction.value}", fix=f"Its {len(words)} words are numbered from 1"
            )
        return replace(task, reached=words[correction.value - 1])
    return task


def _found(found: Found, text: str, correction: Correction) -> Found:  # noqa: PLR0911 - one return a kind
    at, value = correction.at, correction.value
    if at is not None:
        match correction.kind:
            case "split":
                return geometry.split(found, at)
            case "join":
                return geometry.join(found, at)
            case "set-aside" | "set-line":
                left = geometry.set_aside(found, at, line=correction.kind == "set-line")
                return told.forget_gone(left, text)
            case "state" if isinstance(value, str):
                return told.tell_state(found, text, at, value)
            case "reads" if isinstance(value, str):
                return told.tell_reading(found, text, at, value)
            case "baseline" if isinstance(value, tuple):
                return geometry.move_baseline(found, at, (value[0], value[1]))
    if correction.kind == "left-out" and isinstance(value, int):
        return told.tell_left_out(found, text, value)
    if correction.kind == "blank" and isinstance(value, tuple):
        return told.forget_gone(geometry.blank(found, Box(*value)), text)
    return found
