"""The short table on the terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from handwriting.quantity import Measured
from handwriting.record import Record
from handwriting.report.plain import as_shown, counted, with_unit
from handwriting.report.rounding import rounded
from handwriting.report.words import Catalogue, catalogue


def print_table(record: Record, console: Console, *, words: Catalogue | None = None) -> None:
    """Print the measures of a record, then those that could not be made, each reason once."""
    words = words or catalogue()
    lines, found = counted(record, words)
    title = words.say("terminal_title", name=record.page.name, lines=lines, words=found)
    table = Table(title=Text(title), title_justify="left", box=None, pad_edge=False)
    table.add_column(words.say("col_measure"), overflow="fold")
    table.add_column(words.say("col_value"), justify="right", no_wrap=True)
    table.add_column(words.say("col_interval"), justify="right", no_wrap=True)
    table.add_column(words.say("col_marks"), justify="right", no_wrap=True)
    reasons: dict[str, list[str]] = {}
    for key, quantity in record.measures.items():
        own = words.measure(key)
        if not isinstance(quantity, Measured):
            reasons.setdefault(words.reason(quantity.flag, quantity.why), []).append(own.name)
            continue
        q = as_shown(quantity, own)
        shown = rounded(q.value, q.low, q.high)
        interval = words.say("interval", low=shown.low, high=shown.high)
        table.add_row(Text(own.name), with_unit(shown.value, q.unit, words), interval, str(q.n))
    console.print(table)
    for why, names in reasons.items():
        console.print(Text(words.say("terminal_missing", names="; ".join(names), why=why)))
