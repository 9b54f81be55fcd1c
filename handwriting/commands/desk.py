"""The desk in the browser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from handwriting.commands.store import Where, ask


def desk(
    store: Where = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port on this computer; 0 takes a free one.")] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the browser, or only print the link.")
    ] = True,
    watch: Annotated[
        Path | None, typer.Option(help="A scanner's folder: what is put there while the desk is open is taken in.")
    ] = None,
    log: Annotated[bool, typer.Option("--log", help="Print a line per request: no names, texts or files.")] = False,
) -> None:
    """Open the desk: measuring, putting right, reports and records in the browser, on this computer only."""
    import logging
    import webbrowser

    from handwriting.desk.run import open_desk

    if log:
        handler = logging.StreamHandler()
        handler.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
        logging.getLogger("handwriting.desk").addHandler(handler)
        logging.getLogger("handwriting.desk").setLevel(logging.INFO)

    def opened(link: str) -> None:
        if browser and webbrowser.open(link):
            typer.echo("The desk is open in your browser. Close it there, or with Ctrl-C here.")
        else:
            typer.echo(f"Open this link once, in the browser of this computer:\n{link}")

    open_desk(store, port, opened, watched=watch, passphrase=ask())
