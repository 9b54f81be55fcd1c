"""Looking after a store: checking, copying, handing out, and dates."""

from __future__ import annotations

import calendar
import csv
import datetime as dt
import io
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handwriting.encoding import png
from handwriting.errors import HandwritingError, OutputError, UsageError
from handwriting.record import to_json
from handwriting.report.table import safe
from handwriting.report.write import write_files
from handwriting.store import kept, opening
from handwriting.store.picture import decode

if TYPE_CHECKING:
    from handwriting.store.records import Store


def months_on(day: dt.date, months: int) -> dt.date:
    """Return the same day so many months on, or the last one of a shorter month."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def check(store: Store, connection: Any) -> kept.Checked:  # noqa: ANN401 - one of two drivers
    """Look at pages of the file, links between rows, every record, every picture, and that columns match records."""
    faults = [f"file: {row[0]}" for row in connection.execute("PRAGMA integrity_check") if row[0] != "ok"]
    faults += [f"link: {row[0]} row {row[1]}" for row in connection.execute("PRAGMA foreign_key_check")]
    pupils, revisions, pictures = (
        connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in ("pupil", "revision", "picture")
    )
    numbers = [row[0] for row in connection.execute("SELECT id FROM sample ORDER BY id")]
    faults += [fault for number in numbers for fault in _sample_faults(store, connection, number)]
    lone = "SELECT code FROM pupil WHERE id NOT IN (SELECT pupil FROM sample)"
    faults += [f"pupil {row[0]} has no sample" for row in connection.execute(lone)]
    return kept.Checked(pupils, len(numbers), revisions, pictures, tuple(faults))


def _sample_faults(store: Store, connection: Any, number: int) -> list[str]:  # noqa: ANN401
    rows = connection.execute("SELECT record FROM revision WHERE sample = ? ORDER BY id", (number,)).fetchall()
    if not rows:
        return [f"sample {number} has no record"]
    found = []
    try:
        records = [kept.unpacked(row[0], where=f"sample {number}") for row in rows]
        columns = kept.head(records[-1])
        names = list(columns)
        held = connection.execute(f"SELECT {', '.join(names)} FROM sample WHERE id = ?", (number,)).fetchone()
        found += [
            f"sample {number}: {name} is not what its record says"
            for name, value in zip(names, held, strict=True)
            if value != columns[name]
        ]
        short = connection.execute("SELECT measures FROM figures WHERE sample = ?", (number,)).fetchone()
        if short is None or short[0] != kept.figures(records[-1].measures):
            found.append(f"sample {number}: the measures listed are not what its record says")
        png = connection.execute("SELECT png FROM picture WHERE sample = ?", (number,)).fetchone()
        size = (records[-1].page.frame_height_px, records[-1].page.frame_width_px)
        if png is not None and decode(png[0], where=f"sample {number}").shape[:2] != size:
            found.append(f"sample {number}: the picture is not of the size its record says")
    except HandwritingError as error:
        found.append(f"sample {number}: {error}")
    return found


def backup(store: Store, connection: Any, path: Path, passphrase: str | None) -> None:  # noqa: ANN401
    """Write a whole, checked copy under a passing name, then give it its own.

    A copy of an encrypted store is encrypted with the same passphrase; one of a plain store is encrypted when a
    passphrase is given.

    Raises
    ------
    UsageError
        The file is there already, or an encrypted store is asked for another passphrase.
    """
    if path.exists():
        raise UsageError("the file is there already", where=str(path), fix="Choose a new name for each backup.")
    if passphrase is not None and store.encrypted:
        raise UsageError("the store is encrypted; its copy keeps its passphrase", fix="Leave --encrypt out.")
    passing = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        passing.unlink(missing_ok=True)
        os.close(os.open(passing, os.O_CREAT | os.O_RDWR, 0o600))
        if passphrase is None:
            connection.execute("VACUUM INTO ?", (str(passing),))
        else:
            _encrypted_copy(store.path, passing, passphrase)
        passing.replace(path)
    except OSError as error:
        raise OutputError(
            f"the backup could not be written ({error.strerror})", where=str(path), fix="Choose another place."
        ) from error
    finally:
        passing.unlink(missing_ok=True)


def _encrypted_copy(source: Path, target: Path, passphrase: str) -> None:
    """Copy through SQLCipher, which reads plain files too when no key is set."""
    if len(passphrase) < opening.PASSPHRASE_LEAST:
        raise UsageError(
            f"the passphrase has {len(passphrase)} characters",
            fix=f"Use at least {opening.PASSPHRASE_LEAST}, such as four words.",
        )
    driver = opening.driver(encrypted=True)
    copy = driver.connect(str(source), isolation_level=None)
    try:
        copy.execute(f"ATTACH DATABASE ? AS secret KEY {opening.quoted(passphrase)}", (str(target),))
        copy.execute("SELECT sqlcipher_export('secret')")
        for name in ("user_version", "application_id"):
            value = copy.execute(f"PRAGMA main.{name}").fetchone()[0]
            copy.execute(f"PRAGMA secret.{name} = {int(value)}")
        copy.execute("DETACH DATABASE secret")
    finally:
        copy.close()


def export(store: Store, code: str, folder: Path) -> dict[str, Path]:
    """Write ``samples.csv``, ``corrections.json``, and a record and a picture a sample."""
    rows = store.rows(code)
    store.samples(code)  # refuses an unknown pupil
    contents: dict[str, bytes] = {}
    table = io.StringIO()
    writer = csv.writer(table)
    names = kept.SampleRow.__slots__
    writer.writerow(names)
    corrections = []
    for row in rows:
        cells = [getattr(row, name) for name in names]
        writer.writerow([safe(c) if isinstance(c, str) else c for c in cells])
        contents[f"sample-{row.number}.json"] = to_json(store.record(row.number)).encode("utf-8")
        picture = store.picture(row.number)
        if picture is not None:
            contents[f"sample-{row.number}.png"] = png(picture)
        corrections += [
            {"sample": c.sample, "at": c.at, "by": c.by, "what": dict(c.what)} for c in store.corrections(row.number)
        ]
    contents["samples.csv"] = table.getvalue().encode("utf-8-sig")
    contents["corrections.json"] = (json.dumps(corrections, ensure_ascii=False, indent=1) + "\n").encode("utf-8")
    return write_files(folder, contents)
