"""Reading sheets: pictures hold one word each in shuffled order, and scores follow from the answers alone."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from handwriting import cli
from handwriting.calibration import Given
from handwriting.errors import RecordError, UsageError
from handwriting.legibility.pictures import Item, Key, read_key, shuffled, word_pictures
from handwriting.legibility.score import read_answers, score, together
from handwriting.legibility.sheet import answers_table, reading_sheet
from handwriting.page import Page
from handwriting.phantoms import WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import NotMeasured
from handwriting.task import read_task

TEXT = "the old boat lay on the sand until a storm came in from the west and took it far out again"
KEY = Key(
    "0" * 64, "P07", 1, tuple(Item(i, i, text, "written") for i, text in enumerate(("boat", "sand", "Été,", "a"), 1))
)


@pytest.fixture(scope="module")
def result():
    page = draw(TEXT, WRITERS["able"], Paper(), Capture(dpi=150), 3)
    grey = page.image if page.image.ndim == 2 else np.asarray(page.image[..., 1])
    read = Page(np.ascontiguousarray(grey), None, "0" * 64, "page.png", "PNG", claimed_dpi=(150.0, 150.0))
    return measure_page(read, read_task(text=TEXT, seconds=120), Options(Given(150.0)))


def test_every_known_word_is_shown_once_in_an_order_of_its_own(result):
    key = shuffled(result.record, 1, None)
    assert sorted(item.text for item in key.items) == sorted(TEXT.split())
    assert [item.text for item in key.items] != TEXT.split()
    assert shuffled(result.record, 1, None) == key
    assert shuffled(result.record, 2, None).items != key.items
    assert len(shuffled(result.record, 1, 6).items) == 6
    assert read_key(key.to_json(), where="key") == key


def test_a_picture_holds_its_own_words_ink_alone(result):
    key = shuffled(result.record, 1, None)
    words = result.found.words
    for item, picture in zip(key.items, word_pictures(result.found, key), strict=True):
        own = int((words.word == item.word - 1).sum())
        dark = int((picture < 160).sum())
        assert dark == pytest.approx(own, rel=0.35)


def test_the_sheet_says_nothing_of_the_text(result):
    key = shuffled(result.record, 1, None)
    sheet = reading_sheet(key, word_pictures(result.found, key), result.record.scale.mm_per_px)
    assert sheet.count("<li>") == len(key.items)
    assert "storm" not in sheet
    assert "<script" not in sheet
    assert answers_table(key).splitlines()[0] == "item,answer"


def test_a_page_without_a_known_text_has_no_sheet(result):
    lines = tuple(replace(x, words=tuple(replace(w, text=None) for w in x.words)) for x in result.record.lines)
    with pytest.raises(UsageError, match="only 0 words"):
        shuffled(replace(result.record, lines=lines), 1, None)


def test_words_and_letters_read():
    # "band" holds a, n and d of "sand" in order; accents, capitals and stops make no difference; a tick is a reading.
    answers = read_answers("item;answer\n1;Boat\n2;band\n3;ete\n4;x\n", KEY, where="t")
    found = score("RH", answers, KEY)
    assert (found.words.value, found.words.n) == (75.0, 4)
    assert (found.letters.value, found.letters.n) == (pytest.approx(100 * 11 / 12), 12)
    assert found.ticked == 1
    # Reference: Wilson's interval as scipy gives it.
    wilson = stats.binomtest(3, 4).proportion_ci(method="wilson")
    assert (found.words.low, found.words.high) == pytest.approx((100 * wilson.low, 100 * wilson.high))


def test_an_empty_table_reads_nothing():
    found = score("RH", read_answers(answers_table(KEY), KEY, where="t"), KEY)
    assert found.words.value == found.letters.value == 0.0


def test_agreement_of_two_readers():
    one = {1: "boat", 2: "", 3: "ete", 4: ""}
    other = {1: "boat", 2: "", 3: "", 4: "a"}
    (pair,) = together({"RH": one, "KB": other}, KEY)
    assert pair.agree.value == 50.0
    # Two of two items each, half of them together: as often as by chance.
    assert pair.kappa.value == pytest.approx(0.0)
    (same,) = together({"RH": {}, "KB": {}}, KEY)
    assert isinstance(same.kappa, NotMeasured)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("word,answer\n1,a\n", "columns item and answer"),
        ("item,answer\n9,a\n", "not on the sheet"),
        ("item,answer\n1,a\n1,b\n", "stands twice"),
        ("item,answer\none,a\n", "not on the sheet"),
    ],
)
def test_tables_that_do_not_fit_are_refused(text, why):
    with pytest.raises(UsageError, match=why):
        read_answers(text, KEY, where="table.csv")


@pytest.mark.parametrize("text", ["{", "[]", "{}", json.dumps({"version": 1})])
def test_other_files_are_no_key(text):
    with pytest.raises(RecordError, match="not the key of a reading sheet"):
        read_key(text, where="key.json")


def test_a_newer_key_is_refused():
    with pytest.raises(RecordError, match="newer version"):
        read_key(replace(KEY, version=99).to_json(), where="key.json")


def test_tables_of_one_name_are_refused(tmp_path, capsys):
    (tmp_path / "b").mkdir()
    key = tmp_path / "key.json"
    key.write_text(KEY.to_json(), "utf-8")
    for folder in (tmp_path, tmp_path / "b"):
        (folder / "RH.csv").write_text("item,answer\n1,boat\n", "utf-8")
    with pytest.raises(SystemExit) as end:
        cli.main(["reading-score", str(key), str(tmp_path / "RH.csv"), str(tmp_path / "b" / "RH.csv")])
    assert end.value.code == 2
    assert "same name" in capsys.readouterr().err
    with pytest.raises(SystemExit) as end:
        cli.main(["reading-score", str(key), str(tmp_path / "none.csv")])
    assert end.value.code == 11


def test_scores_are_printed_with_their_intervals(tmp_path, capsys):
    key = tmp_path / "key.json"
    key.write_text(KEY.to_json(), "utf-8")
    for name, answer in (("RH", "boat"), ("machine", "bost")):
        (tmp_path / f"reading-answers-{name}.csv").write_text(f"item,answer\n1,{answer}\n", "utf-8")
    tables = [str(tmp_path / f"reading-answers-{name}.csv") for name in ("RH", "machine")]
    with pytest.raises(SystemExit) as end:
        cli.main(["reading-score", str(key), *tables, "--json"])
    assert not end.value.code
    found = json.loads(capsys.readouterr().out)
    assert [r["words"]["value"] for r in found["readers"]] == [25.0, 0.0]
    assert [r["machine"] for r in found["readers"]] == [False, True]
    with pytest.raises(SystemExit):
        cli.main(["reading-score", str(key), *tables])
    said = capsys.readouterr().out
    assert "a machine" in said
    assert "no diagnosis" in said
