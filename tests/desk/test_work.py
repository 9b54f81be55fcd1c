"""What happens to a page in hand: measured, asked anew, put right, undone, kept, erased; and a desk that is killed."""

import io
import json
import re
import sqlite3
import time

import pytest
from conftest import ROOT, SAMPLE
from PIL import Image

TEXT = SAMPLE.with_suffix(".txt").read_text("utf-8")
ASKED = {"code": "HB-07", "minutes": "5", "seconds": "0", "text": TEXT, "reached": "view", "date": "2026-03-09"}


def view(desk, work):
    return json.loads(desk.ask("GET", f"/work/{work}/view.json")[2])


def record(desk, work):
    return json.loads(desk.ask("GET", f"/work/{work}/files/record.json")[2])


def taken(desk, fields=None, files=None):
    status, _, body = desk.change("/work", fields or {}, files or [("able.png", SAMPLE.read_bytes())])
    assert status == 200, body
    return json.loads(body)["ids"][0]


@pytest.fixture(scope="module")
def work(desk):
    """The sample page as dropped with its answers."""
    made = taken(desk, ASKED)
    assert desk.wait(made)["stage"] == "measured"
    return made


@pytest.fixture
def clean(desk, work):
    """The same page with nothing put right."""
    while view(desk, work)["undo"]:
        assert desk.change(f"/work/{work}/step", {"step": "undo"})[0] == 200
    return work


def corrected(desk, work, **correction):
    return desk.change(f"/work/{work}/correct", {"correction": json.dumps(correction), "by": "class teacher"})


def middle(shown, number):
    word = next(w for line in shown["lines"] for w in line["words"] if w["number"] == number)
    left, top, right, bottom = word["box"]
    return [(left + right) / 2 / shown["per_px"], (top + bottom) / 2 / shown["per_px"]]


def test_the_same_numbers_as_the_command_line(desk, work, tmp_path):
    from handwriting.page import read_page
    from handwriting.pipeline import Options, measure_page
    from handwriting.record import to_json
    from handwriting.task import read_task

    task = read_task(text=str(SAMPLE.with_suffix(".txt")), seconds=300, reached="view", code="HB-07", date="2026-03-09")
    alone = json.loads(to_json(measure_page(read_page(SAMPLE), task, Options()).record))
    made = record(desk, work)
    assert made["measures"] == alone["measures"] and made["lines"] == alone["lines"]
    assert made["page"]["sha256"] == alone["page"]["sha256"] and made["scale"] == alone["scale"]


def test_every_measure_knows_its_marks(desk, work):
    from handwriting.desk.view import MARKS

    rows = [row for group in view(desk, work)["measures"] for row in group["rows"]]
    assert {row["key"] for row in rows} == set(record(desk, work)["measures"])
    assert all(row["key"] in MARKS and row["marks"] for row in rows)
    assert all(row.get("value") or row.get("why") for row in rows)


def test_the_readme_shows_pictures_that_are_there():
    shown = re.findall(r"\]\((samples/desk/[\w-]+\.png)\)", (ROOT / "README.md").read_text("utf-8"))
    assert sorted(shown) == sorted(f"samples/desk/{p.name}" for p in (ROOT / "samples/desk").iterdir())
    assert len(shown) >= 6


def test_every_measure_there_can_be_has_its_marks():
    from handwriting.desk.view import MARKS
    from handwriting.report.words import catalogue

    assert set(catalogue().measures) <= set(MARKS)


def test_asking_anew_changes_the_rate_and_not_the_page(desk, work):
    before = record(desk, work)
    assert desk.change(f"/work/{work}/asked", {**ASKED, "minutes": "10"})[0] == 200
    assert desk.wait(work)["stage"] == "measured"
    after = record(desk, work)
    rate = "letters_per_minute"
    assert after["measures"][rate]["value"] == pytest.approx(before["measures"][rate]["value"] / 2)
    assert after["lines"] == before["lines"] and after["measures"]["slant"] == before["measures"]["slant"]
    assert desk.change(f"/work/{work}/asked", ASKED)[0] == 200
    desk.wait(work)
    assert record(desk, work)["measures"] == before["measures"]


@pytest.mark.parametrize(
    ("fields", "field", "part"),
    [
        ({"age": "9:12"}, "age", "12 months"),
        ({"text": TEXT, "reached": "zebra"}, "reached", "not in the text"),
        ({"reached": "view"}, "reached", "“Text that was copied”"),
        ({"minutes": "five"}, "seconds", "not a number"),
        ({"dpi": "9"}, "dpi", "50 to 4800"),
        ({"code": "Ann Other"}, "code", "no names"),
        ({"text": "/etc/hostname"}, "", ""),
    ],
    ids=str,
)
def test_a_field_that_cannot_be_used_is_said_beside_it(desk, fields, field, part):
    status, _, body = desk.change("/work", fields, [("able.png", b"x")])
    said = json.loads(body)
    if not part:
        # The words are taken as words, never as the name of a file.
        assert status == 200
        desk.change(f"/work/{said['ids'][0]}/remove")
        return
    assert status == 422 and said["field"] == field and part in said["sentence"] and "--" not in said["sentence"]


def test_no_file_is_one_sentence(desk):
    status, _, body = desk.change("/work", ASKED)
    assert status == 422 and "no file was chosen" in json.loads(body)["sentence"].lower()


def test_a_file_that_is_no_picture_says_why_and_can_be_put_away(desk):
    work = taken(desk, files=[("notes.png", b"some notes, no picture")])
    now = desk.wait(work)
    assert now["stage"] == "stopped" and now["trouble"].startswith("The file is not a picture or document of a kind")
    assert desk.change(f"/work/{work}/remove")[0] == 200


def test_a_blank_page_is_said_to_be_blank(desk):
    out = io.BytesIO()
    Image.new("L", (1240, 1754), 252).save(out, "PNG", dpi=(150, 150))
    work = taken(desk, files=[("blank.png", out.getvalue())])
    assert desk.wait(work)["trouble"].startswith("No writing was found")
    assert b"original" not in desk.ask("GET", f"/work/{work}")[2].split(b"<main")[1]
    assert desk.change(f"/work/{work}/remove")[0] == 200


def test_each_page_of_a_file_is_a_page_in_hand(desk):
    page = Image.open(SAMPLE).convert("L").resize((1240, 1754))
    out = io.BytesIO()
    page.save(out, "TIFF", save_all=True, append_images=[page, page], dpi=(150, 150))
    first = taken(desk, files=[("three.tif", out.getvalue())])
    assert desk.wait(first)["stage"] == "measured"
    shown = desk.ask("GET", f"/work/{first}")[2].decode()
    assert "page 1 of 3" in shown
    others = set(re.findall(r'href="/work/(\w{20})"', shown)) - {first}
    assert len(others) == 2
    assert {desk.wait(w)["stage"] for w in others} == {"measured"}
    assert sorted(record(desk, w)["page"]["number"] for w in (first, *others)) == [1, 2, 3]
    for w in (first, *others):
        assert desk.change(f"/work/{w}/remove")[0] == 200


def test_the_pages_of_one_sheet_are_measured_as_one_sample(desk, tmp_path):
    import sys

    sys.path.insert(0, str(ROOT / "tests" / "unit"))
    from test_sample import sheet_pages

    pages = [Image.fromarray(p.grey) for p in sheet_pages("fox", ("sun moon star rain", "snow wind over some moor"))]
    out = io.BytesIO()
    pages[0].save(out, "TIFF", save_all=True, append_images=pages[1:], dpi=(200, 200))
    first = taken(desk, files=[("sheet.tif", out.getvalue())])
    assert desk.wait(first)["stage"] == "measured"
    alone = record(desk, first)
    for work in set(re.findall(r'href="/work/(\w{20})"', desk.ask("GET", f"/work/{first}")[2].decode())):
        desk.wait(work)
    assert desk.change(f"/work/{first}/together", {"as": "one"})[0] == 200
    assert desk.wait(first)["stage"] == "measured"
    one = record(desk, first)
    assert len(one["lines"]) > len(alone["lines"])
    # A correction finds the whole sample, and the first page can stand alone again.
    assert corrected(desk, first, kind="letters", value=99)[0] == 200
    assert len(record(desk, first)["lines"]) == len(one["lines"])
    assert desk.change(f"/work/{first}/together", {"as": "each"})[0] == 200
    desk.wait(first)
    assert record(desk, first)["lines"] == alone["lines"]


def test_measuring_can_be_stopped_and_taken_up_again(desk):
    work = taken(desk)
    assert desk.change(f"/work/{work}/stop")[0] == 200
    now = desk.wait(work)
    assert now["stage"] == "stopped" and "you stopped" in now["trouble"].lower()
    assert desk.change(f"/work/{work}/again")[0] == 200
    assert desk.wait(work)["stage"] == "measured"
    assert desk.change(f"/work/{work}/remove")[0] == 200


CORRECTIONS = [
    {"kind": "letters", "value": 290},
    {"kind": "last-word", "value": 40},
    {"kind": "state", "at": 5, "value": "crossed-out"},
    {"kind": "reads", "at": 3, "value": "to"},
    {"kind": "join", "at": 5},
    {"kind": "baseline", "at": 20, "value": 3.0},
    {"kind": "set-aside", "at": 1},
    {"kind": "set-line", "at": 72},
    {"kind": "minute", "at": 14, "value": 1},
    {"kind": "blank", "value": [0.0, 0.0, 2400.0, 200.0]},
    {"kind": "scale", "value": [300.0, 400.0, 1481.0, 400.0, 100.0]},
]


@pytest.mark.parametrize("correction", CORRECTIONS, ids=lambda c: c["kind"])
def test_each_correction_changes_the_record_and_is_undone(desk, clean, correction):
    before, shown = record(desk, clean), view(desk, clean)
    made = dict(correction)
    if "at" in made:
        made["at"] = middle(shown, made["at"])
    if made["kind"] == "baseline":
        line = next(x for x in shown["lines"] if any(w["number"] == 20 for w in x["words"]))
        x, y = (c / shown["per_px"] for c in line["baseline"][len(line["baseline"]) // 2])
        made |= {"at": [x, y], "value": [x, y - correction["value"]]}
    status, _, body = corrected(desk, clean, **made)
    assert status == 200, body
    after = record(desk, clean)
    assert [c["kind"] for c in after["corrections"]] == [made["kind"]]
    assert after["corrections"][0]["who"] == "class teacher" and after["corrections"][0]["when"]
    # The tool's version stands beside the person's.
    assert after["as_found"]["measures"] == before["measures"]
    if made["kind"] not in {"minute", "blank"}:
        assert after["measures"] != before["measures"] or after["lines"] != before["lines"]
    assert json.loads(body)["undo"] == 1 and json.loads(body)["made"]
    assert desk.change(f"/work/{clean}/step", {"step": "undo"})[0] == 200
    undone = record(desk, clean)
    assert undone["measures"] == before["measures"] and undone["lines"] == before["lines"] and not undone["corrections"]
    assert desk.change(f"/work/{clean}/step", {"step": "redo"})[0] == 200
    assert record(desk, clean)["measures"] == after["measures"]


def test_a_word_is_split_between_its_letters(desk, clean):
    shown = view(desk, clean)
    word = max((w for line in shown["lines"] for w in line["words"]), key=lambda w: len(w["letters"]))
    x = (word["box"][0] + word["box"][2]) / 2 / shown["per_px"]
    y = (word["box"][1] + word["box"][3]) / 2 / shown["per_px"]
    status, _, body = corrected(desk, clean, kind="split", at=[x, y])
    assert status == 200
    words = [w for line in json.loads(body)["lines"] for w in line["words"]]
    assert len(words) == sum(len(line["words"]) for line in shown["lines"]) + 1


def test_undo_and_redo_have_no_end(desk, clean):
    start = record(desk, clean)["measures"]
    for count in range(1, 9):
        assert corrected(desk, clean, kind="letters", value=100 + count)[0] == 200
    assert view(desk, clean)["undo"] == 8
    for _ in range(8):
        desk.change(f"/work/{clean}/step", {"step": "undo"})
    assert record(desk, clean)["measures"] == start and view(desk, clean)["redo"] == 8
    assert desk.change(f"/work/{clean}/step", {"step": "undo"})[0] == 200
    for _ in range(8):
        desk.change(f"/work/{clean}/step", {"step": "redo"})
    assert record(desk, clean)["letters"]["counted_by_hand"] == 108


@pytest.mark.parametrize(
    ("correction", "part"),
    [
        ({"kind": "split", "at": [1, 1]}, "no word"),
        ({"kind": "nothing"}, "no correction"),
        ({"kind": "last-word", "value": 4000}, "no word 4000"),
        ({"kind": "blank", "value": [-9, -9, -2, -2]}, "outside the page"),
        ({"kind": "scale", "value": [1, 1, 2, 1, 100]}, "too short"),
    ],
    ids=str,
)
def test_a_correction_that_cannot_be_used_changes_nothing(desk, clean, correction, part):
    before = record(desk, clean)
    status, _, body = corrected(desk, clean, **correction)
    assert status == 422 and part in json.loads(body)["sentence"]
    assert record(desk, clean) == before and view(desk, clean)["undo"] == 0


def test_a_name_in_place_of_a_role_is_refused(desk, clean):
    fields = {"correction": json.dumps({"kind": "letters", "value": 5}), "by": "Mrs Ann Other"}
    status, _, body = desk.change(f"/work/{clean}/correct", fields)
    assert status == 422 and "no names" in json.loads(body)["sentence"]


def test_what_is_blanked_is_gone_from_the_picture(desk, clean):
    def darkest():
        data = desk.ask("GET", f"/work/{clean}/picture.jpg")[2]
        return Image.open(io.BytesIO(data)).convert("L").crop((330, 330, 700, 420)).getextrema()[0]

    assert darkest() < 120
    assert corrected(desk, clean, kind="blank", value=[300, 250, 800, 480])[0] == 200
    assert darkest() > 200
    desk.change(f"/work/{clean}/step", {"step": "undo"})
    assert darkest() < 120


def test_two_adults_read_the_words(desk, clean):
    assert desk.change(f"/work/{clean}/read", {"reader": "Mrs Ann Other"})[0] == 422
    status, _, body = desk.change(f"/work/{clean}/read", {"reader": "class teacher"})
    assert status == 200, body
    place = json.loads(body)["where"]
    page = desk.ask("GET", place.replace(" ", "%20"))[2].decode()
    items = [int(n) for n in re.findall(r'name="w(\d+)"', page)]
    key = json.loads((next(desk.store.parent.rglob(clean)) / "reading" / "key.json").read_text())
    words = {i["item"]: i["text"] for i in key["items"]}
    assert items == list(range(1, len(words) + 1)) and len(items) >= 30
    assert not [w for w in words.values() if len(w) > 4 and re.search(rf"\b{w}\b", page.split("<main")[1])]
    assert [i["word"] for i in key["items"]] != sorted(i["word"] for i in key["items"])
    picture = Image.open(io.BytesIO(desk.ask("GET", f"/work/{clean}/read/1.png")[2]))
    assert picture.width > 10 and picture.convert("L").getextrema()[0] < 128
    assert desk.ask("GET", f"/work/{clean}/read/999.png")[0] == 404
    # One reads all, the other every second word.
    half = {f"w{n}": w for n, w in words.items() if n % 2}
    for reader, said in (("class teacher", {f"w{n}": w for n, w in words.items()}), ("SENCO", half)):
        assert desk.change(f"/work/{clean}/read/answers", {"reader": reader, **said})[0] == 200
    shown = desk.ask("GET", f"/work/{clean}/read")[2].decode()
    assert re.search(r"class teacher</th><td[^>]*>100", shown) and re.search(r"SENCO</th><td[^>]*>5[0-2]", shown)
    assert "class teacher and SENCO" in shown
    assert desk.change(f"/work/{clean}/read", {"reader": "SENCO"})[0] == 422
    table = desk.ask("GET", f"/work/{clean}/read/answers.csv")[2].decode("utf-8-sig").splitlines()
    assert table[0] == "item,word,text,class teacher,SENCO" and len(table) == len(words) + 1


def test_keep_find_and_erase(desk, clean):
    work = clean
    assert corrected(desk, work, kind="letters", value=299)[0] == 200
    status, _, body = desk.change(f"/work/{work}/keep", {"code": "HB-07", "date": "2026-03-09", "by": "class teacher"})
    assert status == 200, body
    number = json.loads(body)["number"]
    listed = desk.ask("GET", "/records?code=hb")[2].decode()
    assert "HB-07" in listed and "2026-03-09" in listed
    assert "No kept sample fits" in desk.ask("GET", "/records?code=ZZ")[2].decode()
    shown = desk.ask("GET", f"/records/{number}")[2].decode()
    assert "class teacher" in shown and "Letters counted by hand: 299" in shown
    assert b"Handwriting measures" in desk.ask("GET", f"/records/{number}/report")[2]
    # A correction made later is a new revision of the same sample.
    assert corrected(desk, work, kind="letters", value=298)[0] == 200
    status, _, body = desk.change(f"/work/{work}/keep", {"code": "HB-07", "date": "2026-03-09", "by": "class teacher"})
    assert status == 200 and json.loads(body)["number"] == number
    status, headers, archive = desk.change("/records/pupil/HB-07/export")
    assert (
        status == 200 and headers["content-disposition"] == 'attachment; filename="HB-07.zip"' and archive[:2] == b"PK"
    )
    assert desk.change("/records/pupil/HB-07/retain", {"until": "2031-01-02"})[0] == 200
    assert "2031-01-02" in desk.ask("GET", "/records/pupil/HB-07")[2].decode()
    assert desk.change("/records/pupil/HB-07/erase", {"sure": "no"})[0] == 422
    other = taken(desk, {**ASKED, "code": "HB-12"})
    status, _, body = desk.change("/records/pupil/HB-07/erase", {"sure": "HB-07"})
    assert status == 200 and b"samples 1, revisions 2, pictures 1" in body
    assert desk.ask("GET", "/records/pupil/HB-07")[0] == 404 and desk.ask("GET", f"/work/{work}")[0] == 404
    assert desk.ask("GET", f"/work/{other}")[0] == 200
    assert b"HB-07" not in desk.store.read_bytes()
    assert not [p for p in desk.store.parent.rglob("*") if p.is_file() and p != desk.log and b"HB-07" in p.read_bytes()]
    desk.change(f"/work/{other}/remove")


def test_keeping_needs_code_date_and_keeper(desk):
    work = taken(desk, {})
    desk.wait(work)
    for fields, part in (
        ({"date": "2026-03-09", "by": "AB"}, "needs it"),
        ({"code": "HB-07", "by": "AB"}, "needs it"),
        ({"code": "Ann Other", "date": "2026-03-09", "by": "AB"}, "no names"),
        ({"code": "HB-07", "date": "2026-03-09", "by": "Mr Other"}, "no names"),
    ):
        status, _, body = desk.change(f"/work/{work}/keep", fields)
        assert status == 422 and part in json.loads(body)["sentence"]
    desk.change(f"/work/{work}/remove")


def test_a_killed_desk_loses_nothing(own_desk):
    own_desk.open()
    work = taken(own_desk, ASKED)
    assert own_desk.wait(work)["stage"] == "measured"
    for value in (297, 296):
        assert corrected(own_desk, work, kind="letters", value=value)[0] == 200
    own_desk.change(f"/work/{work}/step", {"step": "undo"})
    status, _, body = own_desk.change(f"/work/{work}/keep", {"code": "HB-07", "date": "2026-03-09", "by": "AB"})
    assert status == 200, body
    before, shown = record(own_desk, work), view(own_desk, work)
    unmeasured = taken(own_desk, ASKED)  # killed while it is being measured
    own_desk.kill()
    own_desk.start().open()
    assert record(own_desk, work) == before
    assert view(own_desk, work) == shown and (shown["undo"], shown["redo"]) == (1, 1)
    assert own_desk.wait(unmeasured)["stage"] == "measured"
    assert own_desk.change(f"/work/{work}/step", {"step": "redo"})[0] == 200
    assert record(own_desk, work)["letters"]["counted_by_hand"] == 296
    assert "HB-07" in own_desk.ask("GET", "/records")[2].decode()
    with sqlite3.connect(own_desk.store) as store:
        assert store.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    store.close()
    # The old cookie is from another start and opens nothing.
    assert own_desk.ask("GET", "/", cookie="handwriting_desk_1=x")[0] == 403


def test_a_watched_folder_brings_its_new_scans(own_desk, tmp_path):
    own_desk.stop()
    folder = tmp_path / "scanner"
    folder.mkdir()
    (folder / "old.png").write_bytes(SAMPLE.read_bytes())
    own_desk.start("--watch", str(folder)).open()
    (folder / "new.png").write_bytes(SAMPLE.read_bytes())
    (folder / "notes.txt").write_text("no scan")
    for _ in range(200):
        hand = json.loads(own_desk.ask("GET", "/hand")[2])
        if hand:
            break
        time.sleep(0.1)
    (work,) = hand
    assert own_desk.wait(work)["stage"] == "measured"
    assert sorted(p.name for p in folder.iterdir()) == ["new.png", "notes.txt", "old.png"]
    assert len(json.loads(own_desk.ask("GET", "/hand")[2])) == 1


def test_a_growing_file_is_waited_for(tmp_path):
    from handwriting.desk.watch import Watch
    from handwriting.errors import FileNotReadableError

    taken = []
    watch = Watch(tmp_path, taken.append)
    scan = tmp_path / "scan.pdf"
    for part in (b"1", b"12", b"123"):
        scan.write_bytes(part)
        watch.look()
    assert not taken
    watch.look()
    watch.look()
    assert taken == [scan]
    with pytest.raises(FileNotReadableError, match="no such folder"):
        Watch(tmp_path / "none", taken.append)


def test_the_close_button_ends_it(own_desk):
    own_desk.open()
    status, _, body = own_desk.change("/close", Accept="text/html")
    assert status == 200 and b"closed" in body
    assert own_desk.process.wait(20) == 0


def test_half_written_files_are_cleared_at_the_start(tmp_path):
    from handwriting.desk.work import Desk

    desk = Desk(tmp_path / "d")
    state = desk.take(io.BytesIO(b"x"), "a.png", {})
    place = desk.place(state.id)
    (place / ".state.json.abc.part").write_bytes(b"half")
    (place.parent / ("0" * 20)).mkdir()
    desk.close()
    again = Desk(tmp_path / "d")
    assert [s.id for s in again.all()] == [state.id]
    assert sorted(p.name for p in place.iterdir()) == ["original", "state.json"]
    assert [p.name for p in place.parent.iterdir()] == [state.id]
    again.close()


def test_a_full_disk_is_one_sentence_and_changes_nothing(tmp_path, monkeypatch):
    from handwriting.desk import work as module
    from handwriting.errors import OutputError

    desk = module.Desk(tmp_path / "d")
    state = desk.take(io.BytesIO(b"x"), "a.png", {"code": "P1"})

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module.os, "fsync", full)
    with pytest.raises(OutputError, match="no space left on device"):
        desk.change(state.id, asked={"code": "P2"})
    monkeypatch.undo()
    assert desk.state(state.id).asked == {"code": "P1"}
    assert sorted(p.name for p in desk.place(state.id).iterdir()) == ["original", "state.json"]
    desk.close()


def test_a_thousand_records_are_listed(own_desk, desk):
    from handwriting.record import load
    from handwriting.store import open_store

    work = taken(desk, {**ASKED, "code": "P00"})
    desk.wait(work)
    with open_store(own_desk.store, create=True) as store:
        store.keep(load(json.dumps(record(desk, work))))
    desk.change(f"/work/{work}/remove")
    # Keeping a record takes its time; here the one is copied, row by row, to a thousand of forty pupils.
    with sqlite3.connect(own_desk.store) as store:
        store.executemany("INSERT INTO pupil (code) VALUES (?)", [(f"P{n:02d}",) for n in range(1, 40)])
        names = [row[1] for row in store.execute("PRAGMA table_info(sample)")][2:]
        rest = ", ".join(n for n in names if n != "page_sha256")
        for n in range(1, 1000):
            store.execute(
                f"INSERT INTO sample (pupil, page_sha256, {rest}) SELECT ?, ?, {rest} FROM sample WHERE id = 1",
                (n % 40 + 1, f"{n:064x}"),
            )
        for table, columns in (("figures", "measures"), ("revision", "at, by, record")):
            store.execute(
                f"INSERT INTO {table} (sample, {columns}) SELECT s.id, {columns} FROM sample s, {table} t"
                " WHERE t.sample = 1 AND s.id > 1"
            )
    store.close()
    own_desk.open()
    status, _, body = own_desk.ask("GET", "/records")
    assert status == 200 and body.count(b"<tr>") == 1001
