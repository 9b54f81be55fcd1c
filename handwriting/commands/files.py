"""Reading the small text files that commands are given."""

from __future__ import annotations

from pathlib import Path

from handwriting.errors import FileNotReadableError


def text_of(path: Path) -> str:
    """Return the text of a file, UTF-8, with or without the mark at its start."""
    try:
        return path.read_text("utf-8-sig")
    except OSError as error:
        raise FileNotReadableError(
            f"cannot read it ({error.strerror})", where=str(path), fix="Check the name and the folder"
        ) from None
    except UnicodeDecodeError:
        raise FileNotReadableError(
            "it is not a text file", where=str(path), fix="Save it as plain text, UTF-8"
        ) from None
