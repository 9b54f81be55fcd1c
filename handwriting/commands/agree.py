"""Agreement with raters, and a study's quality."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from handwriting.commands.batch import listing_of, tell
from handwriting.errors import ManifestError

if TYPE_CHECKING:
    from handwriting.agreement.read import Readings


def agree(
    tool: Annotated[Path, typer.Argument(help="samples.csv or measures.csv of a study.", show_default=False)],
    raters: Annotated[
        Path, typer.Argument(help="Raters' readings: sample, rater, measure, value.", show_default=False)
    ],
    ratings: Annotated[
        list[str] | None, typer.Option(help="A measure that is a rating on an ordinal scale; may be repeated.")
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("agreement"),
) -> None:
    """Compare the tool with human raters: ICC, SEM, SDC, limits of agreement, kappa, and the form to report it."""
    from handwriting.agreement.compare import compare
    from handwriting.agreement.read import read_raters, read_tool
    from handwriting.agreement.write import write_agreement
    from handwriting.batch.methods import counted

    tables = _read(tool, read_tool), _read(raters, read_raters)
    found = compare(*tables, ratings=tuple(ratings or ()))
    written = write_agreement(found, out)
    typer.echo(f"{counted(len(found), 'measure')} compared: {written['agreement.html']}")


def _read(path: Path, read: Callable[..., Readings]) -> Readings:
    listing = listing_of(path)
    try:
        return read(path, listing=listing)
    except ManifestError as error:
        tell(error, listing)
        raise


def check_study(
    study: Annotated[Path, typer.Argument(help="Folder of a study that has been run.", show_default=False)],
    order: Annotated[str | None, typer.Option(help="Column of the manifest that gives the order of scanning.")] = None,
) -> None:
    """Look a study over: duplicates, mixed rulings and texts, dates, pages far from the others, scanner, drift."""
    import csv
    import io

    from handwriting.batch.checks import Finding
    from handwriting.batch.checks import check_study as look_over
    from handwriting.batch.methods import counted
    from handwriting.report.table import safe
    from handwriting.report.write import write_files

    found = look_over(study, order=order)
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(Finding._fields)
    table.writerows([safe(cell) for cell in finding] for finding in found)
    write_files(study, {"checks.csv": text.getvalue().encode("utf-8")})
    for finding in found:
        typer.echo(
            f"{finding.kind}: {finding.samples + ': ' if finding.samples else ''}{finding.what}. {finding.advice}"
        )
    typer.echo(
        f"{counted(len(found), 'thing')} to look at; all are listed in {study / 'checks.csv'}"
        if found
        else "Nothing to look at."
    )
