"""How letters per minute change within the task, from the places reached at the end of each minute.

    L_m = letters written in minute m in words of the text (`task.COUNTING_RULE`)
    pace_change = median over pairs of minutes of (L_b - L_a) / (b - a)        (letters per minute, per minute)

with the interval of Theil (1950) and Sen (1968, JASA 63, 1379-1389) from three minutes on; with fewer than five the
range of all slopes, which then covers less than 95 %, as the flag says. A minute's mark stands at the end of a word, so
each count is good to about half a word, or at a letter of it, where a tick told the letter; the last stretch, after the
last mark, is not counted.

What it does not see: why the pace changes, pauses, and words whose ink was not laid against the text.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from handwriting.alignment import OF_TEXT, Alignment, match_words
from handwriting.geometry import FloatArray
from handwriting.measures.evidence import Evidence
from handwriting.quantity import Measured, NotMeasured
from handwriting.statistics import theil_sen
from handwriting.task import Task

LEAST = 3
ENOUGH = 5


def pace_change(evidence: Evidence, task: Task, alignment: Alignment | None) -> Measured | NotMeasured | None:
    """Return the change of pace, letters/min per minute, positive when more is written later.

    None when no minute was marked. Flags: ``few-minutes`` with three or four, when the range stands in for an interval.
    """
    if not task.minutes:
        return None
    if alignment is None:
        return NotMeasured("no-text", "letters by the minute need the text that was copied")
    if len(task.minutes) < LEAST:
        return NotMeasured("few-minutes", f"a change of pace needs the places reached at {LEAST} minutes or more")
    counts = [row["letters"] for row in by_minute(evidence, task, alignment)]
    slope = theil_sen(np.arange(1, len(counts) + 1), counts)
    if isinstance(slope, NotMeasured):
        return slope
    flags = ("few-minutes",) if len(counts) < ENOUGH else ()
    return Measured(slope.slope, "letters/min/min", slope.low, slope.high, len(counts), flags=flags)


def by_minute(evidence: Evidence, task: Task, alignment: Alignment) -> list[dict[str, float]]:
    """Return for each marked minute its number, words and letters of the text, and mean height of small letters.

    The height is in mm, px where the scale is not known, centre line to centre line. A word that the mark stands in
    gives its letters to both minutes, and itself and its height to the first.
    """
    known = match_words(evidence.words, alignment)
    height, body = _heights(evidence)
    rows = []
    first = carried = 0
    for minute, last in enumerate(task.minutes, 1):
        mine = [alignment.words[known[i]] for i in range(first, min(last, len(evidence.words.words))) if i in known]
        written = [w for w in mine if w.state in OF_TEXT]
        letters, rest = sum(w.letters_written for w in written), 0
        reached = task.minute_letters[minute - 1] if minute <= len(task.minute_letters) else 0
        if reached and last - 1 in known and alignment.words[known[last - 1]].state in OF_TEXT:
            rest = max(0, alignment.words[known[last - 1]].letters_written - reached)
        inside = body & (height[:, 1] >= first) & (height[:, 1] < last)
        row: dict[str, float] = {
            "minute": minute,
            "last_word": last,
            "words": len(written),
            "letters": carried + letters - rest,
        }
        carried = rest
        if inside.any():
            row["x_height"] = float(height[inside, 0].mean())
        rows.append(row)
        first = last
    return rows


def _heights(evidence: Evidence) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return height and word of every mark, shape (marks, 2), and which marks are bodies."""
    k = evidence.mm_per_px or 1.0
    stroke = evidence.letters.stroke_px
    marks = evidence.letters.marks
    table = np.array([((m.height - stroke) * k, m.word) for m in marks], np.float64).reshape(-1, 2)
    return table, np.array([m.kind == "body" for m in marks], np.bool_)
