"""Comparing a pupil's pages, and what the user's own repeats say of measurement error."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from handwriting.commands.store import Where, opened, read_record
from handwriting.errors import UsageError

if TYPE_CHECKING:
    from handwriting.change import Sample
    from handwriting.history import History
    from handwriting.record import Record
    from handwriting.repeats import Groups, RepeatsOf
    from handwriting.report.overlay import Picture
    from handwriting.report.words import Catalogue

What = Annotated[list[str], typer.Argument(help="A pupil's code in the store, or record files.", show_default=False)]


@dataclass(frozen=True, slots=True)
class Held:
    """What was named: the pages, and the repeats to set them against."""

    samples: tuple[Sample, ...]
    repeats: Groups
    scanned_again: Groups


def _held(named: list[str], place: Path | None, *, days: int) -> Held:
    """Return the pages named: record files, or those of a code in the store, with the repeats of the store."""
    from handwriting.change import gather, sample_of
    from handwriting.store import default_path
    from handwriting.store.opening import is_encrypted

    files = [Path(name) for name in named if Path(name).suffix == ".json" or Path(name).is_file()]
    if files and len(files) < len(named):
        raise UsageError("a code and record files are named together", fix="Name one code, or record files only.")
    if not files and len(named) != 1:
        raise UsageError(f"{len(named)} codes are named", fix="Compare one pupil at a time.")
    samples = tuple(sample_of(read_record(path)) for path in files)
    # Files bring their own repeats; a store is looked into when it is named, or lies in its usual place and is open.
    usual = default_path()
    if files and place is None and (not usual.exists() or is_encrypted(usual)):
        return Held(samples, [g for g in gather(samples, days=days) if len(g) > 1], ())
    with opened(place) as held:
        if not files:
            samples = held.samples(named[0])
        own = [g for g in gather(samples, days=days) if len(g) > 1] if files else []
        return Held(samples, (*held.repeats(), *own), held.scanned_again())


def compare(
    what: What,
    before: Annotated[str | None, typer.Option(help="A day of the earlier occasion; the first without it.")] = None,
    after: Annotated[str | None, typer.Option(help="A day of the later occasion; the last without it.")] = None,
    days: Annotated[int, typer.Option(min=0, max=60, help="Pages within so many days make one occasion.")] = 7,
    report_language: Annotated[str, typer.Option(help="Language of the report: en or fr.")] = "en",
    out: Annotated[Path, typer.Option(help="Folder for the report.")] = Path("out"),
    store: Where = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the comparison as JSON instead of the table.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing.")] = False,
) -> None:
    """Compare a pupil's pages over time: change against measurement error, terms by settings."""
    from handwriting.history import history
    from handwriting.report.compare import write_comparison
    from handwriting.report.words import find_catalogue

    words = find_catalogue(report_language)
    held = _held(what, store, days=days)
    told = history(
        held.samples,
        held.repeats,
        held.scanned_again,
        before=None if before is None else _day(before, "--before"),
        after=None if after is None else _day(after, "--after"),
        days=days,
    )
    written = write_comparison(told, out, pictures=_pictures(told, store), words=words)
    if as_json:
        typer.echo(written["compare.json"].read_text("utf-8"), nl=False)
    elif not quiet:
        _show(told, words)
        typer.echo(f"Report: {out / 'compare.html'} and {out / 'compare.pdf'}")


def _pictures(told: History, place: Path | None) -> list[tuple[Record, Picture]]:
    """Return the first page of each occasion as it was kept, where both have a picture."""
    numbers = [one.first.number for one in (told.comparison.before, told.comparison.after)]
    known = [number for number in numbers if number is not None]
    if len(known) < 2:
        return []
    with opened(place) as held:
        found = [(held.record(number), held.picture(number)) for number in known]
    pairs = [(record, picture) for record, picture in found if picture is not None]
    return pairs if len(pairs) == 2 else []


def _day(given: str, option: str) -> dt.date:
    try:
        return dt.date.fromisoformat(given.strip())
    except ValueError as error:
        fix = "Write year-month-day, for example 2026-03-09."
        raise UsageError(f"'{given}' is not a date", where=option, fix=fix) from error


def _show(told: History, words: Catalogue) -> None:
    from rich.console import Console
    from rich.table import Table

    import handwriting
    from handwriting.report.compared import view

    shown = view(told, words, software=handwriting.__version__)
    console = Console()
    for line in shown.loud:
        console.print(f"! {line}", markup=False, highlight=False)
    names = (words.say(k) for k in ("col_measure", "col_before", "col_after", "col_difference", "col_claim"))
    table = Table(*names, title=f"{shown.title}. {shown.when}", title_justify="left", box=None)
    for row in shown.rows:
        table.add_row(row.name, row.before, row.after, row.difference, row.claim)
    console.print(table)
    for text in (shown.untold_why, shown.chance):
        if text:
            console.print(text, markup=False, highlight=False)


def repeats(
    what: Annotated[
        list[str] | None, typer.Argument(help="Record files; the whole store without any.", show_default=False)
    ] = None,
    days: Annotated[int, typer.Option(min=0, max=60, help="Pages within so many days are repeats.")] = 7,
    rescans: Annotated[
        bool, typer.Option("--rescans", help="The error of scanning one page again, instead of that of a new page.")
    ] = False,
    store: Where = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print everything as JSON, unrounded.")] = False,
) -> None:
    """Show the measurement error that your own repeats tell: SEM, SDC, ICC and limits of agreement."""
    import json
    from dataclasses import asdict

    from handwriting.change import gather, sample_of
    from handwriting.report.words import catalogue

    if what:
        samples = [sample_of(read_record(Path(name))) for name in what]
        groups: Groups = [g for g in gather(samples, days=days) if len(g) > 1]
        if rescans:
            raise UsageError("record files do not say which are scans of one page", fix="Keep them with --rescan-of.")
    else:
        with opened(store) as held:
            groups = held.scanned_again() if rescans else held.repeats()
    from handwriting.repeats import by_condition, repeats_of

    if not groups:
        raise UsageError(
            "there are no repeats",
            fix="Keep pairs of pages by one pupil, asked for alike within days; or one page twice, with --rescan-of.",
        )
    conditions = by_condition(groups)
    if as_json:
        found = [
            {"asked": asked, "measures": {k: asdict(r) for k, r in repeats_of(own).items()}}
            for asked, own in conditions
        ]
        typer.echo(json.dumps(found, ensure_ascii=False, indent=1))
        return
    for asked, own in conditions:
        _show_repeats(asked, repeats_of(own), catalogue())


def _show_repeats(asked: dict[str, str], found: dict[str, RepeatsOf], words: Catalogue) -> None:
    from rich.console import Console
    from rich.table import Table

    from handwriting.report.rounding import number, significant

    console = Console()
    console.print(", ".join(v for v in asked.values() if v) or "nothing given", markup=False, highlight=False)
    columns = ("measure", "pupils", "pages", "df", "SEM", "95%", "SDC", "ICC(1,1)", "bias", "limits of agreement")
    table = Table(*columns, box=None)
    for key, r in found.items():
        icc = "" if r.icc is None else f"{number(r.icc.value, 2)} ({number(r.icc.low, 2)} to {number(r.icc.high, 2)})"
        bias = limits = ""
        if r.agreement is not None:
            bias = significant(r.agreement.bias.value)
            limits = f"{significant(r.agreement.lower.value)} to {significant(r.agreement.upper.value)}"
        sem = f"{significant(r.sem)} {r.unit if r.unit != '1' else ''}".strip()
        ends = f"{significant(r.low)} to {significant(r.high)}"
        counts = (str(r.pupils), str(r.pages), str(r.df))
        table.add_row(words.measure(key).name, *counts, sem, ends, significant(r.sdc), icc, bias, limits)
    console.print(table)
    console.print(
        "SEM: standard error of measurement of one page; SDC: smallest detectable change, 1.96 sqrt(2) SEM;"
        " ICC(1,1): one way, absolute agreement, one page; bias and 95 % limits of agreement: first page less second."
    )
    if max(r.df for r in found.values()) < 10:
        console.print("Fewer than 10 degrees of freedom: comparisons show intervals side by side and claim nothing.")
