"""Keeping, reading back, correcting, erasing, copying: nothing lost, nothing left."""

import datetime as dt
import json
import sqlite3
from dataclasses import replace

import numpy as np
import pytest
from kept_records import record_of
from PIL import Image

from handwriting.errors import UsageError
from handwriting.quantity import NotMeasured
from handwriting.record import load, to_json
from handwriting.store import default_path, open_store, read_strip
from handwriting.store.care import months_on


def test_what_is_kept_comes_back(place, picture):
    record = record_of()
    with open_store(place, create=True) as store:
        number = store.keep(record, picture, by="class teacher")
    with open_store(place) as store:
        back = store.record(number)
        assert back == load(to_json(replace(record, page=replace(record.page, name="page.png"))))
        assert np.array_equal(store.picture(number), picture)
        (row,) = store.rows("P07")
        assert (row.number, row.code, row.date, row.setting) == (number, "P07", dt.date(2026, 3, 9), "school")
        assert (row.kept_by, row.picture, row.revisions, row.corrections) == ("class teacher", True, 1, 0)
        (sample,) = store.samples("P07")
        assert sample.measures["x_height"].value == back.measures["x_height"].value
        assert isinstance(sample.measures["right_margin_drift"], NotMeasured)
        assert store.check().faults == ()


def test_colour_pictures_come_back_as_they_were(place, picture):
    colour = np.dstack([picture, picture // 2, np.full_like(picture, 9)])
    with open_store(place, create=True) as store:
        assert np.array_equal(store.picture(store.keep(record_of(), colour)), colour)


def test_nothing_but_pixels_in_the_picture_and_no_file_name(place, picture, tmp_path):
    with open_store(place, create=True) as store:
        store.keep(record_of(), picture)
        written = store.export("P07", tmp_path / "out")
    with Image.open(written["sample-1.png"]) as image:
        assert image.info == {}
        assert not image.getexif()
    assert b"a-childs-name" not in place.read_bytes()
    assert b"a-childs-name" not in written["sample-1.json"].read_bytes()


def test_a_strip_is_blanked_with_the_text_in_it(place, picture):
    record = record_of()
    assert any(w.text for line in record.lines for w in line.words if w.box.top < 60)
    with open_store(place, create=True) as store:
        number = store.keep(record, picture, strip=read_strip("top:60mm"))
        shown, back = store.picture(number), store.record(number)
    deep = int(60 / record.scale.mm_per_px)
    assert (shown[:deep] == 255).all()
    assert np.array_equal(shown[deep + 1 :], picture[deep + 1 :])
    for line in back.lines:
        for word in line.words:
            assert (word.text is None) == (word.box.top < 60)
            assert all((letter.text is None) == (word.box.top < 60) for letter in word.letters)


@pytest.mark.parametrize("given", ["", "top", "top:25", "middle:3mm", "top:0mm", "left:95%", "top:-3mm"])
def test_strips_that_are_none(given):
    with pytest.raises(UsageError, match="strip"):
        read_strip(given)


def test_a_strip_in_mm_needs_a_scale(place, picture):
    record = record_of()
    bare = replace(record, scale=replace(record.scale, unit="px", mm_per_px=None))
    with open_store(place, create=True) as store:
        with pytest.raises(UsageError, match="no scale"):
            store.keep(bare, picture, strip=read_strip("top:25mm"))
        number = store.keep(bare, picture, strip=read_strip("left:10%"))
        assert (store.picture(number)[:, : picture.shape[1] // 10] == 255).all()


@pytest.mark.parametrize("missing", ["code", "date"])
def test_a_record_without_code_or_date_is_not_kept(place, missing):
    with open_store(place, create=True) as store:
        with pytest.raises(UsageError, match="has no"):
            store.keep(record_of(**{missing: None}))
        assert store.rows() == ()


def test_a_name_is_no_code_and_no_role(place):
    with open_store(place, create=True) as store:
        with pytest.raises(UsageError, match="name"):
            store.keep(record_of(code="Ab Cd"))
        with pytest.raises(UsageError, match="name"):
            store.keep(record_of(), by="Mrs X")


def test_one_page_is_kept_once(place):
    with open_store(place, create=True) as store:
        store.keep(record_of())
        with pytest.raises(UsageError, match="kept already as sample 1"):
            store.keep(record_of())
        store.keep(record_of(code="P08"))  # another pupil's copy of the file is the school's affair
        assert [p.code for p in store.pupils()] == ["P07", "P08"]


def test_a_rescan_belongs_to_the_same_pupil(place):
    with open_store(place, create=True) as store:
        first = store.keep(record_of(1))
        other = store.keep(record_of(2, code="P08"))
        with pytest.raises(UsageError, match="not of P07"):
            store.keep(record_of(3), rescan_of=other)
        with pytest.raises(UsageError, match="no sample 99"):
            store.keep(record_of(3), rescan_of=99)
        again = store.keep(record_of(3), rescan_of=first)
        assert [[s.number for s in group] for group in store.scanned_again()] == [[first, again]]


def test_corrections_with_who_and_when(place):
    record = record_of()
    with open_store(place, create=True) as store:
        number = store.keep(record)
        when = "2026-03-10T09:00:00+00:00"
        entry = {"kind": "reads", "at": [310.0, 420.5], "value": "noon", "who": "AB", "when": when}
        once = replace(record, corrections=(entry,))
        store.correct(number, once, by="AB")
        twice = replace(once, corrections=(entry, {"kind": "set-line", "at": [200.0, 500.0]}))
        store.correct(number, twice, by="classroom assistant")
        rows = store.corrections(number)
        assert [(r.by, r.what["kind"]) for r in rows] == [("AB", "reads"), ("classroom assistant", "set-line")]
        assert rows[0].at == when and dt.datetime.fromisoformat(rows[1].at).tzinfo is not None
        assert [len(r.corrections) for _, _, r in store.revisions(number)] == [0, 1, 2]
        assert store.check().faults == ()


def test_a_correction_needs_its_maker_and_its_page(place):
    with open_store(place, create=True) as store:
        number = store.keep(record_of(1))
        with pytest.raises(UsageError, match="who made it"):
            store.correct(number, record_of(1), by="")
        with pytest.raises(UsageError, match="not of the page"):
            store.correct(number, record_of(2), by="AB")
        with pytest.raises(UsageError, match="no sample 7"):
            store.correct(7, record_of(1), by="AB")


CANARY = "Quillfeather-canary-7731"


def test_erasing_leaves_no_trace_in_any_file(place, picture):
    with open_store(place, create=True) as store:
        for number in range(3):
            told = record_of(number, code="Z99", said=CANARY, text=CANARY)
            store.correct(store.keep(told, picture), replace(told, corrections=({"what": CANARY},)), by="AB")
        store.keep(record_of(9), picture)
        whole = place.read_bytes()
        assert CANARY.encode() in whole and b"Z99" in whole
        gone = store.erase("Z99")
        assert (gone.samples, gone.revisions, gone.pictures, gone.corrections) == (3, 6, 3, 3)
        assert gone.bytes > 0
        assert [p.code for p in store.pupils()] == ["P07"]
        assert store.check().faults == ()
    for file in place.parent.iterdir():
        assert CANARY.encode() not in file.read_bytes()
        assert b"Z99" not in file.read_bytes()
    with sqlite3.connect(place) as raw:
        assert raw.execute("PRAGMA freelist_count").fetchone() == (0,)
    raw.close()


def test_one_sample_can_be_erased_and_its_number_is_not_used_again(place):
    with open_store(place, create=True) as store:
        first, second = store.keep(record_of(1)), store.keep(record_of(2))
        with pytest.raises(UsageError, match="no pupil P08"):
            store.erase("P08", number=first)
        assert store.erase("P07", number=second).samples == 1
        assert store.keep(record_of(3)) == second + 1
        assert store.erase("P07", number=first).samples == 1
        assert store.erase("P07").samples == 1
        assert store.pupils() == ()


def test_dates_to_look_again(place):
    with open_store(place, create=True) as store:
        store.keep(record_of(1), keep_until=dt.date(2026, 9, 1))
        store.keep(record_of(2))
        assert store.due(dt.date(2026, 8, 31)) == 0
        assert store.due(dt.date(2026, 9, 1)) == 1
        assert len(store.rows(due_on=dt.date(2026, 9, 1))) == 1
        assert store.retain("P07", dt.date(2030, 1, 1)) == 2
        assert store.due(dt.date(2029, 12, 31)) == 0


def test_months_end_on_the_last_day_of_a_shorter_month():
    assert months_on(dt.date(2027, 1, 31), 1) == dt.date(2027, 2, 28)
    assert months_on(dt.date(2027, 11, 30), 3) == dt.date(2028, 2, 29)
    assert months_on(dt.date(2026, 12, 5), 12) == dt.date(2027, 12, 5)


def test_export_holds_everything_and_is_safe_to_open(place, picture, tmp_path):
    with open_store(place, create=True) as store:
        told = record_of(term="Spring", setting="home")
        number = store.keep(told, picture)
        store.correct(number, replace(told, corrections=({"what": "x"},)), by="AB")
        written = store.export("P07", tmp_path / "out")
        with pytest.raises(UsageError, match="no pupil"):
            store.export("P01", tmp_path / "none")
    assert set(written) == {"samples.csv", "corrections.json", "sample-1.json", "sample-1.png"}
    assert load(written["sample-1.json"].read_text("utf-8")).task["term"] == "Spring"
    assert json.loads(written["corrections.json"].read_text("utf-8"))[0]["by"] == "AB"
    assert "Spring" in written["samples.csv"].read_text("utf-8-sig")


def test_a_backup_is_a_whole_store(place, picture, tmp_path):
    copy = tmp_path / "copy" / "backup.sqlite"
    with open_store(place, create=True) as store:
        store.keep(record_of(), picture)
        store.backup(copy)
        with pytest.raises(UsageError, match="there already"):
            store.backup(copy)
    with open_store(copy) as store:
        assert store.check().samples == 1 and store.check().faults == ()
    assert {f.name for f in copy.parent.iterdir()} == {"backup.sqlite"}


def test_check_sees_each_kind_of_fault(place, picture):
    with open_store(place, create=True) as store:
        for number in range(6):
            store.keep(record_of(number), picture)
        assert store.check().faults == ()
        for harm in (
            "UPDATE sample SET tool = 'chalk' WHERE id = 1",
            "UPDATE figures SET measures = '{}' WHERE sample = 2",
            "UPDATE picture SET png = x'00' WHERE sample = 3",
            "UPDATE revision SET record = x'00' WHERE sample = 4",
            "DELETE FROM revision WHERE sample = 5",
            "INSERT INTO pupil (code) VALUES ('P11')",
        ):
            store._db.execute(harm)
        faults = store.check().faults
    assert len(faults) == 6
    for number in range(1, 6):
        assert any(f"sample {number}" in fault for fault in faults)
    assert "pupil P11 has no sample" in faults


def test_repeats_are_found_as_the_comparison_gathers_them(place):
    from handwriting.change import gather

    with open_store(place, create=True) as store:
        number = 0
        for code in ("P01", "P02", "P03"):
            for day in ("2026-03-02", "2026-03-06", "2026-03-20", "2026-06-01", "2026-06-09"):
                number += 1
                store.keep(record_of(number, code=code, date=day, tool="pencil" if code == "P03" else "pen"))
        everything = [s for code in ("P01", "P02", "P03") for s in store.samples(code)]
        expected = {tuple(s.number for s in g) for g in gather(everything) if len(g) > 1}
        assert {tuple(s.number for s in g) for g in store.repeats()} == expected
        assert len(expected) == 3
        pen = store.repeats(store.samples("P01")[0])
        assert sorted(g[0].code for g in pen) == ["P01", "P02"]
        assert pen[0][0].measures == store.samples("P01")[0].measures


def test_the_default_place_is_the_users_own(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_path().name == "store.sqlite"
    assert "handwriting" in default_path().parts
