"""Putting a record right."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer

from handwriting.commands.files import text_of
from handwriting.commands.store import read_record
from handwriting.errors import UsageError


def correct(
    record: Annotated[Path, typer.Argument(help="The record.json to put right.", show_default=False)],
    corrections: Annotated[Path, typer.Argument(help="Text file of corrections, one to a line.", show_default=False)],
    page: Annotated[
        list[Path],
        typer.Option(help="The scan or photo the record was made from; each of several.", show_default=False),
    ],
    who: Annotated[str, typer.Option(help="Initials or role of the person; never a name.", show_default=False)],
    out: Annotated[Path | None, typer.Option(help="Folder for the corrected record and report.")] = None,
) -> None:
    """Put a record right: counts, words, baselines, scale. What the program found is kept beside it.

    A line of the file says one thing; numbers are those in the record:

    \b
    letters 143                  letters written, counted by hand
    last word 31                 the 31st word of the text was reached
    left out 12                  the 12th word of the text is not there
    word 14 crossed-out          or written, repeated, added, unreadable
    word 15 reads "boat"
    word 17 split at 84.5        in the record's own unit
    word 18 join                 with the next word
    word 4 set aside             it is not writing
    line 3 set aside
    line 2 baseline 40.0 63.2    the baseline passes here
    minute 1 word 14             the first minute ended with word 14
    blank 10 5 80 20             left, top, right, bottom to paint over
    scale 20 30 120 30 is 100    two places and the mm between them
    """  # noqa: D301 - the command line library wants this very character
    from handwriting.corrections.again import measure_again
    from handwriting.corrections.apply import correct as put_right
    from handwriting.corrections.text import read_corrections
    from handwriting.page import read_page
    from handwriting.report.write import write_report
    from handwriting.typed import read_role

    before = read_record(record)
    by = read_role(who, "--who")
    now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    said = read_corrections(text_of(corrections), before, who=by, when=now, where=str(corrections))
    if not said:
        raise UsageError("there is no correction in the file", where=str(corrections), fix="Write one to a line")
    pages = [read_page(file, before.page.number) for file in page]
    result = put_right(measure_again(before, pages), said)
    folder = out if out is not None else record.parent / "corrected"
    write_report(result.record, result.picture, folder)
    n = len(result.record.corrections)
    typer.echo(f"{n} correction{'' if n == 1 else 's'}. Report: {folder / 'report.html'}")
