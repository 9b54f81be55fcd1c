"""Records to keep: the hand-made page of the report's tests, told apart by code, date and fingerprint."""

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from report_fixture import page

_RECORD, PICTURE = page(100, lines=4)


def record_of(number=0, *, code="P07", date="2026-03-09", name="a-childs-name.png", **task):
    """Return a record of the fixture page as if it were another scan."""
    page_facts = replace(_RECORD.page, sha256=f"{number:064x}", name=name)
    return replace(_RECORD, page=page_facts, task={**_RECORD.task, "code": code, "date": date, **task})
