"""The command line: parse, call, print, exit code. Everything else is the library's.

Exit codes: 0 done; 2 a wrong option; 11 not readable; 12 damaged; 13 too large; 14 password; 15 decoder failed;
20 no writing found; 21 not the text given; 22 copying sheet not readable; 30 result not written; 31 record not valid;
40 a needed program is missing; 130 stopped by the user.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from handwriting.errors import HandwritingError, OutputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from handwriting.record import Record

app = typer.Typer(
    name="handwriting",
    help="Measure handwriting on paper. The numbers are for a qualified person to interpret; they are no diagnosis.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; every deliberate error becomes one sentence and its exit code."""
    try:
        app(args=None if arguments is None else list(arguments), standalone_mode=True)
    except HandwritingError as error:
        typer.echo(f"handwriting: {error}", err=True)
        raise SystemExit(error.exit_code) from None
    except MemoryError:
        typer.echo(
            "handwriting: the computer ran out of memory. Close other programs, or scan at 300 dots to the inch.",
            err=True,
        )
        raise SystemExit(15) from None
    except SystemExit as end:
        # Typer turns Ctrl-C into this code without a word.
        if end.code == 130:
            typer.echo("handwriting: stopped.", err=True)
        raise


@app.command()
def measure(
    page: Annotated[Path, typer.Argument(help="Scan or photo: PNG, JPEG, TIFF, PDF, BMP or WebP.", show_default=False)],
    text: Annotated[
        str | None, typer.Option(help="The text to be copied: a text file, or the words themselves.")
    ] = None,
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
    dpi: Annotated[float | None, typer.Option(help="Resolution of the scan, dots to the inch.")] = None,
    rule_mm: Annotated[float | None, typer.Option(help="Distance from one writing line to the next, mm.")] = None,
    bar_mm: Annotated[float | None, typer.Option(help="What a ruler shows for a copying sheet's 100 mm bar.")] = None,
    tolerance_mm: Annotated[
        float, typer.Option(min=0.05, max=5.0, help="Half-width of the band that counts as on the line.")
    ] = 0.5,
    page_number: Annotated[int, typer.Option("--page", min=1, help="Which page of a TIFF or PDF.")] = 1,
    max_pixels: Annotated[int, typer.Option(min=1, help="Largest page taken, in pixels.")] = 100_000_000,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("out"),
    labels: Annotated[
        bool, typer.Option("--labels", help="Also write lines.png and words.png, 16-bit maps of line and word numbers.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the record as JSON instead of the table.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing.")] = False,
) -> None:
    """Measure one page: record, report, table and overlay."""
    from handwriting.calibration import Given
    from handwriting.page import Limits, read_page
    from handwriting.pipeline import Options, measure_page
    from handwriting.report.write import write_report
    from handwriting.task import read_task

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
    )
    options = Options(Given(dpi, rule_mm), bar_mm, tolerance_mm)
    with _working(quiet or as_json, f"Measuring {page.name} ..."):
        read = read_page(page, page_number, Limits(max_pixels=max_pixels))
        result = measure_page(read, asked, options)
        extra = {f"{name}.png": _png16(image) for name, image in result.label_maps().items()} if labels else {}
        written = write_report(result.record, result.picture, out, extra=extra)
    if as_json:
        typer.echo(written["record.json"].read_text("utf-8"), nl=False)
    elif not quiet:
        _show(result.record, out)
        if read.count > 1:
            typer.echo(f"The file has {read.count} pages; page {page_number} was measured. Choose another with --page.")


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


def _show(record: Record, out: Path) -> None:
    from rich.console import Console

    from handwriting.report.terminal import print_table

    print_table(record, Console())
    typer.echo(f"Report: {out / 'report.html'}")


def _png16(image: Any) -> bytes:  # noqa: ANN401 - a label map
    import cv2

    ok, data = cv2.imencode(".png", image)
    if not ok:
        raise OutputError("a label map could not be encoded", fix="Measure without --labels")
    return bytes(data)


@app.command()
def figures(
    name: Annotated[str | None, typer.Argument(help="Show the whole card of this source.")] = None,
    memory: Annotated[bool, typer.Option("--memory", help="Also list figures recalled and not read.")] = False,
) -> None:
    """List the published speeds held, or show one source's card."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from handwriting.sources import all_sources

    sources = [s for s in all_sources() if memory or s.obtained != "memory" or s.id == name]
    console = Console()
    if name is not None:
        chosen = [s for s in sources if s.id == name]
        if not chosen:
            known = ", ".join(s.id for s in sources)
            raise UsageError(f"no source is called {name!r}", fix=f"Choose one of: {known}")
        source = chosen[0]
        console.print(
            Text(
                f"{source.citation}\n{source.context}\nCounting: {source.counting_rule}\n"
                f"Kind: {source.kind}; read from: {source.obtained}; compare with: {source.compare_with}"
            )
        )
        for caution in source.cautions:
            console.print(Text(f"Note: {caution}"))
        table = Table("band", "who", "n", "letters/min", "SD", box=None)
        for row in source.rows:
            band = f"{row.band_kind} {row.band_low}" + (f"-{row.band_high}" if row.band_high != row.band_low else "")
            table.add_row(band, row.sex, str(row.n or ""), f"{row.mean:g}", "" if row.sd is None else f"{row.sd:g}")
        console.print(table)
        return
    table = Table("source", "what", "kind", "obtained", box=None)
    for source in sources:
        table.add_row(source.id, source.context, source.kind, source.obtained)
    console.print(table)


@app.command()
def phantom(
    out: Annotated[Path, typer.Option(help="PNG to write; its truth goes beside it as JSON.")] = Path("phantom.png"),
    seed: Annotated[int, typer.Option(min=0, help="The same seed draws the same page.")] = 1,
    writer: Annotated[str | None, typer.Option(help="A ready-made hand instead of a random one.")] = None,
    dpi: Annotated[float | None, typer.Option(min=100, max=600, help="Resolution, instead of a random one.")] = None,
) -> None:
    """Draw a page of exactly known geometry, with its truth."""
    from dataclasses import replace

    import cv2

    from handwriting.phantoms import WRITERS, draw, random_page
    from handwriting.report.write import write_files

    text, hand, paper, capture = random_page(seed)
    if writer is not None:
        if writer not in WRITERS:
            raise UsageError(f"no hand is called {writer!r}", fix=f"Choose one of: {', '.join(WRITERS)}")
        hand = WRITERS[writer]
    if dpi is not None:
        capture = replace(capture, dpi=dpi)
    page = draw(text, hand, paper, capture, seed)
    image = page.image if page.image.ndim == 2 else cv2.cvtColor(page.image, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".png", image)
    truth = out.with_suffix(".json").name
    write_files(out.parent, {out.name: bytes(data), truth: page.truth.to_json().encode()})
    typer.echo(f"Drawn: {out} ({capture.dpi:g} dots to the inch), truth in {truth}")


@app.command()
def passages() -> None:
    """List the passages that come with the tool, with their letter counts."""
    from rich.console import Console
    from rich.table import Table

    from handwriting.sheet.passages import list_passages

    table = Table("name", "title", "words", "letters", "letters a word", box=None)
    for passage in list_passages():
        table.add_row(
            passage.name,
            passage.title,
            str(len(passage.words)),
            str(passage.letters),
            f"{passage.letters_per_word:.1f}",
        )
    Console().print(table)


@app.command()
def sheet(
    passage: Annotated[str | None, typer.Option(help="One of the passages that come with the tool.")] = None,
    text: Annotated[str | None, typer.Option(help="A text of your own: a text file, or the words themselves.")] = None,
    title: Annotated[str, typer.Option(help="Title of your own text.")] = "Copy this text",
    rule: Annotated[str, typer.Option(help="Ruling: a pitch such as 8mm, a listed name, or blank.")] = "8mm",
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    left_hand: Annotated[
        bool, typer.Option("--left-hand", help="Lay the sheet out so that a left hand does not cover the passage.")
    ] = False,
    board: Annotated[bool, typer.Option("--board", help="Print the passage large on a page of its own.")] = False,
    pages: Annotated[int | None, typer.Option(min=1, max=20, help="Writing pages.")] = None,
    language: Annotated[str, typer.Option(help="Two-letter code of the text's language.")] = "en",
    out: Annotated[Path, typer.Option(help="PDF to write.")] = Path("sheet.pdf"),
) -> None:
    """Print a copying sheet that makes any scanner or phone a measuring instrument."""
    from handwriting.report.write import write_files
    from handwriting.sheet.drawing import make_sheet
    from handwriting.sheet.passages import Passage, find_passage
    from handwriting.sheet.rulings import find_ruling
    from handwriting.task import read_text

    if (passage is None) == (text is None):
        raise UsageError("a sheet needs either --passage or --text", fix="List the passages with: handwriting passages")
    if paper not in ("a4", "letter"):
        raise UsageError(f"--paper {paper!r} is not known", fix="Use a4 or letter")
    chosen = find_passage(passage) if passage is not None else Passage("own", title, read_text(text or ""))
    pdf = make_sheet(
        chosen,
        find_ruling(rule),
        paper="a4" if paper == "a4" else "letter",
        hand="left" if left_hand else "right",
        placement="board" if board else "above",
        pages=pages,
        language=language,
    )
    write_files(out.parent, {out.name: pdf})
    typer.echo(
        f"Written: {out}. Print it at full size ('100 %', not 'fit to page') and check the 100 mm bar with a ruler."
    )


@app.command()
def schema() -> None:
    """Print the JSON Schema that every record follows."""
    from handwriting.record import schema as record_schema

    typer.echo(json.dumps(record_schema(), ensure_ascii=False, indent=1))


if __name__ == "__main__":
    main()
