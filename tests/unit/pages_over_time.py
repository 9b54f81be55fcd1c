"""Samples made by hand for tests of change: any date, code and measures, one ruling and task unless said otherwise."""

import datetime as dt
import itertools

from handwriting.change import Ruled, Sample
from handwriting.quantity import Measured

_NUMBERS = itertools.count(1)


def measured(value, unit="1", half=0.01, n=50):
    return Measured(value, unit, value - half, value + half, n)


def sample(day, values=None, *, code="P07", **fields):
    """Return a page of `day` (ISO) with measures: numbers, or quantities."""
    number = next(_NUMBERS)
    held = {k: measured(v) if isinstance(v, (int, float)) else v for k, v in (values or {"x": 1.0}).items()}
    asked = {
        "task": "near-copy",
        "instruction": "usual",
        "tool": "pen",
        "text": "a",
        "setting": "school",
        "program": "1",
    }
    return Sample(
        code,
        dt.date.fromisoformat(day),
        f"{number:064x}",
        held,
        fields.pop("ruled", Ruled("single", 8.0)),
        number=number,
        **{**asked, **fields},
    )
