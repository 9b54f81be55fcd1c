"""Agreement with raters, and a study's quality."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from handwriting.errors import ManifestError


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

    try:
        found = compare(read_tool(tool), read_raters(raters), ratings=tuple(ratings or ()))
    except ManifestError as error:
        for fault in error.faults:
            typer.echo(str(fault), err=True)
        raise
    written = write_agreement(found, out)
    typer.echo(f"{len(found)} measures compared: {written['agreement.html']}")
