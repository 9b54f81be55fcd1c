"""Several pages of one copying sheet as one sample, and worksheets that bring their own printed text."""

import json
import shutil

import cv2
import numpy as np
import pypdfium2
import pytest

from handwriting import cli
from handwriting.calibration import Given
from handwriting.corrections.again import measure_again
from handwriting.errors import SheetError, UsageError
from handwriting.page import Page
from handwriting.phantoms import ABLE, Capture, Paper, draw
from handwriting.pipeline import Options, measure_sample
from handwriting.sheet.drawing import draw_sheet, plan_sheet
from handwriting.sheet.passages import find_passage
from handwriting.sheet.rulings import find_ruling
from handwriting.task import read_task

DPI = 200
needs_reader = pytest.mark.skipif(shutil.which("tesseract") is None, reason="the program tesseract is not installed")


def sheet_pages(passage, lines):
    """Draw a sheet of two pages with one line of writing for each text, at each page's first rule."""
    plan = plan_sheet(find_passage(passage), find_ruling("8mm"), pages=2)
    pdf = pypdfium2.PdfDocument(draw_sheet(plan))
    for number, (layout, text) in enumerate(zip(plan.layouts, lines, strict=True)):
        grey = np.asarray(pdf[number].render(scale=DPI / 72).to_pil().convert("L")).copy()
        paper = Paper(layout.width, layout.height, rules="none", top_mm=layout.baselines[0], bottom_mm=20)
        hand = draw(text, ABLE, paper, Capture(dpi=DPI, noise_sd=0.0), number + 1).image
        hand = hand if hand.ndim == 2 else cv2.cvtColor(hand, cv2.COLOR_RGB2GRAY)
        rows, columns = min(len(grey), len(hand)), min(grey.shape[1], hand.shape[1])
        grey[:rows, :columns] = np.minimum(grey[:rows, :columns], hand[:rows, :columns])
        yield Page(grey, None, f"{number + 1:064d}", f"page-{number + 1}.png", "PNG")


@pytest.fixture(scope="module")
def pages():
    return tuple(sheet_pages("fox", ("sun moon star rain", "snow wind over some moor")))


def test_a_later_page_by_itself_is_said_to_be_one(pages):
    flags = [
        [note.code for note in measure_sample(given, read_task(), Options(read=False)).record.flags]
        for given in (pages[:1], pages[1:], pages)
    ]
    assert ["sheet-page-alone" in codes for codes in flags] == [False, True, False]


def test_two_pages_in_any_order_make_one_sample(pages):
    first, second = pages
    options = Options(read=False)
    result = measure_sample((second, first), read_task(), options)
    record = result.record
    assert [len(line.words) for line in record.lines] == [4, 5]
    assert record.page.name == "page-1.png, page-2.png"
    # The second page stands below the first, and every line keeps its own distance to its own rule.
    assert record.lines[1].box.top > 297
    assert record.measures["rule_distance"].value == pytest.approx(0.0, abs=0.4)
    maps = result.label_maps()
    assert set(maps) == {"lines-1", "lines-2", "words-1", "words-2"}
    assert set(np.unique(maps["lines-1"])) == {0, 1}
    assert set(np.unique(maps["lines-2"])) == {0, 2}
    assert maps["lines-1"].shape == first.grey.shape
    ink = (second.grey < 90) & (maps["lines-2"] > 0)
    assert ink.sum() > 0.6 * (maps["lines-2"] > 0).sum()
    again = measure_again(record, (first, second))
    assert [len(line.words) for line in again.record.lines][-1] >= 1


def test_pages_of_two_passages_are_refused(pages):
    other = tuple(sheet_pages("kite", ("sun moon star rain", "snow wind over some moor")))
    with pytest.raises(SheetError, match="two different passages"):
        measure_sample((pages[0], other[1]), read_task(), Options())


def test_a_page_twice_is_refused(pages):
    with pytest.raises(SheetError, match="more than once"):
        measure_sample((pages[0], pages[0]), read_task(), Options())


def test_pages_without_a_sheet_are_refused(pages):
    plain = Page(np.full((800, 600), 250, np.uint8), None, "a" * 64, "plain.png", "PNG")
    with pytest.raises(UsageError, match="only when each is a page of one copying sheet") as refused:
        measure_sample((pages[0], plain), read_task(), Options())
    assert refused.value.where == "plain.png"


def test_a_sheet_brings_its_own_scale_and_takes_none_from_a_ruler(pages):
    with pytest.raises(UsageError, match="brings its own scale"):
        measure_sample(pages, read_task(), Options(Given(ruler=True), read=False))


def test_the_last_word_reached_is_looked_up_in_the_sheets_own_text(pages, tmp_path):
    file = tmp_path / "sheet.png"
    cv2.imwrite(str(file), pages[0].grey)
    with pytest.raises(SystemExit) as end:
        cli.main(["measure", str(file), "--seconds", "60", "--reached", "fox#1", "--out", str(tmp_path / "out"), "-q"])
    assert not end.value.code
    record = json.loads((tmp_path / "out" / "record.json").read_text("utf-8"))
    assert record["task"]["reached"]["number"] == 3


@pytest.fixture(scope="module")
def worksheet(tmp_path_factory):
    """A worksheet with its own print above two lines of writing."""
    plan = plan_sheet(find_passage("market"), find_ruling("blank"), placement="board")
    print_ = pypdfium2.PdfDocument(draw_sheet(plan))[0].render(scale=150 / 72, grayscale=True).to_numpy().squeeze()
    paper = Paper(rules="none", top_mm=190, pitch_mm=12)
    hand = draw("sun moon star rain over some moor and snow wind", ABLE, paper, Capture(dpi=150, noise_sd=0.0), 3).image
    page = hand.copy() if hand.ndim == 2 else cv2.cvtColor(hand, cv2.COLOR_RGB2GRAY)
    # The poster is larger than the sheet: all of it is made to fit above the writing.
    factor = min(page.shape[1] / print_.shape[1], 165 / 25.4 * 150 / len(print_))
    small = cv2.resize(print_, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    place = page[: len(small), : small.shape[1]]
    np.minimum(place, small, out=place)
    file = tmp_path_factory.mktemp("worksheet") / "worksheet.png"
    cv2.imwrite(str(file), page)
    return file


@needs_reader
def test_a_worksheets_print_is_read_shown_and_set_aside(worksheet, tmp_path, capsys):
    arguments = ["measure", str(worksheet), "--text", "from-page", "--dpi", "150", "--seconds", "60", "--letters", "39"]
    with pytest.raises(SystemExit) as end:
        cli.main([*arguments, "--yes", "--out", str(tmp_path / "out")])
    assert not end.value.code
    record = json.loads((tmp_path / "out" / "record.json").read_text("utf-8"))
    last = find_passage("market").text.split()[-1]
    assert record["task"]["text"].endswith(last)
    assert last in capsys.readouterr().err
    assert all(line["box"]["top"] > 170 for line in record["lines"])


@needs_reader
def test_a_worksheets_print_is_never_used_unseen(worksheet, tmp_path, capsys):
    with pytest.raises(SystemExit) as end:
        cli.main(["measure", str(worksheet), "--text", "from-page", "--dpi", "150", "--out", str(tmp_path / "out")])
    assert end.value.code == 2
    assert "has to be confirmed" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
