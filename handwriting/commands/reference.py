"""What the tool holds and refers to: published figures, the record's schema, phantoms of known geometry."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from handwriting.errors import UsageError


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
        told = (
            ("", source.citation),
            ("", source.context),
            ("People", f"{source.people}; {source.ages}"),
            ("Text", source.text),
            ("Hand", source.script),
            ("Counting", source.counting_rule),
            ("Kind", f"{source.kind}; {source.statistic}"),
            ("Obtained", f"{source.obtained}; {source.place}"),
            ("Checked by", source.checked_by),
            ("Compare with", source.compare_with),
            *(("Note", caution) for caution in (*source.cautions, source.pooled_caution) if caution),
            ("Licence", source.licence),
        )
        console.print(Text("\n".join(f"{name}: {what}" if name else what for name, what in told)))
        noted = any(row.note for row in source.rows)
        table = Table("band", "who", "n", "letters/min", "SD", *(["note"] if noted else []), box=None)
        for row in source.rows:
            band = f"{row.band_kind} {row.band_low}" + (f"-{row.band_high}" if row.band_high != row.band_low else "")
            figures = (f"{row.mean:g}", "" if row.sd is None else f"{row.sd:g}")
            table.add_row(band, row.sex, str(row.n or ""), *figures, *([row.note] if noted else []))
        console.print(table)
        return
    table = Table(box=None)
    table.add_column("source", no_wrap=True)
    for column in ("what", "kind", "obtained"):
        table.add_column(column, overflow="fold")
    for source in sources:
        table.add_row(source.id, source.context, source.kind, source.obtained)
    console.print(table)


def phantom(
    out: Annotated[Path, typer.Option(help="PNG to write; its truth goes beside it as JSON.")] = Path("phantom.png"),
    seed: Annotated[int, typer.Option(min=0, help="The same seed draws the same page.")] = 1,
    writer: Annotated[str | None, typer.Option(help="A ready-made hand instead of a random one.")] = None,
    dpi: Annotated[float | None, typer.Option(min=100, max=600, help="Resolution, instead of a random one.")] = None,
) -> None:
    """Draw a page of exactly known geometry, with its truth."""
    from dataclasses import replace

    from handwriting.encoding import png
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
    truth = out.with_suffix(".json").name
    write_files(out.parent, {out.name: png(page.image), truth: page.truth.to_json().encode()})
    typer.echo(f"Drawn: {out} ({capture.dpi:g} dots to the inch), truth in {out.with_suffix('.json')}")


def schema() -> None:
    """Print the JSON Schema that every record follows."""
    from handwriting.record import schema as record_schema

    typer.echo(json.dumps(record_schema(), ensure_ascii=False, indent=1))
