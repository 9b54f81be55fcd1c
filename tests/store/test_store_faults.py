"""What goes wrong around a store: one sentence each, nothing lost."""

import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from kept_records import record_of
from killing import kill_writers

from handwriting.errors import (
    DamagedFileError,
    FileNotReadableError,
    LockedFileError,
    MissingProgramError,
    OutputError,
    StoreError,
    UsageError,
)
from handwriting.record import to_json
from handwriting.store import open_store, opening, schema

PASSPHRASE = "four words make one"
VERSION_1 = Path(__file__).with_name("version-1.sqlite")


def test_killed_writers_lose_nothing(tmp_path):
    # Two hundred kills are in tests/benchmarks/store.py.
    assert kill_writers(tmp_path, 4) > 0


def test_no_store_there(place):
    with pytest.raises(FileNotReadableError, match="no store yet"):
        open_store(place)
    assert not place.parent.exists()


def test_newer_version(place):
    open_store(place, create=True).close()
    with sqlite3.connect(place) as raw:
        raw.execute("PRAGMA user_version = 99")
    raw.close()
    with pytest.raises(StoreError, match="version 99, this program knows"):
        open_store(place)


def test_a_database_of_another_program(tmp_path):
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as raw:
        raw.execute("CREATE TABLE t (x)")
    raw.close()
    before = other.read_bytes()
    with pytest.raises(StoreError, match="another program"):
        open_store(other, create=True)
    assert other.read_bytes() == before


def test_not_a_database(tmp_path):
    other = tmp_path / "notes.txt"
    other.write_text("These are notes and no database at all. " * 200)
    with pytest.raises(LockedFileError, match="needs its passphrase"):
        open_store(other)
    with pytest.raises(LockedFileError, match="or the file is no store"):
        open_store(other, passphrase=PASSPHRASE)


def test_a_damaged_file(place):
    with open_store(place, create=True) as store:
        for number in range(20):
            store.keep(record_of(number))
    content = bytearray(place.read_bytes())
    content[8192 : len(content) // 2] = os.urandom(len(content) // 2 - 8192)
    place.write_bytes(content)
    try:
        with open_store(place) as store:
            assert store.check().faults
    except (DamagedFileError, StoreError) as error:
        assert "damaged" in str(error)


def test_two_writers(place, monkeypatch):
    monkeypatch.setattr(opening, "BUSY_MS", 50)
    with open_store(place, create=True) as one, open_store(place) as two:
        one._db.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="another program is writing"):
            two.keep(record_of(1))
        one._db.execute("COMMIT")
        two.keep(record_of(1))
        assert len(one.rows()) == 1


def test_two_processes_write_in_turn(place, tmp_path):
    record = tmp_path / "record.json"
    record.write_text(to_json(record_of()), "utf-8")
    open_store(place, create=True).close()
    lines = []

    def write(first):
        command = [sys.executable, str(Path(__file__).with_name("keeping.py")), str(place), str(record), str(first)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            lines.extend(writer.stdout.readline() for _ in range(6))
            writer.kill()

    threads = [threading.Thread(target=write, args=(n,)) for n in (0, 50_000)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    said = {int(line.split()[0]) for line in lines if line.strip() and line != "open\n"}
    assert len(said) == 10
    with open_store(place) as store:
        assert said <= {r.number for r in store.rows()}
        assert store.check().faults == ()


_FILL = """
import resource, signal, sys
from pathlib import Path
sys.path[:0] = [sys.argv[3]]
from kept_records import record_of
from handwriting.errors import HandwritingError
from handwriting.store import open_store
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
kept = 0
with open_store(Path(sys.argv[1])) as store:
    # From here on no file can grow by more than a few pages, as on a full disk.
    size = Path(sys.argv[1]).stat().st_size + int(sys.argv[2])
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
    try:
        for number in range(1, 1000):
            store.keep(record_of(number))
            kept += 1
    except HandwritingError as error:
        print(type(error).__name__, kept, error)
"""


@pytest.mark.skipif(os.name != "posix", reason="needs limits of a process")
def test_no_room_left(place):
    with open_store(place, create=True) as store:
        store.keep(record_of(0))
    here = str(Path(__file__).parent)
    done = subprocess.run(
        [sys.executable, "-c", _FILL, str(place), "60000", here], capture_output=True, text=True, check=True
    )
    name, kept, sentence = done.stdout.split(maxsplit=2)
    assert name == "OutputError" and "nothing was changed" in sentence
    with open_store(place) as store:
        assert len(store.rows()) == 1 + int(kept)
        assert store.check().faults == ()


def test_a_full_disk_as_the_database_says_it(place):
    with open_store(place, create=True) as store:
        store.keep(record_of(0))
        pages = store._db.execute("PRAGMA page_count").fetchone()[0]
        store._db.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(OutputError, match="disk is full"):
            for number in range(1, 9):
                store.keep(record_of(number))
        assert store.check().faults == ()


_AS_NOBODY = """
import os, sys, tempfile
from pathlib import Path
sys.path[:0] = [sys.argv[2]]
from kept_records import record_of
from handwriting.errors import HandwritingError
from handwriting.store import open_store
# The project may lie where another user may not enter: all that is loaded late is loaded now.
with tempfile.TemporaryDirectory() as own, open_store(Path(own) / "store.sqlite", create=True) as store:
    store.keep(record_of(0))
    store.rows()
if os.getuid() == 0:
    os.setgid(65534); os.setuid(65534)
with open_store(Path(sys.argv[1])) as store:
    print(len(store.rows()))
    try:
        store.keep(record_of(5))
    except HandwritingError as error:
        print(type(error).__name__, error)
try:
    open_store(Path(sys.argv[1]).with_name("new.sqlite"), create=True)
except HandwritingError as error:
    print(type(error).__name__, error)
"""


@pytest.mark.skipif(os.name != "posix", reason="needs rights of a folder")
def test_a_read_only_folder_can_be_read(tmp_path):
    import tempfile

    # Beside the test's own folders, which another user may not enter.
    folder = Path(tempfile.mkdtemp())
    try:
        place = folder / "store.sqlite"
        with open_store(place, create=True) as store:
            store.keep(record_of(0))
        place.chmod(0o444)
        folder.chmod(0o555)
        done = subprocess.run(
            [sys.executable, "-c", _AS_NOBODY, str(place), str(Path(__file__).parent)],
            capture_output=True,
            text=True,
            check=True,
        )
        rows, keeping, making = done.stdout.splitlines()
        assert rows == "1"
        assert keeping.startswith("OutputError") and "cannot be written to; nothing was changed" in keeping
        assert making.startswith("OutputError") and "could not be made" in making
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_settings_that_make_it_last(place):
    """Rollback journal with EXTRA lost nothing in simulated power cuts (SQLite's documentation, PRAGMA synchronous)."""
    with open_store(place, create=True) as store:
        held = {
            name: store._db.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "secure_delete", "foreign_keys", "temp_store")
        }
    assert held == {"journal_mode": "delete", "synchronous": 3, "secure_delete": 1, "foreign_keys": 1, "temp_store": 2}


def test_only_this_user_may_read_the_file(place):
    open_store(place, create=True).close()
    assert place.stat().st_mode & 0o077 == 0
    assert place.parent.stat().st_mode & 0o077 == 0


def test_a_version_1_file_opens_and_gives_back_what_was_put_into_it(tmp_path):
    place = tmp_path / "store.sqlite"
    shutil.copy(VERSION_1, place)
    with open_store(place) as store:
        assert [p.code for p in store.pupils()] == ["P07"]
        first, second = store.samples("P07")
        assert (first.number, second.number, second.rescan_of) == (1, 2, 1)
        assert first.said == "My hand was tired." and first.effort == 6
        assert first.measures["x_height"].value == 2.81
        assert [c.by for c in store.corrections(1)] == ["AB"]
        assert store.picture(1).shape == (store.record(1).page.frame_height_px, store.record(1).page.frame_width_px)
        assert store.check().faults == ()
        assert store._db.execute("PRAGMA user_version").fetchone()[0] == len(schema.STEPS)


def test_a_step_to_a_later_version_is_taken_wholly_or_not_at_all(tmp_path, monkeypatch):
    place = tmp_path / "store.sqlite"
    shutil.copy(VERSION_1, place)
    now = schema.STEPS
    monkeypatch.setattr(schema, "STEPS", (*now, "ALTER TABLE sample ADD COLUMN a TEXT; ALTER TABLE none ADD b TEXT"))
    with pytest.raises(StoreError):
        open_store(place)
    monkeypatch.setattr(schema, "STEPS", now)
    with open_store(place) as store:  # the half step was taken back
        assert "a" not in {row[1] for row in store._db.execute("PRAGMA table_info(sample)")}
    monkeypatch.setattr(schema, "STEPS", (*now, "ALTER TABLE sample ADD COLUMN a TEXT"))
    with open_store(place) as store:
        assert "a" in {row[1] for row in store._db.execute("PRAGMA table_info(sample)")}
        assert len(store.samples("P07")) == 2
    monkeypatch.setattr(schema, "STEPS", now)
    with pytest.raises(StoreError, match=f"version {len(now) + 1}"):
        open_store(place)


def test_an_encrypted_store_shows_nothing(place, picture):
    pytest.importorskip("sqlcipher3", reason="the extra 'encrypted' is not installed")
    with open_store(place, create=True, encrypt=True, passphrase=PASSPHRASE) as store:
        store.keep(record_of(said="Quillfeather"), picture)
        assert store.encrypted
    content = place.read_bytes()
    assert not any(word in content for word in (b"Quillfeather", b"SQLite", b"P07", b"school"))
    with open_store(place, passphrase=lambda: PASSPHRASE) as store:
        assert store.samples("P07")[0].said == "Quillfeather"
        assert store.check().faults == ()
        store.backup(place.with_name("copy.sqlite"))
    with open_store(place.with_name("copy.sqlite"), passphrase=PASSPHRASE) as store:
        assert len(store.rows()) == 1
    with pytest.raises(LockedFileError, match="needs its passphrase"):
        open_store(place, passphrase=lambda: "")
    with pytest.raises(LockedFileError, match="does not open"):
        open_store(place, passphrase=PASSPHRASE + "x")


def test_passphrases_with_quotes_and_accents(place):
    pytest.importorskip("sqlcipher3", reason="the extra 'encrypted' is not installed")
    odd = "it's \"four\" wörds; --'"
    open_store(place, create=True, encrypt=True, passphrase=odd).close()
    open_store(place, passphrase=odd).close()
    with pytest.raises(LockedFileError):
        open_store(place, passphrase="it")


def test_a_plain_store_gets_an_encrypted_copy(place, tmp_path):
    pytest.importorskip("sqlcipher3", reason="the extra 'encrypted' is not installed")
    with open_store(place, create=True) as store:
        store.keep(record_of())
        with pytest.raises(UsageError, match="at least 12"):
            store.backup(tmp_path / "b.sqlite", passphrase="short")
        store.backup(tmp_path / "b.sqlite", passphrase=PASSPHRASE)
    assert b"P07" not in (tmp_path / "b.sqlite").read_bytes()
    with open_store(tmp_path / "b.sqlite", passphrase=PASSPHRASE) as store:
        assert store.encrypted and store.check().faults == () and len(store.rows()) == 1
    with pytest.raises(UsageError, match="is not encrypted"):
        open_store(place, create=True, encrypt=True, passphrase=PASSPHRASE)


def test_without_the_library_an_encrypted_store_is_refused(place, monkeypatch):
    monkeypatch.setitem(sys.modules, "sqlcipher3", None)
    with pytest.raises(MissingProgramError, match="not installed"):
        open_store(place, create=True, encrypt=True, passphrase=PASSPHRASE)


def test_short_and_odd_passphrases(place):
    with pytest.raises(UsageError, match="at least 12"):
        open_store(place, create=True, encrypt=True, passphrase="short")
    with pytest.raises(UsageError, match="cannot be typed"):
        open_store(place, create=True, encrypt=True, passphrase="twelve chars\0 and more")
    assert not place.exists()
    assert resource.getrlimit(resource.RLIMIT_FSIZE)  # the limit of the full-disk test stays in its own process
