"""Every measure, in one registry: the order here is the order of the record."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from handwriting.alignment import Alignment, LetterEstimate
from handwriting.letter_shapes import LetterShape, shape_consistency
from handwriting.measures.baseline import baseline
from handwriting.measures.evidence import SEED, Evidence
from handwriting.measures.known import known_letters
from handwriting.measures.margins import margins
from handwriting.measures.pace import by_minute, pace_change
from handwriting.measures.size import size
from handwriting.measures.slant import slant
from handwriting.measures.spacing import spacing
from handwriting.measures.speed import letters_per_minute
from handwriting.measures.stroke import strokes
from handwriting.quantity import NotMeasured, Quantity
from handwriting.task import Task

GEOMETRY: tuple[Callable[[Evidence], Mapping[str, Quantity]], ...] = (size, baseline, spacing, slant, margins, strokes)

__all__ = ["GEOMETRY", "SEED", "Evidence", "by_minute", "measure_all"]


def measure_all(
    evidence: Evidence,
    task: Task,
    alignment: Alignment | None = None,
    estimate: LetterEstimate | None = None,
    shapes: tuple[LetterShape, ...] = (),
) -> dict[str, Quantity]:
    """Return every measure of the page by its key, speed first; `shapes` are those of the alignment's letters."""
    counted = estimate if alignment is None else alignment.totals
    found: dict[str, Quantity] = {"letters_per_minute": letters_per_minute(task, counted)}
    pace = pace_change(evidence, task, alignment)
    if pace is not None:
        found["pace_change"] = pace
    for group in GEOMETRY:
        found.update(group(evidence))
    found.update(known_letters(evidence, alignment))
    found["shape_consistency"] = (
        NotMeasured("no-text", "letters are told apart only where the text is known")
        if alignment is None
        else shape_consistency(shapes)
    )
    return found
