"""Opening a store: the file, its passphrase, its version, and SQLite's complaints as one sentence each.

A rollback journal with ``synchronous=EXTRA`` loses nothing that was acknowledged, even when the power goes, and works
on network shares, where the other journal (WAL) does not. ``secure_delete`` overwrites what is erased.
Encryption is SQLCipher's (extra ``encrypted``), with its own key derivation from the passphrase.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import platformdirs

from handwriting.errors import (
    DamagedFileError,
    FileNotReadableError,
    HandwritingError,
    LockedFileError,
    MissingProgramError,
    OutputError,
    StoreError,
    UsageError,
)
from handwriting.store import schema

PASSPHRASE_LEAST = 12
_PLAIN = b"SQLite format 3\0"
BUSY_MS = 5000
_SETTINGS = (
    "PRAGMA trusted_schema = OFF",
    "PRAGMA foreign_keys = ON",
    "PRAGMA secure_delete = ON",
    "PRAGMA temp_store = MEMORY",
    "PRAGMA synchronous = EXTRA",
)

Ask = Callable[[], str]


def default_path() -> Path:
    """Return where the store lies when no other place is named: the user's own data folder."""
    return Path(platformdirs.user_data_dir("handwriting", appauthor=False)) / "store.sqlite"


def driver(encrypted: bool) -> ModuleType:
    """Return the module that opens the file."""
    if not encrypted:
        return sqlite3
    try:
        from sqlcipher3 import dbapi2
    except ImportError as error:
        raise MissingProgramError(
            "this store is encrypted, and what opens it is not installed",
            fix="Install the extra: pip install 'handwriting[encrypted]'.",
        ) from error
    found: ModuleType = dbapi2
    return found


def is_encrypted(path: Path) -> bool:
    """Tell whether an existing store file is encrypted, or at least no plain SQLite file.

    Raises
    ------
    FileNotReadableError
        The file cannot be read.
    """
    try:
        with path.open("rb") as file:
            head = file.read(16)
    except OSError as error:
        raise FileNotReadableError(
            f"the store cannot be read ({error.strerror})", where=str(path), fix="Check the name and your rights."
        ) from error
    return bool(head) and head != _PLAIN


@contextmanager
def complaints(path: Path) -> Iterator[None]:
    """Turn what the database says into one sentence of ours."""
    try:
        yield
    except database_errors() as error:
        raise _sentence(error, path) from error


@cache
def database_errors() -> tuple[type[Exception], ...]:
    """Return what the database raises; the two drivers have a family of exceptions each."""
    try:
        from sqlcipher3 import dbapi2
    except ImportError:
        return (sqlite3.Error,)
    return (sqlite3.Error, dbapi2.Error)


#: What SQLite says (a word of it), and the refusal made of it: class, sentence, remedy.
_SENTENCES: tuple[tuple[str, type[HandwritingError], str, str], ...] = (
    (
        "locked",
        StoreError,
        "another program is writing to the store; nothing was changed",
        "Try again in a moment.",
    ),
    ("full", OutputError, "the disk is full; nothing was changed", "Make room and try again."),
    (
        "readonly",
        OutputError,
        "the store cannot be written to; nothing was changed",
        "Ask for the right to write there, or name another file with --store.",
    ),
    ("not a database", DamagedFileError, "the file is no store of records", "Name the store's file with --store."),
    ("malformed", DamagedFileError, "the store is damaged", "Put the last backup in its place."),
    (
        "unable to open",
        OutputError,
        "the store cannot be opened there",
        "Check the folder and your rights, or name another file with --store.",
    ),
    ("i/o error", OutputError, "the disk did not take what was written; nothing was changed", "Check the disk."),
)


def _sentence(error: Exception, path: Path) -> HandwritingError:
    for word, kind, what, fix in _SENTENCES:
        if word in str(error).lower():
            return kind(what, where=str(path), fix=fix)
    return StoreError(f"the store did not do it ({error})", where=str(path), fix="Run: handwriting store check.")


def connect(path: Path, passphrase: str | Ask | None, *, create: bool, encrypt: bool) -> tuple[Any, bool]:
    """Open the file, make it when allowed, bring it to the present version; return connection and whether encrypted.

    Raises
    ------
    StoreError
        The file is another kind of database or of a newer version, or another program holds it.
    LockedFileError
        The passphrase is missing or does not fit.
    """
    there = path.exists() and path.stat().st_size > 0 if _visible(path) else False
    if not there and not create:
        raise FileNotReadableError(
            "there is no store yet", where=str(path), fix="Keep a record first, or name the store with --store."
        )
    encrypted = is_encrypted(path) if there else encrypt
    if there and encrypt and not encrypted:
        fix = "Make an encrypted copy of it: handwriting store backup FILE --encrypt."
        raise UsageError("this store is not encrypted", where=str(path), fix=fix)
    key = _passphrase(passphrase, path, new=not there) if encrypted else ""
    module = driver(encrypted)
    if not there:
        _make_place(path)
    left_open = there and Path(f"{path}-journal").exists()
    with complaints(path):
        connection = module.connect(_address(path, there), uri=True, isolation_level=None, timeout=BUSY_MS / 1000)
        try:
            if encrypted:
                _unlock(connection, key, path)
            for setting in _SETTINGS:
                connection.execute(setting)
            _settle_version(connection, path)
            if left_open:
                _quick_check(connection, path)
        except BaseException:
            connection.close()
            raise
    return connection, encrypted


def _visible(path: Path) -> bool:
    try:
        return path.exists()
    except OSError as error:
        raise FileNotReadableError(
            f"the store cannot be looked at ({error.strerror})", where=str(path), fix="Check the folder's rights."
        ) from error


def _address(path: Path, there: bool) -> str:
    """Return the file as an address; one that cannot be written to is opened for reading."""
    writable = not there or (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))
    return f"{path.resolve().as_uri()}?mode={'rwc' if writable else 'ro'}"


def _make_place(path: Path) -> None:
    """Make the folder and an empty file that only this user may read."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    except OSError as error:
        raise OutputError(
            f"the store could not be made ({error.strerror})", where=str(path), fix="Name another file with --store."
        ) from error


def _passphrase(given: str | Ask | None, path: Path, *, new: bool) -> str:
    key = given() if callable(given) else given
    if not key:
        raise LockedFileError("the store is encrypted and needs its passphrase", where=str(path), fix=_HOW)
    if new and len(key) < PASSPHRASE_LEAST:
        raise UsageError(
            f"the passphrase has {len(key)} characters", fix=f"Use at least {PASSPHRASE_LEAST}, such as four words."
        )
    if "\0" in key:
        raise UsageError("the passphrase holds a character that cannot be typed", fix="Use letters and words.")
    return key


_HOW = "Type it when asked, or set HANDWRITING_PASSPHRASE."


def quoted(text: str) -> str:
    """Return text as an SQL string, quoted by SQLite itself: a key cannot be bound as a parameter."""
    with sqlite3.connect(":memory:") as helper:
        return str(helper.execute("SELECT quote(?)", (text,)).fetchone()[0])


def _unlock(connection: Any, key: str, path: Path) -> None:  # noqa: ANN401 - one of two drivers
    connection.execute("PRAGMA cipher_log_level = NONE")  # it writes to the terminal otherwise
    connection.execute(f"PRAGMA key = {quoted(key)}")
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except database_errors() as error:
        if "not a database" not in str(error):
            raise
        raise LockedFileError(
            "the passphrase does not open this file, or the file is no store", where=str(path), fix=_HOW
        ) from error


def _settle_version(connection: Any, path: Path) -> None:  # noqa: ANN401
    if sqlite3.sqlite_version_info < (3, 37, 0):
        raise MissingProgramError("SQLite is older than 3.37", fix="Use a newer build of Python.")
    newest = len(schema.STEPS)
    # Three looks at one moment: another program may just be making the store.
    connection.execute("BEGIN")
    version = _version(connection)
    marked = connection.execute("PRAGMA application_id").fetchone()[0]
    empty = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    connection.execute("COMMIT")
    if version > newest:
        raise StoreError(
            f"the store has version {version}, this program knows {newest}", where=str(path), fix="Update the program."
        )
    if marked != schema.APPLICATION_ID and not (version == 0 and empty):
        raise StoreError(
            "the file is a database of another program", where=str(path), fix="Name the store's file with --store."
        )
    if version < newest:
        migrate(connection)


def _version(connection: Any) -> int:  # noqa: ANN401
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(connection: Any) -> None:  # noqa: ANN401
    """Bring a store to the present version in one transaction: wholly or not at all."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Read again under the lock: another program may have done it meanwhile.
        for step in schema.STEPS[_version(connection) :]:
            for statement in schema.statements(step):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(schema.STEPS)}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def _quick_check(connection: Any, path: Path) -> None:  # noqa: ANN401
    if connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
        raise DamagedFileError("the store is damaged", where=str(path), fix="Put the last backup in its place.")
