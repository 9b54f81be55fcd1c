"""Copying sheets and their passages."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from handwriting.errors import UsageError


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
    from handwriting.sheet.layout import Paper
    from handwriting.sheet.passages import Passage, find_passage
    from handwriting.sheet.rulings import find_ruling
    from handwriting.task import read_text
    from handwriting.typed import read_choice

    if passage is None and text is None:
        raise UsageError("a sheet needs --passage or --text", fix="List the passages with: handwriting passages")
    if passage is not None and text is not None:
        raise UsageError("--passage and --text both set what is to be copied", fix="Give one of them")
    papers: tuple[Paper, ...] = ("a4", "letter")
    size = papers[papers.index(read_choice(paper, "--paper", papers))]
    chosen = find_passage(passage) if passage is not None else Passage("own", title, read_text(text or ""))
    pdf = make_sheet(
        chosen,
        find_ruling(rule),
        paper=size,
        hand="left" if left_hand else "right",
        placement="board" if board else "above",
        pages=pages,
        language=language,
    )
    write_files(out.parent, {out.name: pdf})
    typer.echo(
        f"Written: {out}. Print it at full size ('100 %', not 'fit to page') and check the 100 mm bar with a ruler."
    )
