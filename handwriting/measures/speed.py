"""Letters per minute.

    rate = 60 L / T

with L the letters written, by the counting rule in `task.COUNTING_RULE`, and T the seconds taken. L is the count by
hand when one was given; else the letters of the text up to the last word reached, when that was given; else the count
of the alignment with the text; else, where no text is known, the reader's estimate.

Uncertainty: the place reached is known to one letter either way (not for a count by hand), a count by the
tool to its own interval, and the time to two seconds
either way, each as a rectangular distribution (standard uncertainty = half-width / sqrt 3; GUM, JCGM 100:2008,
4.3.7). One letter and two seconds are common practice, no source. The interval is about how well the rate of *this*
sample is known; how much the writer varies from day to day is not in it.

What it does not see: pauses; and without the tool's count letters crossed out, words left out or written twice.
"""

from __future__ import annotations

import math

from handwriting.alignment import LetterEstimate, LetterTotals
from handwriting.quantity import Measured, NotMeasured, Part
from handwriting.task import Task

COUNT_HALF_WIDTH = 1.0
TIME_HALF_WIDTH_S = 2.0
SHORT_TASK_S = 120.0
FEW_LETTERS = 30


def letters_per_minute(task: Task, counted: LetterTotals | LetterEstimate | None = None) -> Measured | NotMeasured:
    """Return the rate in letters/min with its 95 % interval, or why it cannot be given.

    `counted` is what the alignment counted, or the reader's estimate where no text is known. Flags: ``short-task``
    under two minutes, ``few-letters`` under 30 letters, ``counted-by-tool`` or ``letters-estimated`` when it is used,
    ``counts-differ`` when two counts do not agree: by hand, up to the last word reached, or the alignment's beyond its
    interval.
    """
    reached = task.reached_count
    given = task.letters if task.letters is not None else reached and reached.letters
    letters = given or (counted.written if counted is not None else 0)
    if not letters:
        return NotMeasured("no-count", "the number of letters written, or the last word reached, was not given")
    if task.seconds is None:
        return NotMeasured("no-time", "the time taken was not given")
    rate = 60.0 * letters / task.seconds
    parts = [Part("time taken", rate / task.seconds * TIME_HALF_WIDTH_S / math.sqrt(3.0), common=True)]
    flags = []
    if not given and counted is not None:
        # The count's interval is a 95 % one.
        parts.insert(0, Part("letters counted", 60.0 / task.seconds * (counted.high - counted.low) / 3.92, common=True))
        flags.append("letters-estimated" if isinstance(counted, LetterEstimate) else "counted-by-tool")
    elif task.letters is None:
        parts.insert(0, Part("place reached", 60.0 / task.seconds * COUNT_HALF_WIDTH / math.sqrt(3.0), common=True))
    half = 1.96 * math.hypot(*(part.size for part in parts))
    if task.seconds < SHORT_TASK_S:
        flags.append("short-task")
    if letters < FEW_LETTERS:
        flags.append("few-letters")
    if given and _differ(task, counted, given):
        flags.append("counts-differ")
    return Measured(
        rate, "letters/min", max(0.0, rate - half), rate + half, letters, parts=tuple(parts), flags=tuple(flags)
    )


def _differ(task: Task, counted: LetterTotals | LetterEstimate | None, given: int) -> bool:
    """Tell whether the count used disagrees with another one."""
    reached = task.reached_count
    if reached is not None and reached.letters != given:
        return True
    return counted is not None and not counted.low <= given <= counted.high
