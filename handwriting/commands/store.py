"""Keeping records in the store, and looking after it."""

from __future__ import annotations

import datetime as dt
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from handwriting.errors import FileNotReadableError, UsageError

if TYPE_CHECKING:
    from handwriting.record import Record
    from handwriting.report.overlay import Picture
    from handwriting.store import Store

#: Read when the store is encrypted and nobody can be asked.
PASSPHRASE = "HANDWRITING_PASSPHRASE"

Where = Annotated[
    Path | None, typer.Option("--store", help="The store's file; your own data folder without it.", show_default=False)
]
By = Annotated[str, typer.Option(help="Who does it: a role or initials, never a name.", show_default=False)]

store = typer.Typer(
    name="store",
    help="List, show, export, erase, check and back up kept records.",
    no_args_is_help=True,
)


def ask(*, twice: bool = False) -> Callable[[], str]:
    """Return what asks for the passphrase: the environment first, then the person at the terminal."""

    def answer() -> str:
        held = os.environ.get(PASSPHRASE, "")
        if held or not sys.stdin.isatty():
            return held
        return str(typer.prompt("Passphrase of the store", hide_input=True, confirmation_prompt=twice, err=True))

    return answer


def opened(place: Path | None, *, create: bool = False, encrypt: bool = False) -> Store:
    """Open the store, asking for its passphrase when it has one."""
    from handwriting.store import open_store

    return open_store(place, passphrase=ask(twice=encrypt), create=create, encrypt=encrypt)


def keep_record(
    record: Record,
    picture: Picture | None,
    *,
    place: Path | None,
    by: str,
    until: str | None,
    blank: str | None,
    rescan_of: int | None = None,
    encrypt: bool = False,
    quiet: bool = False,
) -> None:
    """Keep a record and say so, with a reminder of samples that have come to their date."""
    from handwriting.store import read_strip

    strip = None if blank is None else read_strip(blank)
    day = None if until is None else _read_until(until)
    with opened(place, create=True, encrypt=encrypt) as held:
        number = held.keep(record, picture, by=by, keep_until=day, strip=strip, rescan_of=rescan_of)
        due = held.due()
        row = next(r for r in held.rows(record.task["code"]) if r.number == number)
    if not quiet:
        typer.echo(
            f"Kept as sample {number} of {row.code}{'' if row.picture else ', without a picture'};"
            f" look at it again on {row.keep_until}."
        )
        _remind(due)


def check_keeping(*, keep: bool, place: Path | None, by: str, until: str | None, blank: str | None) -> None:
    """Refuse, before any work, what cannot be used for keeping a record or is given for one that is not kept."""
    given = {"--store": place, "--by": by, "--until": until, "--blank": blank}
    alone = [option for option, value in given.items() if value]
    if alone and not keep:
        raise UsageError(
            "this is for a record that is kept, and --keep is not given",
            where=alone[-1],
            fix="Add --keep, or leave it out; the report always shows the page as it was scanned.",
        )
    if blank is not None:
        from handwriting.store import read_strip

        read_strip(blank)
    if until is not None:
        _read_until(until)


def _read_until(given: str) -> dt.date:
    try:
        day = dt.date.fromisoformat(given.strip())
    except ValueError as error:
        fix = "Write year-month-day, for example 2027-09-01."
        raise UsageError(f"'{given}' is not a date", where="--until", fix=fix) from error
    if day < dt.datetime.now(tz=dt.UTC).date():
        raise UsageError(f"{day} has passed", where="--until", fix="Give a day to come.")
    return day


def _remind(due: int) -> None:
    if due:
        typer.echo(
            f"{due} sample{' has' if due == 1 else 's have'} come to the date to look at keeping them:"
            " handwriting store list --due"
        )


def keep(
    record: Annotated[Path, typer.Argument(help="A record.json that measure wrote.", show_default=False)],
    page: Annotated[Path | None, typer.Option(help="The scan it was measured from, to keep its picture too.")] = None,
    store: Where = None,
    by: By = "",
    until: Annotated[str | None, typer.Option(help="When to look at it again; in a year without it.")] = None,
    blank: Annotated[
        str | None,
        typer.Option(help="Strip to blank in the picture: a side and how much, such as top:25mm or top:10%."),
    ] = None,
    rescan_of: Annotated[int | None, typer.Option(help="Sample of which this is the same page, scanned again.")] = None,
    code: Annotated[str | None, typer.Option(help="Pupil code. Never a name.")] = None,
    date: Annotated[str | None, typer.Option(help="Date of writing, such as 2026-03-09.")] = None,
    term: Annotated[str | None, typer.Option(help="School term.")] = None,
    setting: Annotated[str | None, typer.Option(help="home, school, clinic, or a word of yours.")] = None,
    task: Annotated[str | None, typer.Option(help="near-copy, board-copy, memory, own-words or dictation.")] = None,
    instruction: Annotated[str | None, typer.Option(help="usual, best or fast.")] = None,
    tool: Annotated[str | None, typer.Option(help="Pen or pencil.")] = None,
    supervised: Annotated[str | None, typer.Option(help="Who sat by: a role, never a name.")] = None,
    effort: Annotated[str | None, typer.Option(help="The writer's own mark of effort, 0 to 10.")] = None,
    said: Annotated[str | None, typer.Option(help="What the writer said about it, word for word.")] = None,
    encrypt: Annotated[bool, typer.Option("--encrypt", help="Encrypt the store, when it is made now.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing.")] = False,
) -> None:
    """Keep a measured record in the store, under the pupil's code."""
    from handwriting.task import read_task

    asked = read_task(
        code=code,
        date=date,
        term=term,
        setting=setting,
        task=task,
        instruction=instruction,
        tool=tool,
        supervised=supervised,
        effort=effort,
        said=said,
    ).as_dict()
    given = ("code", "date", "term", "setting", "task", "instruction", "tool", "supervised", "effort", "said")
    held = read_record(record)
    held = replace(held, task={**held.task, **{name: asked[name] for name in given if asked[name] not in (None, "")}})
    picture = None if page is None else _picture(held, page)
    keep_record(
        held, picture, place=store, by=by, until=until, blank=blank, rescan_of=rescan_of, encrypt=encrypt, quiet=quiet
    )


def read_record(path: Path) -> Record:
    """Return the record in a file."""
    from handwriting.record import load

    try:
        text = path.read_text("utf-8")
    except OSError as error:
        raise FileNotReadableError(
            f"the record cannot be read ({error.strerror})", where=str(path), fix="Name a record.json."
        ) from error
    except UnicodeDecodeError as error:
        raise FileNotReadableError("this is not a record", where=str(path), fix="Name a record.json.") from error
    return load(text, where=str(path))


def _picture(record: Record, page: Path) -> Picture:
    """Return the upright frame of the scan a record was made from; the finding is done anew to get it."""
    from handwriting.corrections.again import measure_again
    from handwriting.page import read_page

    frame = measure_again(record, [read_page(page, record.page.number)]).picture
    if frame.shape[:2] != (record.page.frame_height_px, record.page.frame_width_px):
        raise UsageError(
            "this version of the program sees the page in another size", where=str(page), fix="Measure it again."
        )
    return frame


@store.command("list")
def list_kept(
    code: Annotated[str | None, typer.Argument(help="List the samples of this pupil.", show_default=False)] = None,
    due: Annotated[bool, typer.Option("--due", help="Only samples that have come to their date.")] = False,
    store: Where = None,
) -> None:
    """List pupils, or the samples of one."""
    from rich.console import Console
    from rich.table import Table

    today = dt.datetime.now(tz=dt.UTC).date()
    with opened(store) as held:
        waiting = held.due()
        if code is None and not due:
            table = Table("code", "samples", "first", "last", "look again", box=None)
            for pupil in held.pupils():
                table.add_row(pupil.code, str(pupil.samples), str(pupil.first), str(pupil.last), str(pupil.keep_until))
        else:
            if code is not None:
                held.samples(code)
            columns = ("sample", "code", "date", "term", "setting", "task", "asked", "tool", "picture", "look again")
            table = Table(box=None)
            for name in columns:
                table.add_column(name, no_wrap=name in ("sample", "code", "date", "look again"))
            for row in held.rows(code, due_on=today if due else None):
                again = f" (scan of {row.rescan_of})" if row.rescan_of else ""
                cells = (row.term, row.setting, row.task, row.instruction, row.tool, "yes" if row.picture else "no")
                table.add_row(f"{row.number}{again}", row.code, str(row.date), *cells, str(row.keep_until))
    Console().print(table)
    _remind(waiting)


@store.command("show")
def show_kept(number: Annotated[int, typer.Argument(help="The sample's number.")], store: Where = None) -> None:
    """Show one sample: what was asked, its measures, and who changed what."""
    from rich.console import Console

    from handwriting.report.facts import task_facts
    from handwriting.report.terminal import print_table
    from handwriting.report.words import catalogue

    with opened(store) as held:
        record = held.record(number)
        revisions, corrections = held.revisions(number), held.corrections(number)
    console = Console()
    for fact in task_facts(record, catalogue()):
        console.print(f"{fact.name}: {fact.value}", markup=False, highlight=False)
    print_table(record, console)
    for at, by, _ in revisions:
        console.print(f"kept {at}{f' by {by}' if by else ''}", markup=False, highlight=False)
    for row in corrections:
        console.print(f"corrected {row.at} by {row.by}: {dict(row.what)}", markup=False, highlight=False)


@store.command("retain")
def retain(
    code: Annotated[str, typer.Argument(help="Pupil code.")],
    until: Annotated[str, typer.Argument(help="New date to look at it again, such as 2027-09-01.")],
    store: Where = None,
    by: By = "",
) -> None:
    """Set when to look again at keeping a pupil's samples."""
    day = _read_until(until)
    with opened(store) as held:
        changed = held.retain(code, day, by=by)
    typer.echo(f"{changed} samples of {code}: look again on {day}.")


@store.command("export")
def export(
    code: Annotated[str, typer.Argument(help="Pupil code.")],
    out: Annotated[Path, typer.Option(help="Folder to write into.")] = Path("export"),
    store: Where = None,
    by: By = "",
) -> None:
    """Write all that is held of a pupil into a folder."""
    with opened(store) as held:
        written = held.export(code, out, by=by)
    typer.echo(f"Written: {len(written)} files into {out}. They are not encrypted; look after them.")


@store.command("erase")
def erase(
    code: Annotated[str, typer.Argument(help="Pupil code.")],
    sample: Annotated[int | None, typer.Option(help="Erase this sample only.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    store: Where = None,
    by: By = "",
) -> None:
    """Erase a pupil wholly: records, pictures and corrections; says what went."""
    with opened(store) as held:
        rows = [r for r in held.rows(code) if sample in (None, r.number)]
        what = f"{len(rows)} samples of {code}" if sample is None else f"sample {sample} of {code}"
        if not yes:
            if not sys.stdin.isatty():
                raise UsageError("erasing has to be confirmed", fix="Give --yes.")
            typer.confirm(f"Erase {what} for good?", abort=True)
        gone = held.erase(code, by=by, number=sample)
    typer.echo(
        f"Erased of {gone.code}: {gone.samples} samples, {gone.revisions} records, {gone.pictures} pictures,"
        f" {gone.corrections} corrections; the file is {gone.bytes} bytes smaller."
        " Backups and exports made earlier still hold them."
    )


@store.command("check")
def check(store: Where = None) -> None:
    """Look at every record, picture and link in the store."""
    from handwriting.errors import DamagedFileError

    with opened(store) as held:
        found = held.check()
        where = str(held.path)
    typer.echo(
        f"{found.pupils} pupils, {found.samples} samples, {found.revisions} records, {found.pictures} pictures:"
        f" {len(found.faults) or 'no'} fault{'' if len(found.faults) == 1 else 's'}."
    )
    for fault in found.faults:
        typer.echo(fault, err=True)
    if found.faults:
        raise DamagedFileError("the store has faults", where=where, fix="Put the last backup in its place.")


@store.command("backup")
def backup(
    out: Annotated[Path, typer.Argument(help="New file for the copy.")],
    encrypt: Annotated[bool, typer.Option("--encrypt", help="Encrypt the copy of a store that is not.")] = False,
    store: Where = None,
) -> None:
    """Write a whole copy of the store into a new file."""
    with opened(store) as held:
        held.backup(out, passphrase=ask(twice=True)() if encrypt else None)
    typer.echo(f"Written: {out}")
