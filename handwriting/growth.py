"""How speed grew between two grades in published groups: context for a change, never a yardstick for one pupil.

Only means of measured groups whose table somebody has read are used, rows of one source with each other. A difference
of two means of different children says how groups differ, not how fast any child should grow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from handwriting.sources import Row, Source, all_sources


@dataclass(frozen=True, slots=True)
class Growth:
    """Mean letters a minute of one source's groups in two grades."""

    source: str
    short: str
    context: str
    grade_before: int
    grade_after: int
    before: float
    after: float


def growth(grade_before: int | None, grade_after: int | None, sex: str = "unstated") -> tuple[Growth, ...]:
    """Return what each source has for two grades; for one grade, the step to the next, in which the pages lie."""
    if grade_before is None or grade_after is None or grade_after < grade_before:
        return ()
    later = grade_after if grade_after > grade_before else grade_before + 1
    found = []
    for source in all_sources():
        if source.obtained == "memory" or source.kind != "distribution":
            continue
        one, other = _mean(source, grade_before, sex), _mean(source, later, sex)
        if one is not None and other is not None:
            found.append(Growth(source.id, source.short, source.context, grade_before, later, one, other))
    return tuple(found)


def _mean(source: Source, grade: int, sex: str) -> float | None:
    """Return the mean of a grade: the row of the writer's sex, the pooled row, or the mean of the rows there are."""
    rows = [r for r in source.rows if r.band_kind == "grade" and r.band_low == r.band_high == grade]
    return _chosen(rows, "girls" if sex == "girl" else "boys" if sex == "boy" else "all")


def _chosen(rows: list[Row], group: str) -> float | None:
    for wanted in (group, "all"):
        means = [r.mean for r in rows if r.sex == wanted]
        if means:
            return math.fsum(means) / len(means)
    return math.fsum(r.mean for r in rows) / len(rows) if rows else None
