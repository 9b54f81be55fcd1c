"""Measuring one page."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from handwriting.commands.store import By, Where, check_keeping, keep_record
from handwriting.errors import UsageError

if TYPE_CHECKING:
    from handwriting.page import Page
    from handwriting.pipeline import Options, Result
    from handwriting.record import Record
    from handwriting.report.words import Catalogue

FROM_PAGE = "from-page"


def measure(
    page: Annotated[
        list[Path],
        typer.Argument(
            help="Scan or photo: PNG, JPEG, TIFF, PDF, BMP or WebP; all pages of a copying sheet in any order.",
            show_default=False,
        ),
    ],
    text: Annotated[
        str | None,
        typer.Option(
            help="The text to be copied: a text file, the words themselves, or from-page to read a worksheet's print. "
            "A copying sheet brings its own."
        ),
    ] = None,
    language: Annotated[str, typer.Option(help="With --text from-page: the print's language, such as eng.")] = "eng",
    yes: Annotated[
        bool,
        typer.Option("--yes", help="With --text from-page or --minute-ticks: take what was read or found, unasked."),
    ] = False,
    seconds: Annotated[str | None, typer.Option(help="Time taken, in seconds.")] = None,
    letters: Annotated[str | None, typer.Option(help="Letters written, when counted by hand.")] = None,
    reached: Annotated[
        str | None, typer.Option(help="Last word reached in the text; 'word#2' for its second place.")
    ] = None,
    age: Annotated[str | None, typer.Option(help="Age as years:months, such as 9:4.")] = None,
    grade: Annotated[str | None, typer.Option(help="School grade or year.")] = None,
    sex: Annotated[str | None, typer.Option(help="girl or boy; only picks the row of a published table.")] = None,
    code: Annotated[str | None, typer.Option(help="Pupil code. Never a name.")] = None,
    date: Annotated[str | None, typer.Option(help="Date of writing, such as 2026-03-09.")] = None,
    setting: Annotated[str | None, typer.Option(help="home, school, clinic, or a word of yours.")] = None,
    task: Annotated[str | None, typer.Option(help="near-copy, board-copy, memory, own-words or dictation.")] = None,
    instruction: Annotated[str | None, typer.Option(help="usual, best or fast.")] = None,
    paper: Annotated[str | None, typer.Option(help="Paper or ruling.")] = None,
    tool: Annotated[str | None, typer.Option(help="Pen or pencil.")] = None,
    hand: Annotated[str | None, typer.Option(help="Writing hand.")] = None,
    script: Annotated[str | None, typer.Option(help="joined, unjoined or mixed.")] = None,
    country: Annotated[str | None, typer.Option(help="Country of the school.")] = None,
    term: Annotated[str | None, typer.Option(help="School term.")] = None,
    effort: Annotated[
        str | None, typer.Option(help="How hard it was for the writer, 0 to 10, in the writer's own view.")
    ] = None,
    supervised: Annotated[str | None, typer.Option(help="Who sat by: a role, never a name.")] = None,
    said: Annotated[str | None, typer.Option(help="What the writer said about it, word for word.")] = None,
    minute: Annotated[
        str | None,
        typer.Option(help='Last word written in each minute, by its number on the page: "word 14, word 29".'),
    ] = None,
    minute_ticks: Annotated[
        str | None,
        typer.Option(
            help="Find ticks made at each minute, at the letter reached or in the margin: their colour, or any. "
            "They are shown for you to confirm."
        ),
    ] = None,
    dpi: Annotated[float | None, typer.Option(help="Resolution of the scan, dots to the inch.")] = None,
    rule_mm: Annotated[float | None, typer.Option(help="Distance from one writing line to the next, mm.")] = None,
    ruler: Annotated[
        bool, typer.Option("--ruler", help="A ruler with millimetres lies in the picture: take the scale from it.")
    ] = False,
    bar_mm: Annotated[float | None, typer.Option(help="What a ruler shows for a copying sheet's 100 mm bar.")] = None,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.05, max=5.0, help="Half-width of the band that counts as on the line.")
    ] = 0.5,
    no_reader: Annotated[
        bool, typer.Option("--no-reader", help="Lay the text against the page by gaps and outline, without reading.")
    ] = False,
    page_number: Annotated[int, typer.Option("--page", min=1, help="Which page of a TIFF or PDF.")] = 1,
    max_pixels: Annotated[int, typer.Option(min=1, help="Largest page taken, in pixels.")] = 100_000_000,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("out"),
    report_language: Annotated[str, typer.Option(help="Language of the report: en or fr.")] = "en",
    model_letters: Annotated[
        Path | None,
        typer.Option(
            help="A taught model of the letters to lay beside them in letters.html: a folder of pictures named by "
            "letter (a.png, capital-a.png), or a font file of yours. Nothing is compared with it."
        ),
    ] = None,
    labels: Annotated[
        bool, typer.Option("--labels", help="Also write lines.png and words.png, 16-bit maps of line and word numbers.")
    ] = False,
    keep: Annotated[
        bool, typer.Option("--keep", help="Also keep the record and the page's picture in the store.")
    ] = False,
    store: Where = None,
    by: By = "",
    until: Annotated[
        str | None, typer.Option(help="With --keep: when to look at the record again; in a year without it.")
    ] = None,
    blank: Annotated[
        str | None, typer.Option(help="With --keep: strip to blank in the kept picture, such as top:25mm or top:10%.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the record as JSON instead of the table.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing.")] = False,
) -> None:
    """Measure one page, or all pages of one copying sheet: record, report, table and overlay."""
    from handwriting.calibration import Given
    from handwriting.encoding import png
    from handwriting.memory import keep_freed
    from handwriting.page import Limits, read_page
    from handwriting.pipeline import Options, measure_sample, take_ticks
    from handwriting.reached import check_minutes
    from handwriting.report.models import read_models
    from handwriting.report.words import find_catalogue
    from handwriting.report.write import results_of, write_report
    from handwriting.task import read_task

    keep_freed()
    check_keeping(keep=keep, place=store, by=by, until=until, blank=blank)
    words = find_catalogue(report_language)
    ticks = "" if minute_ticks is None else _tick_colour(minute_ticks, minute)
    options = Options(Given(dpi, rule_mm, ruler), bar_mm, tolerance_mm, read=not no_reader, ticks=ticks)
    models = None if model_letters is None else read_models(model_letters)
    silent = quiet or as_json
    with _working(silent, f"Reading {_named(page)} ..."):
        pages = [read_page(file, page_number, Limits(max_pixels=max_pixels)) for file in page]
    if text == FROM_PAGE:
        text, options = _from_page(pages, options, language, yes=yes)
    elif text is None and reached is not None:
        text = _from_sheet(pages[0], options)
    asked = read_task(
        text=text,
        seconds=seconds,
        letters=letters,
        reached=reached,
        age=age,
        grade=grade,
        sex=sex,
        code=code,
        date=date,
        setting=setting,
        task=task,
        instruction=instruction,
        paper=paper,
        tool=tool,
        hand=hand,
        script=script,
        country=country,
        term=term,
        effort=effort,
        supervised=supervised,
        said=said,
        minutes=minute,
    )
    if keep and not (asked.code and asked.date):
        raise UsageError("a record is kept under a pupil code and a date", fix="Give --code and --date.")
    with _working(silent, f"Measuring {_named(page)} ..."):
        result = measure_sample(pages, asked, options)
    if bar_mm is not None and not result.found.frame.sheets:
        raise UsageError(
            "--bar-mm was given, but no copying sheet was found",
            where=pages[0].name,
            fix="Keep the sheet's square marks in view, or leave --bar-mm out",
        )
    check_minutes(asked.minutes, asked.seconds, len(result.found.words.words), pages[0].name)
    if ticks and _confirmed_ticks(result, yes=yes):
        result = take_ticks(result)
    earlier = results_of(out)
    with _working(silent, f"Writing {out} ..."):
        extra = {f"{name}.png": png(image) for name, image in result.label_maps().items()} if labels else {}
        written = write_report(result.record, result.picture, out, extra=extra, words=words, models=models)
    if not quiet and earlier is not None and earlier.sha256 != result.record.page.sha256:
        typer.echo(f"The results of {earlier.name} in {out} were replaced. Give each page its own --out.", err=True)
    if keep:
        keep_record(result.record, result.picture, place=store, by=by, until=until, blank=blank, quiet=silent)
    if as_json:
        typer.echo(written["record.json"].read_bytes(), nl=False)  # UTF-8, whatever the terminal's character set
    elif not quiet:
        _show(result.record, out, words)
        count = pages[0].count
        if count > 1:
            typer.echo(f"The file has {count} pages; page {page_number} was measured. Choose another with --page.")


def _named(files: list[Path]) -> str:
    return files[0].name if len(files) == 1 else f"{len(files)} pages"


def _from_page(pages: list[Page], options: Options, language: str, *, yes: bool) -> tuple[str, Options]:
    """Read the worksheet's own print, show it, and return it with where it stands, once a person agrees."""
    from dataclasses import replace

    from handwriting.pipeline import upright_frame
    from handwriting.sheet.printed_text import read_printed_text

    if len(pages) > 1:
        raise UsageError(
            "the print of one page at a time can be read", where=f"--text {FROM_PAGE}", fix="Give the text with --text"
        )
    frame = upright_frame(pages[0], options)
    printed = read_printed_text(frame.grey, frame.px_per_mm * 25.4, language=language, where=pages[0].name)
    typer.echo(f"The print on the page reads ({printed.confidence:.0f} of 100 sure):\n\n  {printed.text}\n", err=True)
    if not yes:
        if not sys.stdin.isatty():
            raise UsageError(
                "the text read from the page has to be confirmed",
                where=f"--text {FROM_PAGE}",
                fix="Check it and add --yes, or give the text itself with --text",
            )
        if not typer.confirm("Is that the text that was to be copied?", default=True, err=True):
            raise UsageError("the text was not confirmed", where=f"--text {FROM_PAGE}", fix="Give it with --text FILE")
    return printed.text, replace(options, print_box=printed.box)


def _tick_colour(given: str, minute: str | None) -> str:
    from handwriting.ticks import ANY, COLOURS
    from handwriting.typed import read_choice

    if minute is not None:
        raise UsageError(
            "the places reached are given twice",
            where="--minute-ticks",
            fix="Leave out --minute to have the ticks on the page looked for",
        )
    return read_choice(given, "--minute-ticks", (ANY, *COLOURS))


def _confirmed_ticks(result: Result, *, yes: bool) -> bool:
    """Show the places that the ticks tell, and return whether a person takes them; unasked nobody does."""
    places = result.found.reached()
    typer.echo(f"{len(places)} {result.found.ticks[0].colour} ticks were found:", err=True)
    for place in places:
        word = f"word {place.word}" + (f" '{place.text}'" if place.text else "")
        where = f" (in the margin of line {place.line}: the middle of the line is taken)" if place.in_margin else ""
        letter = f", letter {place.letters or 'last'} '{place.letter}'" if place.letter else ""
        typer.echo(f"  minute {place.minute}: line {place.line}, {word}{letter}{where}", err=True)
    if yes:
        return True
    if not sys.stdin.isatty():
        typer.echo("They are not used: check them on the page and add --yes, or give --minute.", err=True)
        return False
    return typer.confirm("Are these the places reached at the end of each minute?", default=True, err=True)


def _from_sheet(page: Page, options: Options) -> str | None:
    """Return the passage of a copying sheet, None where the page is none."""
    from handwriting.sheet.reading import read_sheet

    sheet = read_sheet(page.grey, bar_mm=options.bar_mm, where=page.name)
    return None if sheet is None else sheet.text


class _working:  # noqa: N801 - used like a function
    """A spinner on a terminal while the page is measured, and nothing elsewhere."""

    def __init__(self, silent: bool, message: str) -> None:
        self._status: Any = None
        if not silent and sys.stderr.isatty():
            from rich.console import Console

            self._status = Console(stderr=True).status(message)

    def __enter__(self) -> None:
        if self._status is not None:
            self._status.start()

    def __exit__(self, *_: object) -> None:
        if self._status is not None:
            self._status.stop()


def _show(record: Record, out: Path, words: Catalogue) -> None:
    from rich.console import Console

    from handwriting.report.terminal import print_table

    print_table(record, Console(), words=words)
    typer.echo(f"Report: {out / 'report.html'}")
