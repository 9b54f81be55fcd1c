"""The commands keep, store, compare and repeats: what they print, write and refuse."""

import json
import re
from dataclasses import replace

import cv2
import pytest
from report_fixture import page

from handwriting.cli import main
from handwriting.quantity import Measured
from handwriting.record import to_json

RECORD, _ = page(60, lines=4)


@pytest.fixture(autouse=True)
def own_place(tmp_path, monkeypatch):
    """Keep every test's store apart, and out of the user's own folder."""
    monkeypatch.setattr("platformdirs.user_data_dir", lambda *_, **__: str(tmp_path / "data"))
    monkeypatch.delenv("HANDWRITING_PASSPHRASE", raising=False)
    monkeypatch.setenv("COLUMNS", "200")


def run(capsys, *words, code=0):
    with pytest.raises(SystemExit) as end:
        main(list(map(str, words)))
    assert (end.value.code or 0) == code
    said = capsys.readouterr()
    return said.out if code == 0 else said.err


def written(folder, number=0, *, times=1.0, **task):
    """Write a record file and return it."""
    folder.mkdir(exist_ok=True)
    facts = replace(RECORD.page, sha256=f"{number:064x}")
    measures = {
        k: replace(q, value=q.value * times, low=q.low * times, high=q.high * times) if isinstance(q, Measured) else q
        for k, q in RECORD.measures.items()
    }
    record = replace(RECORD, page=facts, measures=measures, task={**RECORD.task, **task})
    path = folder / f"record-{number}.json"
    path.write_text(to_json(record), "utf-8")
    return path


def test_keep_list_show_export_erase(tmp_path, capsys):
    record = written(tmp_path / "in", term="Spring")
    said = run(capsys, "keep", record, "--by", "class teacher", "--said", "It was fine.", "--effort", "3")
    assert "Kept as sample 1 of P07, without a picture; look at it again on" in said
    assert re.search(r"P07\s+1\s+2026-11-03", run(capsys, "store", "list"))
    assert "Spring" in run(capsys, "store", "list", "P07")
    shown = run(capsys, "store", "show", "1")
    assert "It was fine." in shown and "class teacher" in shown and "Height of small letters" in shown
    assert "1 pupils, 1 samples, 1 records, 0 pictures: no faults." in run(capsys, "store", "check")
    assert "3 files" in run(capsys, "store", "export", "P07", "--out", tmp_path / "out")
    task = json.loads((tmp_path / "out" / "sample-1.json").read_text("utf-8"))["task"]
    assert (task["said"], task["effort"], task["term"]) == ("It was fine.", 3, "Spring")
    run(capsys, "store", "backup", tmp_path / "copy.sqlite")
    assert "confirmed" in run(capsys, "store", "erase", "P07", code=2)
    gone = run(capsys, "store", "erase", "P07", "--yes")
    assert "Erased of P07: 1 samples, 1 records, 0 pictures" in gone and "Backups" in gone
    assert "P07" not in run(capsys, "store", "list")
    assert "P07" in run(capsys, "store", "list", "--store", tmp_path / "copy.sqlite")


def test_what_is_given_to_keep_goes_over_what_the_record_says(tmp_path, capsys):
    record = written(tmp_path / "in")
    run(capsys, "keep", record, "--code", "Q1", "--date", "2026-01-05", "--setting", "home", "--until", "2040-01-01")
    assert re.search(r"Q1\s+2026-01-05\s+home", run(capsys, "store", "list", "Q1"))
    assert "2040-01-01" in run(capsys, "store", "list")
    assert "1 samples of Q1: look again on 2041-01-01" in run(capsys, "store", "retain", "Q1", "2041-01-01")


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (["--until", "2001-01-01"], 2, "has passed"),
        (["--until", "soon"], 2, "is not a date"),
        (["--by", "Dr X"], 2, "looks like a name"),
        (["--code", "Ab Cd"], 2, "looks like a name"),
        (["--supervised", "Mrs Y"], 2, "looks like a name"),
        (["--said", "x" * 401], 2, "cannot be used"),
        (["--blank", "top"], 2, "not a strip"),
        (["--rescan-of", "4"], 2, "no sample 4"),
        (["--encrypt"], 14, "needs its passphrase"),
    ],
)
def test_refusals_of_keep(tmp_path, capsys, words, code, sentence):
    said = run(capsys, "keep", written(tmp_path / "in"), *words, code=code)
    assert sentence in said and said.count("\n") == 1


def test_a_store_with_a_passphrase_from_the_environment(tmp_path, capsys, monkeypatch):
    pytest.importorskip("sqlcipher3", reason="the extra 'encrypted' is not installed")
    monkeypatch.setenv("HANDWRITING_PASSPHRASE", "four words make one")
    run(capsys, "keep", written(tmp_path / "in"), "--encrypt")
    assert "P07" in run(capsys, "store", "list")
    monkeypatch.delenv("HANDWRITING_PASSPHRASE")
    assert "needs its passphrase" in run(capsys, "store", "list", code=14)


def test_reminder_of_samples_that_have_come_to_their_date(tmp_path, capsys):
    import datetime as dt

    from handwriting.store import open_store

    run(capsys, "keep", written(tmp_path / "in", 1))
    with open_store() as store:
        store.retain("P07", dt.date(2020, 1, 1))
    assert "1 sample has come to the date" in run(capsys, "store", "list")
    assert "2020-01-01" in run(capsys, "store", "list", "--due")
    assert "1 sample has come" in run(capsys, "keep", written(tmp_path / "in", 2))


def test_files_that_are_no_records(tmp_path, capsys):
    other = tmp_path / "x.json"
    assert "cannot be read" in run(capsys, "keep", other, code=11)
    other.write_bytes(b"\xff\xfe\x00")
    assert "not a record" in run(capsys, "keep", other, code=11)
    other.write_text("{}", "utf-8")
    assert "not a valid record" in run(capsys, "keep", other, code=31)


def test_damage_is_told_with_its_exit_code(tmp_path, capsys):
    from handwriting.store import open_store

    run(capsys, "keep", written(tmp_path / "in"))
    with open_store() as store:
        store._db.execute("UPDATE figures SET measures = '{}'")
    assert "faults" in run(capsys, "store", "check", code=12)


def test_compare_from_the_store_and_from_files(tmp_path, capsys):
    folder, files = tmp_path / "in", []
    for n, (date, times) in enumerate((("2025-10-01", 1.0), ("2026-06-01", 1.05)), start=1):
        files.append(written(folder, n, times=times, date=date))
        run(capsys, "keep", files[-1])
    said = run(capsys, "compare", "P07", "--out", tmp_path / "a")
    assert "cannot be told from it" in said and "wobble" in said
    assert {p.name for p in (tmp_path / "a").iterdir()} == {f"compare.{e}" for e in ("html", "pdf", "csv", "json")}
    document = json.loads(run(capsys, "compare", *files, "--out", tmp_path / "b", "--json"))
    assert document["code"] == "P07" and document["before"] == ["2025-10-01"]
    assert run(capsys, "compare", "P07", "-q", "--report-language", "fr", "--out", tmp_path / "c") == ""
    assert "fil du temps" in (tmp_path / "c" / "compare.html").read_text("utf-8")


def test_kept_pictures_are_in_the_comparison(tmp_path, capsys):
    import numpy as np

    from handwriting.record import load
    from handwriting.store import open_store

    blank = np.full((RECORD.page.frame_height_px, RECORD.page.frame_width_px), 250, np.uint8)
    with open_store(create=True) as store:
        for n, date in enumerate(("2025-10-01", "2026-06-01"), start=1):
            store.keep(load(written(tmp_path / "in", n, date=date).read_text("utf-8")), blank)
    run(capsys, "compare", "P07", "-q", "--out", tmp_path / "a")
    assert (tmp_path / "a" / "compare.html").read_text("utf-8").count("<img ") == 2


def test_repeats_make_claims_possible(tmp_path, capsys):
    folder, number = tmp_path / "in", 0
    for i in range(10):
        for day in ("2026-03-02", "2026-03-05"):
            number += 1
            times = 1 + 0.02 * ((number * 7) % 5 - 2)
            run(capsys, "keep", written(folder, number, times=times, date=day, code=f"R{i}"))
    for date, times in (("2025-10-01", 1.0), ("2026-06-01", 2.0)):
        number += 1
        run(capsys, "keep", written(folder, number, times=times, date=date))
    table = run(capsys, "repeats")
    assert "near-copy" in table and "ICC(1,1)" in table
    found = json.loads(run(capsys, "repeats", "--json"))
    assert found[0]["measures"]["x_height"]["df"] == 10
    assert "larger than it" in run(capsys, "compare", "P07", "--out", tmp_path / "a")
    assert "no repeats" in run(capsys, "repeats", "--rescans", code=2)
    assert "--rescan-of" in run(capsys, "repeats", folder / "record-1.json", "--rescans", code=2)


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (["P99"], 2, "no pupil P99"),
        (["P07", "P08"], 2, "one pupil at a time"),
        (["P07", "x.json"], 2, "named together"),
        (["P07", "--before", "today"], 2, "is not a date"),
        (["P07", "--report-language", "xx"], 2, "no words in 'xx'"),
        (["P07"], 2, "one occasion"),
    ],
)
def test_refusals_of_compare(tmp_path, capsys, words, code, sentence):
    run(capsys, "keep", written(tmp_path / "in"))
    said = run(capsys, "compare", *words, "--out", tmp_path / "out", code=code)
    assert sentence in said and said.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_no_store_yet(capsys):
    for words in (["store", "list"], ["compare", "P07"], ["repeats"]):
        assert "no store yet" in run(capsys, *words, code=11)


def test_measure_and_keep_in_one_go(tmp_path, capsys):
    from handwriting.phantoms import ABLE, Capture, Paper, draw

    scan = tmp_path / "scan.png"
    text = "a small red boat came in and the crew sang on the quay until the sun was down over the sea wall " * 2
    cv2.imwrite(str(scan), draw(text, ABLE, Paper(), Capture(dpi=150), seed=3).image)
    out = tmp_path / "out"
    assert "Give --code and --date" in run(capsys, "measure", scan, "--dpi", "150", "--keep", "--out", out, code=2)
    assert not out.exists()
    given = ("--code", "P07", "--date", "2026-03-09", "--dpi", "150", "--out", out, "--report-language", "fr")
    said = run(
        capsys, "measure", scan, *given, "--keep", "--blank", "top:20mm", "--supervised", "aide", "--said", "Fine."
    )
    assert "Kept as sample 1 of P07; look" in said
    assert "kept already as sample 1" in run(capsys, "keep", out / "record.json", "--page", scan, code=2)
    run(capsys, "store", "erase", "P07", "--yes")
    assert "Kept as sample 2 of P07; look" in run(capsys, "keep", out / "record.json", "--page", scan)
    other = tmp_path / "other.png"
    cv2.imwrite(str(other), draw(text, ABLE, Paper(), Capture(dpi=150), seed=4).image)
    assert "not the page the record was made from" in run(capsys, "keep", out / "record.json", "--page", other, code=2)
    assert run(capsys, "store", "check").endswith("1 pictures: no faults.\n")
    assert 'lang="fr-FR"' in (out / "report.html").read_text("utf-8")
    assert "Fine." in (out / "report.html").read_text("utf-8") and (out / "report.pdf").read_bytes()[:4] == b"%PDF"
