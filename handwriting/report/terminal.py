"""The short table on the terminal."""

from __future__ import annotations

from dataclasses import dataclass

from rich.console import Console
from rich.table import Table
from rich.text import Text

from handwriting.quantity import Measured
from handwriting.record import Record
from handwriting.report.facts import sentence
from handwriting.report.plain import as_shown, counted, with_unit
from handwriting.report.rounding import rounded
from handwriting.report.words import Catalogue, catalogue

# Columns; names of measures would be broken within words in a table of fewer.
_NARROW = 60


@dataclass(frozen=True, slots=True)
class _Row:
    name: str
    value: str
    interval: str
    n: str


def print_table(record: Record, console: Console, *, words: Catalogue | None = None) -> None:
    """Print the measures of a record, then those that could not be made, each reason once.

    On a narrow terminal each measure takes two lines instead of a row.
    """
    words = words or catalogue()
    lines, found = counted(record, words)
    title = words.say("terminal_title", name=record.page.name, lines=lines, words=found)
    rows: list[_Row] = []
    reasons: dict[str, list[str]] = {}
    for key, quantity in record.measures.items():
        own = words.measure(key)
        if not isinstance(quantity, Measured):
            reasons.setdefault(words.reason(quantity.flag, quantity.why), []).append(own.name)
            continue
        q = as_shown(quantity, own)
        shown = rounded(q.value, q.low, q.high)
        interval = words.say("interval", low=shown.low, high=shown.high)
        rows.append(_Row(own.name, with_unit(shown.value, q.unit, words), interval, str(q.n)))
    if console.width < _NARROW:
        _print_list(title, rows, console, words)
    else:
        _print_rows(title, rows, console, words)
    for why, names in reasons.items():
        console.print(Text(words.say("terminal_missing", names="; ".join(names), why=sentence(why))))


def _print_rows(title: str, rows: list[_Row], console: Console, words: Catalogue) -> None:
    table = Table(title=Text(title), title_justify="left", box=None, pad_edge=False)
    table.add_column(words.say("col_measure"), overflow="fold")
    for column in ("col_value", "col_interval", "col_marks"):
        table.add_column(words.say(column), justify="right", no_wrap=True)
    for row in rows:
        table.add_row(Text(row.name), row.value, row.interval, row.n)
    console.print(table)


def _print_list(title: str, rows: list[_Row], console: Console, words: Catalogue) -> None:
    console.print(Text(title))
    console.print(Text(words.say("terminal_narrow")))
    for row in rows:
        console.print(Text(row.name))
        console.print(Text(f"  {row.value} ({row.interval}), {words.say('col_marks')} {row.n}"))
