"""Every deliberate error: what happened, where, how to mend it, and the exit code it ends with.

Trouble in the data (a smudged line, too few words) is never an error: it is a flag on the record (`flags.py`).
Exit codes are stable between releases; 1 is left to Python itself, 2 to the command line's own usage errors.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from pathlib import Path


class HandwritingError(Exception):
    """What went wrong, in one sentence a busy person can act on.

    Parameters
    ----------
    what : str
        What happened, without a full stop.
    where : str
        The file, page, row or field it happened in; empty when there is none.
    fix : str
        What the person can do about it.
    """

    exit_code: ClassVar[int] = 10

    def __init__(self, what: str, *, where: str = "", fix: str = "") -> None:
        super().__init__(what)
        self.what, self.where, self.fix = what, where, fix

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle with keyword arguments, so that an error survives the trip from a worker process."""
        return _rebuild, (type(self), self.what, self.where, self.fix)

    def __str__(self) -> str:
        """One sentence: where, what, fix."""
        head = f"{self.where}: {self.what}" if self.where else self.what
        told = f"{head}. {self.fix}" if self.fix else head
        return told if told.endswith((".", "!", "?")) else f"{told}."


def _rebuild(cls: type[HandwritingError], what: str, where: str, fix: str) -> HandwritingError:
    return cls(what, where=where, fix=fix)


class UsageError(HandwritingError):
    """An option or value the command cannot work with."""

    exit_code = 2


class FileNotReadableError(HandwritingError):
    """The file is missing, empty, not permitted, or not a kind this tool reads."""

    exit_code = 11


class DamagedFileError(HandwritingError):
    """The file is of a known kind but broken or cut short."""

    exit_code = 12


class TooLargeError(HandwritingError):
    """The page has more pixels, pages or bytes than the stated limit."""

    exit_code = 13


class LockedFileError(HandwritingError):
    """The document is protected by a password."""

    exit_code = 14


class DecodeFailedError(HandwritingError):
    """The decoder died, hung or ran out of memory in its own process."""

    exit_code = 15


class NoWritingError(HandwritingError):
    """No handwriting was found on the page (blank, all black, or a picture of something else)."""

    exit_code = 20


class TextMismatchError(HandwritingError):
    """The text given is not what is written on the page."""

    exit_code = 21


class SheetError(HandwritingError):
    """A copying sheet of ours is on the page but cannot be read back safely."""

    exit_code = 22


class OutputError(HandwritingError):
    """The result could not be written (folder not writable, disk full)."""

    exit_code = 30


class RecordError(HandwritingError):
    """A record file does not follow the schema or comes from a newer version."""

    exit_code = 31


class StoreError(HandwritingError):
    """The store of records is of another kind, of a newer version, or in use by another program."""

    exit_code = 32


class ManifestError(HandwritingError):
    """A manifest or a table of ratings has faults, each with row and column.

    `faults` are all of them, or the first of `count` when there are too many to hold; `listed` is then the file that
    holds all, None when it could not be written.
    """

    exit_code = 33

    def __init__(
        self,
        faults: tuple[tuple[int, str, str, str], ...],
        *,
        where: str = "",
        count: int | None = None,
        listed: Path | None = None,
    ) -> None:
        self.count = len(faults) if count is None else count
        number = "one fault" if self.count == 1 else f"{self.count} faults"
        super().__init__(f"the table has {number}", where=where, fix="Mend it and start again")
        self.faults, self.listed = faults, listed

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle with the faults."""
        return _rebuild_manifest, (self.faults, self.where, self.count, self.listed)


def _rebuild_manifest(
    faults: tuple[tuple[int, str, str, str], ...], where: str, count: int, listed: Path | None
) -> ManifestError:
    return ManifestError(faults, where=where, count=count, listed=listed)


class StudyError(HandwritingError):
    """A study's folder is in use, holds another study, is not finished, or is not whole."""

    exit_code = 34


class ProgramFaultError(HandwritingError):
    """Something went wrong that the program does not foresee: a fault of its own."""

    exit_code = 70


class MissingProgramError(HandwritingError):
    """An optional program or extra is needed for this command and is not installed."""

    exit_code = 40
