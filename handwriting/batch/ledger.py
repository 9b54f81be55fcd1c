"""The ledger of a study: what has been done, one commit a page, in one SQLite file.

A record is stored as a file first (whole or not at all) and named in the ledger after, with its fingerprint, so that
whatever the ledger says is there. What was stored and not named is done again, to the same bytes.

The journal is a rollback journal with ``synchronous=EXTRA``: it keeps every acknowledged commit through loss of power
as write-ahead logging with FULL does, and also works on the network disks of clusters, where write-ahead logging does
not. The file is locked for as long as it is open: a second run on the same study is refused.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import handwriting
from handwriting.batch.manifest import Sample
from handwriting.batch.work import Refused, Settings
from handwriting.errors import OutputError, StudyError

NAME = "study.sqlite"
SCHEMA = 1
_APPLICATION = 0x68775354
_TABLES = """
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE outcome (
    sample TEXT PRIMARY KEY, fingerprint TEXT NOT NULL, sha256 TEXT, kind TEXT, what TEXT, fix TEXT,
    seconds REAL NOT NULL, bytes INTEGER NOT NULL
) STRICT;
"""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a sample ended: its record's sha256, or the refusal; and what it took."""

    sample: str
    fingerprint: str
    sha256: str | None
    refused: Refused | None
    seconds: float
    bytes: int


def fingerprint(sample: Sample, settings: Settings, corrections: str = "") -> str:
    """Return what a sample's outcome depends on, as one hash.

    Program, settings, what was asked, what a person put right, and the state of the file: its size and time stand for
    its content, because reading thousands of pages only to see that nothing changed takes longer than most changes do.
    """
    states = [_state(Path(settings.folder) / file) for file in sample.files]
    asked = [sample.name, sample.file, sample.page, sample.task.as_dict(), sample.dpi, sample.rule_mm, sample.bar_mm]
    how = asdict(settings) | {"folder": "", "overlays": False, "who": settings.who if corrections else ""}
    text = json.dumps([handwriting.__version__, how, asked, states, corrections], sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _state(path: Path) -> list[int]:
    try:
        found = path.stat()
    except OSError:
        return []
    return [found.st_size, found.st_mtime_ns]


class Ledger:
    """The open ledger; use `open_ledger`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def outcomes(self) -> dict[str, Outcome]:
        """Return every outcome by its sample."""
        rows = self._connection.execute(
            "SELECT sample, fingerprint, sha256, kind, what, fix, seconds, bytes FROM outcome"
        )
        return {row[0]: _outcome(row) for row in rows}

    def put(self, *outcomes: Outcome) -> None:
        """Store outcomes; they are safe when this returns."""
        with self._connection:
            self._connection.executemany(
                "INSERT OR REPLACE INTO outcome VALUES (?, ?, ?, ?, ?, ?, ?, ?)", map(_row, outcomes)
            )

    def drop(self, samples: list[str]) -> None:
        """Forget outcomes."""
        with self._connection:
            self._connection.executemany("DELETE FROM outcome WHERE sample = ?", [(s,) for s in samples])

    def about(self) -> dict[str, Any]:
        """Return what the ledger says of the study: settings, shard, how it was last left."""
        return {key: json.loads(value) for key, value in self._connection.execute("SELECT key, value FROM about")}

    def note(self, **facts: Any) -> None:  # noqa: ANN401 - whatever JSON holds
        """Store facts of the study."""
        with self._connection:
            self._connection.executemany(
                "INSERT OR REPLACE INTO about VALUES (?, ?)",
                [(key, json.dumps(value, sort_keys=True)) for key, value in facts.items()],
            )


def _row(outcome: Outcome) -> tuple[Any, ...]:
    r = outcome.refused
    said = (r.kind, r.what, r.fix) if r else (None, None, None)
    return (outcome.sample, outcome.fingerprint, outcome.sha256, *said, outcome.seconds, outcome.bytes)


def _outcome(row: tuple[Any, ...]) -> Outcome:
    sample, mark, sha256, what_kind, what, fix, seconds, size = row
    refused = None if what_kind is None else Refused(what_kind, what, fix)
    return Outcome(sample, mark, sha256, refused, seconds, size)


def exists(study: Path) -> bool:
    """Tell whether a folder holds a study."""
    return (study / NAME).is_file()


@contextmanager
def open_ledger(study: Path, *, make: bool = False) -> Iterator[Ledger]:
    """Open the ledger of a study's folder, making it when asked to.

    Raises
    ------
    StudyError
        There is none, it is in use, it is not whole, or it comes from a newer version.
    OutputError
        The folder cannot be written.
    """
    path = study / NAME
    if not make and not path.is_file():
        fix = "Name the folder that handwriting batch wrote to."
        raise StudyError("this folder holds no study", where=str(study), fix=fix)
    try:
        study.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, timeout=2.0)
    except (OSError, sqlite3.OperationalError) as error:
        fix = "Choose another folder with --out."
        raise OutputError("the study cannot be written", where=str(study), fix=fix) from error
    try:
        _prepare(connection, study)
        yield Ledger(connection)
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            fix = "Wait for the other run to end, or stop it."
            raise StudyError("another run is at work on this study", where=str(study), fix=fix) from error
        raise OutputError(f"the ledger cannot be written ({error})", where=str(study), fix="Make room.") from error
    except sqlite3.DatabaseError as error:
        fix = f"Take {NAME} away and start again with --resume."
        raise StudyError("the ledger is not whole", where=str(study), fix=fix) from error
    finally:
        connection.close()


def _prepare(connection: sqlite3.Connection, study: Path) -> None:
    for pragma in ("locking_mode=EXCLUSIVE", "journal_mode=DELETE", "synchronous=EXTRA", "secure_delete=ON"):
        connection.execute(f"PRAGMA {pragma}")
    with connection:
        connection.execute("BEGIN EXCLUSIVE")
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        if version > SCHEMA:
            raise StudyError("the study comes from a newer version", where=str(study), fix="Update the program.")
        if version and application != _APPLICATION:
            raise StudyError(f"{NAME} is not a ledger of this program", where=str(study), fix="Choose another --out.")
        if not version:
            for statement in _TABLES.split(";"):
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id={_APPLICATION}")
            connection.execute(f"PRAGMA user_version={SCHEMA}")
