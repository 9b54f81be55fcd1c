"""How much of the writing other people can read."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from handwriting.commands.files import text_of
from handwriting.commands.store import read_record
from handwriting.errors import UsageError

if TYPE_CHECKING:
    from handwriting.legibility.score import ReaderScore, Together


def reading_sheet(
    record: Annotated[Path, typer.Argument(help="The record.json of the page.", show_default=False)],
    page: Annotated[
        list[Path],
        typer.Option(help="The scan or photo the record was made from; each of several.", show_default=False),
    ],
    out: Annotated[Path, typer.Option(help="Folder for the sheet, the table of answers and the key.")] = Path(
        "reading"
    ),
    seed: Annotated[int, typer.Option(min=0, help="The same seed shuffles the words alike.")] = 1,
    most: Annotated[int | None, typer.Option(min=5, help="At most so many words.")] = None,
    machine: Annotated[
        bool, typer.Option("--machine", help="Also write what the program tesseract reads, as a machine's answers.")
    ] = False,
) -> None:
    """Make a page of word pictures in shuffled order, without the text, for adults to read."""
    import csv
    import io

    from handwriting.corrections.again import measure_again
    from handwriting.corrections.apply import correct
    from handwriting.corrections.model import Correction
    from handwriting.legibility.machine import machine_answers
    from handwriting.legibility.pictures import shuffled, word_pictures
    from handwriting.legibility.sheet import answers_table
    from handwriting.legibility.sheet import reading_sheet as sheet_of
    from handwriting.page import read_page
    from handwriting.report.write import write_files

    before = read_record(record)
    key = shuffled(before, seed, most)
    result = measure_again(before, [read_page(file, before.page.number) for file in page])
    result = correct(result, [Correction.from_dict(c) for c in before.corrections])
    pictures = word_pictures(result.found, key)
    files = {
        "reading-sheet.html": sheet_of(key, pictures, before.scale.mm_per_px).encode("utf-8"),
        "reading-answers.csv": answers_table(key).encode("utf-8-sig"),
        "reading-key.json": key.to_json().encode("utf-8"),
    }
    if machine:
        table = io.StringIO()
        csv.writer(table).writerows([("item", "answer"), *machine_answers(key, pictures).items()])
        files["reading-answers-machine.csv"] = table.getvalue().encode("utf-8-sig")
    write_files(out, files)
    typer.echo(
        f"{len(key.items)} words in {out / 'reading-sheet.html'}. Give each reader the sheet and a copy of "
        "reading-answers.csv; keep reading-key.json to yourself."
    )


def reading_score(
    key: Annotated[Path, typer.Argument(help="The reading-key.json made with the sheet.", show_default=False)],
    answers: Annotated[list[Path], typer.Argument(help="Table of answers of each reader.", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="Print the scores as JSON.")] = False,
) -> None:
    """Say what share of words and letters each reader could read, and how far readers agree."""
    from dataclasses import asdict

    from handwriting.legibility.pictures import read_key
    from handwriting.legibility.score import read_answers, score, together

    names = [path.stem.removeprefix("reading-answers-") for path in answers]
    if len(set(names)) < len(names):
        raise UsageError(
            "two tables have the same name", fix="Name each table after its reader: reading-answers-RH.csv"
        )
    held = read_key(text_of(key), where=str(key))
    given = {
        name: read_answers(text_of(path), held, where=str(path)) for name, path in zip(names, answers, strict=True)
    }
    scores = [score(name, said, held, machine=name == "machine") for name, said in given.items()]
    pairs = together(given, held)
    if as_json:
        found = {"readers": [asdict(s) for s in scores], "agreement": [asdict(p) for p in pairs]}
        typer.echo(json.dumps(found, ensure_ascii=False, indent=1))
        return
    _show(scores, pairs, len(held.items))


def _show(scores: list[ReaderScore], pairs: tuple[Together, ...], count: int) -> None:
    from rich.console import Console
    from rich.table import Table

    from handwriting.quantity import Measured

    console = Console()
    table = Table("reader", "words read", "likely", "letters read", "likely", "ticked", box=None)
    for s in scores:
        name = "a machine" if s.machine else s.reader
        table.add_row(
            name,
            f"{s.words.value:.0f} %",
            f"{s.words.low:.0f} to {s.words.high:.0f} %",
            f"{s.letters.value:.0f} %",
            f"{s.letters.low:.0f} to {s.letters.high:.0f} %",
            str(s.ticked),
        )
    console.print(table)
    if pairs:
        agreement = Table("readers", "agree on", "likely", "kappa", "likely", box=None)
        for p in pairs:
            chance = (
                (f"{p.kappa.value:.2f}", f"{p.kappa.low:.2f} to {p.kappa.high:.2f}")
                if isinstance(p.kappa, Measured)
                else ("-", p.kappa.why)
            )
            agree = (f"{p.agree.value:.0f} %", f"{p.agree.low:.0f} to {p.agree.high:.0f} %")
            agreement.add_row(f"{p.first} and {p.second}", *agree, *chance)
        console.print(agreement)
    typer.echo(
        f"Of {count} words shown one by one, out of their sentence. What is read depends on the reader; these are "
        "observations for a qualified person to weigh, and no diagnosis."
    )
