"""The desk in the browser."""

from __future__ import annotations

from typing import Annotated

import typer

from handwriting.commands.store import Where, ask


def desk(
    store: Where = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port on this computer; 0 takes a free one.")] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the browser, or only print the link.")
    ] = True,
) -> None:
    """Open the desk: measuring, putting right, reports and records in the browser, on this computer only."""
    import webbrowser

    from handwriting.desk.run import open_desk

    def opened(link: str) -> None:
        if browser and webbrowser.open(link):
            typer.echo("The desk is open in your browser. Close it there, or with Ctrl-C here.")
        else:
            typer.echo(f"Open this link once, in the browser of this computer:\n{link}")

    open_desk(store, port, opened, passphrase=ask())
