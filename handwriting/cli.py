"""The command line: parse, call, print, exit code. Everything else is the library's.

Exit codes: 0 done; 2 a wrong option; 11 not readable; 12 damaged; 13 too large; 14 password; 15 decoder failed;
20 no writing found; 21 not the text given; 22 copying sheet not readable; 30 result not written; 31 record not valid;
32 store not usable; 33 manifest with faults; 34 study not usable; 40 a needed program is missing;
70 a fault of the program itself; 130 stopped by the user.
"""

from __future__ import annotations

import codecs
import io
import os
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from handwriting.commands import agree, batch, compare, correct, desk, page, reading, reference, sheets, store
from handwriting.errors import HandwritingError, ProgramFaultError

if TYPE_CHECKING:
    from collections.abc import Sequence

app = typer.Typer(
    name="handwriting",
    help="Measure handwriting on paper. The numbers are for a qualified person to interpret; they are no diagnosis.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


for _command in (
    page.measure,
    correct.correct,
    batch.batch,
    batch.merge,
    batch.cluster_files,
    agree.agree,
    agree.check_study,
    store.keep,
    reading.reading_sheet,
    reading.reading_score,
    compare.compare,
    compare.repeats,
    sheets.sheet,
    sheets.passages,
    desk.desk,
    reference.figures,
    reference.phantom,
    reference.schema,
):
    app.command()(_command)
app.add_typer(store.store)


#: Set, a fault of the program shows where it happened.
TRACE = "HANDWRITING_TRACE"

_PLAIN = {"\u2212": "-", "\u2013": "-", "\u2026": "...", "\u00b0": " deg", "\u00d7": "x", "\u2019": "'"}
_PLAIN |= dict.fromkeys("\u201c\u201d\u00ab\u00bb", '"')


def _in_plain_signs(error: UnicodeError) -> tuple[str, int]:
    """Write what the terminal's own character set lacks in signs that it has; never leave out a minus."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_PLAIN.get(sign, "?") for sign in error.object[error.start : error.end]), error.end


def _speak_any_character_set() -> None:
    """Have output to a pipe or an old terminal end in other signs, never in an error."""
    codecs.register_error("handwriting-plain", _in_plain_signs)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and codecs.lookup(stream.encoding).name != "utf-8":
            stream.reconfigure(errors="handwriting-plain")


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; every deliberate error becomes one sentence and its exit code."""
    # A page's matrices are too small to share: threads of linear algebra only spin, and double the time of finding
    # lines. Read when numpy is first imported, which commands do when they run.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _speak_any_character_set()
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
    except Exception as error:  # whoever runs it is owed a sentence, not the inside of the program
        if os.environ.get(TRACE):
            raise
        fault = _fault(error)
        typer.echo(f"handwriting: {fault}", err=True)
        raise SystemExit(fault.exit_code) from None


def _fault(error: Exception) -> ProgramFaultError:
    last = traceback.extract_tb(error.__traceback__)[-1]
    return ProgramFaultError(
        f"a fault of the program itself ended this ({type(error).__name__} in {Path(last.filename).name},"
        f" line {last.lineno})",
        fix=f"Please report this sentence and what was asked for; with {TRACE}=1 it shows all",
    )


if __name__ == "__main__":
    main()
