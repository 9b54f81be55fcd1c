"""The store: samples of pupils known by code only, with their pictures, corrections, and dates to look at again."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from handwriting.change import OCCASION_DAYS, Sample, gather
from handwriting.encoding import png
from handwriting.errors import UsageError
from handwriting.record import Record
from handwriting.repeats import scanned_again
from handwriting.store import care, kept, opening
from handwriting.store.kept import Checked, CorrectionRow, Erased, PupilRow, SampleRow
from handwriting.store.picture import Picture, Strip, blank, decode
from handwriting.typed import read_code, read_role

#: Months after which the store asks whether a sample is still needed; a choice of ours, local rules come first.
LOOK_AGAIN_MONTHS = 12
#: Pairs from so many pages know the error to about 4 % (1 / sqrt(2 df)); older ones add time and little knowledge.
MOST_REPEATS = 500


def open_store(
    path: Path | None = None,
    *,
    passphrase: str | opening.Ask | None = None,
    create: bool = False,
    encrypt: bool = False,
) -> Store:
    """Open a store; use it in a ``with`` block.

    Parameters
    ----------
    path : Path, optional
        The file; `opening.default_path` when left out.
    passphrase : str or callable, optional
        Needed for an encrypted store; a callable is asked only then.
    create : bool
        Make the store where there is none.
    encrypt : bool
        A store that is made is encrypted.

    Raises
    ------
    HandwritingError
        One sentence: no store there, another kind of file, a newer version, no passphrase, no right to write.
    """
    place = opening.default_path() if path is None else path
    connection, encrypted = opening.connect(place, passphrase, create=create, encrypt=encrypt)
    return Store(place, connection, encrypted)


class Store:
    """An open store. Every method that changes something does it wholly or not at all."""

    def __init__(self, path: Path, connection: Any, encrypted: bool) -> None:  # noqa: ANN401 - one of two drivers
        self.path, self.encrypted = path, encrypted
        self._db = connection

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    # --- writing --------------------------------------------------------------------------------------------------

    def keep(
        self,
        record: Record,
        picture: Picture | None = None,
        *,
        by: str = "",
        keep_until: dt.date | None = None,
        strip: Strip | None = None,
        rescan_of: int | None = None,
    ) -> int:
        """Keep a record, with the page's picture when given, and return the sample's number.

        Parameters
        ----------
        record : Record
            With the pupil's code and the date of writing in its task.
        picture : array, uint8, (rows, columns) or (rows, columns, 3) RGB, optional
            The upright frame the record's coordinates refer to.
        by : str
            Who keeps it: a role or initials.
        keep_until : date, optional
            When to look at it again; `LOOK_AGAIN_MONTHS` from today when left out.
        strip : Strip, optional
            The part of the page that is blanked first, with the text of words in it.
        rescan_of : int, optional
            The sample of which this is the same page, scanned again.

        Raises
        ------
        UsageError
            The record has no code or date, or this page is kept already.
        """
        who = _who(by)
        if strip is not None:
            record, picture = blank(record, picture, strip)
        data = kept.packed(kept.anonymous(record))
        record = kept.unpacked(data, where=record.page.name)
        columns = kept.head(record)
        code = read_code(str(record.task["code"]))
        today = _today()
        columns |= {
            "rescan_of": rescan_of,
            "kept_at": _now(),
            "kept_by": who,
            "keep_until": (keep_until or care.months_on(today, LOOK_AGAIN_MONTHS)).isoformat(),
        }
        coded = None if picture is None else png(picture)
        with self._writing():
            self._refuse_twice(code, record, rescan_of)
            self._db.execute("INSERT OR IGNORE INTO pupil (code) VALUES (?)", (code,))
            columns["pupil"] = self._one("SELECT id FROM pupil WHERE code = ?", code)[0]
            names = ", ".join(columns)
            marks = ", ".join("?" * len(columns))
            number = int(
                self._db.execute(f"INSERT INTO sample ({names}) VALUES ({marks})", tuple(columns.values())).lastrowid
            )
            self._add_revision(number, who, data)
            self._set_figures(number, record)
            if coded is not None:
                self._db.execute("INSERT INTO picture VALUES (?, ?, ?)", (number, str(strip or ""), coded))
            self._add_corrections(number, who, record)
            self._note(who, "kept", number)
        return number

    def _refuse_twice(self, code: str, record: Record, rescan_of: int | None) -> None:
        same = self._db.execute(
            "SELECT s.id FROM sample s JOIN pupil p ON p.id = s.pupil"
            " WHERE p.code = ? AND s.page_sha256 = ? AND s.page_number = ?",
            (code, record.page.sha256, record.page.number),
        ).fetchone()
        if same:
            raise UsageError(
                f"this page is kept already as sample {same[0]} of {code}", fix="Correct it, or erase it first."
            )
        if rescan_of is not None and self._code(rescan_of) != code:
            raise UsageError(f"sample {rescan_of} is not of {code}", where="--rescan-of", fix="See: store list CODE.")

    def correct(self, number: int, record: Record, *, by: str) -> None:
        """Keep a corrected record of a sample as a new revision; earlier ones stay, and who and when are noted.

        Raises
        ------
        UsageError
            There is no such sample, nobody is named, or the record is of another page or pupil.
        """
        if not by:
            raise UsageError("a correction needs to say who made it", fix="Give a role or initials.")
        who = read_role(by, "--by")
        data = kept.packed(kept.anonymous(record))
        record = kept.unpacked(data, where=record.page.name)
        columns = kept.head(record)
        with self._writing():
            code = self._code(number)
            held = self._one("SELECT page_sha256, page_number FROM sample WHERE id = ?", number)
            if (code, *held) != (record.task.get("code"), record.page.sha256, record.page.number):
                raise UsageError(f"the record is not of the page kept as sample {number}", fix="See: store show.")
            places = ", ".join(f"{name} = ?" for name in columns)
            self._db.execute(f"UPDATE sample SET {places} WHERE id = ?", (*columns.values(), number))
            self._add_revision(number, who, data)
            self._set_figures(number, record)
            self._add_corrections(number, who, record)
            self._note(who, "corrected", number)

    def _add_revision(self, number: int, who: str, data: bytes) -> None:
        self._db.execute(
            "INSERT INTO revision (sample, at, by, record) VALUES (?, ?, ?, ?)", (number, _now(), who, data)
        )

    def _set_figures(self, number: int, record: Record) -> None:
        short = kept.figures(record.measures)
        self._db.execute("INSERT OR REPLACE INTO figures (sample, measures) VALUES (?, ?)", (number, short))

    def _add_corrections(self, number: int, who: str, record: Record) -> None:
        """Note the corrections that were not noted before: a record carries all that were ever made on it."""
        noted = {row[0] for row in self._db.execute("SELECT what FROM correction WHERE sample = ?", (number,))}
        for entry in record.corrections:
            what = json.dumps(entry, ensure_ascii=False, sort_keys=True)
            if what not in noted:
                at, by = str(entry.get("when") or _now()), str(entry.get("who") or who)
                self._db.execute(
                    "INSERT INTO correction (sample, at, by, what) VALUES (?, ?, ?, ?)", (number, at, by, what)
                )

    def retain(self, code: str, until: dt.date, *, by: str = "") -> int:
        """Set when to look again at all samples of a pupil; return how many."""
        with self._writing():
            self._pupil(code)
            changed = self._db.execute(
                "UPDATE sample SET keep_until = ? WHERE pupil = (SELECT id FROM pupil WHERE code = ?)",
                (until.isoformat(), code),
            ).rowcount
            self._note(_who(by), "keep until set", None)
        return int(changed)

    def erase(self, code: str, *, by: str = "", number: int | None = None) -> Erased:
        """Erase a pupil wholly, or one sample: records, revisions, pictures and corrections, and rewrite the file.

        Backups, exports and what the disk itself keeps (snapshots, worn cells) are out of reach.
        """
        with self._writing():
            self._pupil(code)
            if number is not None and self._code(number) != code:
                raise UsageError(f"sample {number} is not of {code}", fix="See: handwriting store list CODE.")
            chosen = "sample IN (SELECT s.id FROM sample s JOIN pupil p ON p.id = s.pupil WHERE p.code = ?"
            chosen += ")" if number is None else " AND s.id = ?)"
            given: tuple[Any, ...] = (code,) if number is None else (code, number)
            counts = [
                self._one(f"SELECT count(*) FROM {table} WHERE {chosen}", *given)[0]
                for table in ("revision", "picture", "correction")
            ]
            samples = len(self.rows(code)) if number is None else 1
            self._db.execute(f"DELETE FROM event WHERE {chosen}", given)
            if number is not None:
                self._db.execute("DELETE FROM sample WHERE id = ?", (number,))
            if number is None or not self.rows(code):
                self._db.execute("DELETE FROM pupil WHERE code = ?", (code,))
            self._note(_who(by), f"erased {samples} samples", None)
        before = self.path.stat().st_size
        # A file of its own size again, without free pages in which anything could be left.
        with opening.complaints(self.path):
            self._db.execute("VACUUM")
        revisions, pictures, corrections = counts
        freed = max(0, before - self.path.stat().st_size)
        return Erased(code, samples, revisions, pictures, corrections, freed)

    # --- reading --------------------------------------------------------------------------------------------------

    def pupils(self) -> tuple[PupilRow, ...]:
        """Return every pupil, by code."""
        rows = self._all(
            "SELECT p.code, count(*), min(s.date), max(s.date), min(s.keep_until)"
            " FROM sample s JOIN pupil p ON p.id = s.pupil GROUP BY p.id ORDER BY p.code"
        )
        return tuple(PupilRow(c, n, _day(a), _day(b), _day(k)) for c, n, a, b, k in rows)

    def rows(self, code: str | None = None, *, due_on: dt.date | None = None) -> tuple[SampleRow, ...]:
        """Return samples as listed, by code and date; of one pupil, or those to be looked at again by a day."""
        found = self._all(
            "SELECT s.id, p.code, s.date, s.term, s.setting, s.task, s.instruction, s.tool, s.rescan_of,"
            " EXISTS (SELECT 1 FROM picture i WHERE i.sample = s.id),"
            " (SELECT count(*) FROM correction c WHERE c.sample = s.id),"
            " (SELECT count(*) FROM revision r WHERE r.sample = s.id),"
            " s.kept_at, s.kept_by, s.keep_until FROM sample s JOIN pupil p ON p.id = s.pupil"
            " WHERE (?1 IS NULL OR p.code = ?1) AND (?2 IS NULL OR s.keep_until <= ?2)"
            " ORDER BY p.code, s.date, s.id",
            code,
            None if due_on is None else due_on.isoformat(),
        )
        return tuple(_listed(row) for row in found)

    def due(self, on: dt.date | None = None) -> int:
        """Return how many samples have come to the date on which to look at them again."""
        day = (on or _today()).isoformat()
        return int(self._one("SELECT count(*) FROM sample WHERE keep_until <= ?", day)[0])

    def samples(self, code: str) -> tuple[Sample, ...]:
        """Return a pupil's samples for comparison, by date.

        Raises
        ------
        UsageError
            There is no such pupil.
        """
        self._pupil(code)
        return self._samples("WHERE p.code = ? ORDER BY s.date, s.id", code)

    def repeats(self, like: Sample | None = None) -> tuple[tuple[Sample, ...], ...]:
        """Return the groups of pages that repeat each other (`change.gather`), of the newest `MOST_REPEATS` pages.

        Parameters
        ----------
        like : Sample, optional
            Only groups asked for as this one was: task, instruction, tool, hand and ruling.
        """
        asked = "" if like is None else " AND s.task = ? AND s.instruction = ? AND s.tool = ? AND s.hand = ?"
        given = () if like is None else (like.task, like.instruction, like.tool, like.hand)
        found = self._samples(
            f"WHERE s.rescan_of IS NULL AND {_HAS_REPEAT}{asked} ORDER BY s.date DESC LIMIT ?", *given, MOST_REPEATS
        )
        groups = (g for g in gather(found) if len(g) > 1)
        return tuple(g for g in groups if like is None or g[0].asked_alike(like))

    def scanned_again(self) -> tuple[tuple[Sample, ...], ...]:
        """Return the groups of samples that are one page, scanned more than once."""
        again = "WHERE s.rescan_of IS NOT NULL OR s.id IN (SELECT rescan_of FROM sample) ORDER BY s.date DESC LIMIT ?"
        return scanned_again(self._samples(again, MOST_REPEATS))

    def _samples(self, chosen: str, *given: Any) -> tuple[Sample, ...]:  # noqa: ANN401 - SQL values
        rows = self._all(
            f"SELECT p.code, {_HEAD}, f.measures FROM sample s JOIN pupil p ON p.id = s.pupil"
            f" JOIN figures f ON f.sample = s.id {chosen}",
            *given,
        )
        return tuple(kept.sample_from(row) for row in rows)

    def record(self, number: int) -> Record:
        """Return a sample's record, the newest revision."""
        self._code(number)
        data = self._one("SELECT record FROM revision WHERE sample = ? ORDER BY id DESC LIMIT 1", number)[0]
        return kept.unpacked(data, where=f"sample {number}")

    def revisions(self, number: int) -> tuple[tuple[str, str, Record], ...]:
        """Return every revision of a sample: when, who, and the record, oldest first."""
        self._code(number)
        rows = self._all("SELECT at, by, record FROM revision WHERE sample = ? ORDER BY id", number)
        return tuple((at, by, kept.unpacked(data, where=f"sample {number}")) for at, by, data in rows)

    def picture(self, number: int) -> Picture | None:
        """Return a sample's picture, None when none was kept."""
        self._code(number)
        row = self._all("SELECT png FROM picture WHERE sample = ?", number)
        return decode(row[0][0], where=f"sample {number}") if row else None

    def corrections(self, number: int) -> tuple[CorrectionRow, ...]:
        """Return what people changed on a sample, oldest first."""
        self._code(number)
        rows = self._all("SELECT at, by, what FROM correction WHERE sample = ? ORDER BY id", number)
        return tuple(CorrectionRow(number, at, by, json.loads(what)) for at, by, what in rows)

    # --- care -----------------------------------------------------------------------------------------------------

    def export(self, code: str, folder: Path, *, by: str = "") -> dict[str, Path]:
        """Write all that is held of a pupil into a folder: records, pictures, and what was asked and corrected."""
        written = care.export(self, code, folder)
        with self._writing():
            self._note(_who(by), "exported", None)
        return written

    def check(self) -> Checked:
        """Look at everything in the store."""
        with opening.complaints(self.path):
            return care.check(self, self._db)

    def backup(self, path: Path, *, passphrase: str | None = None) -> None:
        """Write a whole copy into a new file; with a passphrase, an encrypted one (see `care.backup`)."""
        with opening.complaints(self.path):
            care.backup(self, self._db, path, passphrase)

    # --- inside ---------------------------------------------------------------------------------------------------

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """One writer at a time: the lock is taken before anything is read that the write rests on."""
        with opening.complaints(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def _all(self, query: str, *given: Any) -> list[Any]:  # noqa: ANN401 - SQL values
        with opening.complaints(self.path):
            rows: list[Any] = self._db.execute(query, given).fetchall()
            return rows

    def _one(self, query: str, *given: Any) -> Any:  # noqa: ANN401
        return self._all(query, *given)[0]

    def _pupil(self, code: str) -> None:
        if not self._all("SELECT 1 FROM pupil WHERE code = ?", code):
            raise UsageError(f"the store holds no pupil {code}", where=str(self.path), fix="See: store list.")

    def _code(self, number: int) -> str:
        found = self._all("SELECT p.code FROM sample s JOIN pupil p ON p.id = s.pupil WHERE s.id = ?", number)
        if not found:
            raise UsageError(f"the store holds no sample {number}", where=str(self.path), fix="See: store list CODE.")
        return str(found[0][0])

    def _note(self, by: str, what: str, number: int | None) -> None:
        self._db.execute("INSERT INTO event (at, by, what, sample) VALUES (?, ?, ?, ?)", (_now(), by, what, number))


#: Another page of the pupil, in the same setting and asked for alike, within the days of an occasion.
_HAS_REPEAT = (
    "EXISTS (SELECT 1 FROM sample t WHERE t.pupil = s.pupil AND t.id <> s.id AND t.rescan_of IS NULL"
    f" AND t.date BETWEEN date(s.date, '-{OCCASION_DAYS} days') AND date(s.date, '+{OCCASION_DAYS} days')"
    " AND t.setting = s.setting AND t.task = s.task AND t.instruction = s.instruction AND t.tool = s.tool"
    " AND t.hand = s.hand AND t.ruling = s.ruling)"
)
_HEAD = ", ".join(f"s.{name}" for name in kept.HEAD)


def _who(by: str) -> str:
    return read_role(by, "--by") if by else ""


def _listed(row: Sequence[Any]) -> SampleRow:
    held = dict(zip(SampleRow.__slots__, row, strict=True))
    days = {name: _day(held[name]) for name in ("date", "keep_until")}
    return SampleRow(**{**held, **days, "picture": bool(held["picture"])})


def _day(text: str) -> dt.date:
    return dt.date.fromisoformat(text)


def _today() -> dt.date:
    return dt.datetime.now(tz=dt.UTC).date()


def _now() -> str:
    return dt.datetime.now(tz=dt.UTC).isoformat(timespec="seconds")
