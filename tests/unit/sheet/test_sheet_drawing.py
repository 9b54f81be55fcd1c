"""The PDF against its plan: a renderer (PDFium), a QR reader (OpenCV) and a PDF/UA checker (pdfua) look at it."""

import cv2
import numpy as np
import pdfua
import pypdfium2
import pytest

from handwriting.errors import UsageError
from handwriting.sheet.drawing import draw_sheet, make_sheet, mark_modules, plan_sheet
from handwriting.sheet.layout import FIDUCIAL_MM
from handwriting.sheet.passages import Passage, find_passage, fingerprint
from handwriting.sheet.rulings import find_ruling

STEP = 25.4 / 600


def darkness(sheet, page=0):
    picture = pypdfium2.PdfDocument(sheet.pdf)[page].render(scale=600 / 72).to_numpy()
    return 1.0 - picture.astype(np.float64) / 255.0


@pytest.mark.parametrize("name", ["portrait", "landscape"])
def test_marks_lie_within_a_twentieth_of_a_mm(name, request):
    sheet = request.getfixturevalue(name)
    ink = darkness(sheet).min(axis=-1)
    for mark in sheet.layout.fiducials:
        x0, y0 = round((mark.left - 1) / STEP), round((mark.top - 1) / STEP)
        side, half = round((FIDUCIAL_MM + 2) / STEP), round(1.5 / STEP)
        patch = ink[y0 : y0 + side, x0 : x0 + side]
        for turned, start, place in ((patch, x0, mark.left), (patch.T, y0, mark.top)):
            band = turned[half:-half]
            near = (
                start + half - band[:, :half].sum(axis=1)
            ) * STEP  # the border is 1 mm wide, so half reaches its middle
            far = (start + side - half + band[:, -half:].sum(axis=1)) * STEP
            assert np.abs(near - place).max() < 0.05
            assert np.abs(far - place - FIDUCIAL_MM).max() < 0.05
        middles = ((np.arange(8) + 0.5) + 1) / STEP
        assert ((patch[np.ix_(middles.astype(int), middles.astype(int))] > 0.5) == mark_modules(mark.id)).all()


@pytest.mark.parametrize("name", ["portrait", "landscape"])
def test_rules_lie_within_a_twentieth_of_a_mm_and_drop_out(name, request):
    sheet = request.getfixturevalue(name)
    ink = darkness(sheet)
    blue, red = ink[..., 0], ink[..., 2]
    for rule in sheet.layout.rules:
        rows = np.arange(round((rule.y0 - 0.45) / STEP), round((rule.y0 + 0.45) / STEP))
        strip = blue[rows, round((rule.x0 + 1) / STEP) : round((rule.x1 - 1) / STEP)]
        weight = np.median(strip, axis=1)
        assert weight.max() > 0.2
        assert abs((weight * (rows + 0.5)).sum() / weight.sum() * STEP - rule.y0) < 0.05
        assert red[rows, round((rule.x0 + 1) / STEP) : round((rule.x1 - 1) / STEP)].max() < 0.01
    bar = sheet.layout.bar
    row = ink[round(bar[2] / STEP)].min(axis=-1)
    drawn = np.flatnonzero(row > 0.5)
    drawn = drawn[(drawn * STEP > bar[0] - 2) & (drawn * STEP < bar[1] + 2)]
    assert (drawn[-1] + 1 - drawn[0]) * STEP == pytest.approx(
        100.2, abs=0.1
    )  # to the outer edges of 0.2 mm end strokes


def test_nothing_is_printed_in_the_writing_area_but_the_rules(portrait):
    red = darkness(portrait)[..., 2]
    area = portrait.layout.area
    patch = red[round(area.top / STEP) : round(area.bottom / STEP), round(area.left / STEP) : round(area.right / STEP)]
    assert patch.max() < 0.01


def test_the_words_on_the_page_are_the_passage_for_eyes_and_for_screen_readers(portrait):
    text = pypdfium2.PdfDocument(portrait.pdf)[0].get_textpage().get_text_bounded()
    assert find_passage("kite").text in " ".join(text.split())
    assert "100 mm" in text


@pytest.mark.parametrize("name", ["portrait", "landscape"])
def test_an_independent_reader_reads_the_code(name, request):
    sheet = request.getfixturevalue(name)
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(sheet.grey)
    assert text == sheet.layout.code.to_text()
    assert find_passage("kite" if name == "portrait" else "lighthouse").fingerprint in text


@pytest.mark.parametrize("placement", ["above", "board"])
@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_checker_finds_nothing_against_pdf_ua(placement, hand, tmp_path):
    path = tmp_path / "sheet.pdf"
    path.write_bytes(make_sheet(find_passage("fox"), find_ruling("fr-seyes"), hand=hand, placement=placement))
    report = pdfua.validate(path)
    assert [(finding.rule_id, finding.message) for finding in report.findings] == []


def test_the_checker_does_find_something_in_a_page_without_tags(tmp_path):
    document = pypdfium2.PdfDocument.new()
    document.new_page(300, 300)
    document.save(tmp_path / "bare.pdf")
    assert pdfua.validate(tmp_path / "bare.pdf").findings


def test_equal_sheets_are_equal_to_the_byte(portrait):
    assert draw_sheet(portrait.plan) == portrait.pdf


def test_board_copying_has_its_passage_on_a_page_of_its_own():
    plan = plan_sheet(find_passage("market"), find_ruling("uk-8"), placement="board", pages=2)
    document = pypdfium2.PdfDocument(draw_sheet(plan))
    texts = [" ".join(document[page].get_textpage().get_text_bounded().split()) for page in range(len(document))]
    assert [find_passage("market").text in text for text in texts] == [True, False, False]
    assert plan.poster_pt >= 28
    assert all(layout.passage is None and layout.code.board for layout in plan.layouts)


def test_own_text_in_another_language_of_latin_script():
    text = "Zażółć gęślą jaźń, señor Übermäßig œuvre. " * 3
    own = Passage("own", "Mein Text", text)
    plan = plan_sheet(own, find_ruling("8mm"), language="de")
    assert plan.layouts[0].code.fingerprint == fingerprint(text)
    shown = pypdfium2.PdfDocument(draw_sheet(plan))[0].get_textpage().get_text_bounded()
    assert " ".join(text.split()) in " ".join(shown.split())


def test_markup_in_a_text_is_only_text():
    text = 'A #heading[x] *star* $sum$ "quote" \\ @label <b> for all to copy.'
    shown = pypdfium2.PdfDocument(make_sheet(Passage("own", "#title", text), find_ruling("8mm")))[0]
    assert text in " ".join(shown.get_textpage().get_text_bounded().split())


@pytest.mark.parametrize(
    ("text", "how", "message"),
    [
        ("   ", {}, "no letters"),
        ("12 34.", {}, "no letters"),
        ("слово", {}, "not a Latin letter"),
        ("word " * 600, {}, "does not fit"),
        ("word", {"pages": 0}, "0 pages"),
        ("word", {"pages": 21}, "21 pages"),
        ("word", {"language": "English"}, "not a language code"),
        ("a cat \N{CAT FACE} sat", {}, "holds '\N{CAT FACE}', which the sheet's print has no sign for"),
        ("W" * 200, {}, "of 200 letters is longer than a line"),
        ("W" * 200, {"placement": "board"}, "of 200 letters is longer than a line"),
    ],
)
def test_what_no_sheet_can_be_made_of_is_refused(text, how, message):
    with pytest.raises(UsageError, match=message) as refusal:
        make_sheet(Passage("own", "Own", text), find_ruling("8mm"), **how)
    assert refusal.value.fix


@pytest.mark.parametrize(
    ("title", "message"),
    [(" ", "no title"), ("T" * 300, "longer than a line"), ("\N{CAT FACE}", "the title holds '\N{CAT FACE}'")],
)
def test_a_title_that_cannot_be_printed_is_refused(title, message):
    with pytest.raises(UsageError, match=message) as refusal:
        make_sheet(Passage("own", title, "word"), find_ruling("8mm"))
    assert refusal.value.fix


@pytest.mark.parametrize(("hand", "placement"), [("right", "above"), ("left", "above"), ("right", "board")])
def test_a_title_of_several_lines_pushes_nothing_off_its_place(hand, placement):
    title, text = "A long title of many plain words " * 4, "The end! " * 20
    plan = plan_sheet(Passage("own", title.strip(), text), find_ruling("de-2"), hand=hand, placement=placement)
    document = pypdfium2.PdfDocument(draw_sheet(plan))
    assert len(document) == len(plan.layouts) + (placement == "board")
    words = document[0].get_textpage()
    height = document[0].get_height()
    boxes = [words.get_charbox(i) for i in range(words.count_chars()) if words.get_text_range(i, 1) == "!"]
    foot_mm = max(height - box[1] for box in boxes) * 25.4 / 72
    layout = plan.layouts[0]
    limit = {"above": layout.passage.bottom if hand == "left" else layout.area.top - 4, "board": 210 - 20}[placement]
    assert foot_mm < limit


def test_the_labels_keep_their_language_beside_a_text_in_another():
    pdf = make_sheet(Passage("own", "Mein Text", "Ein Satz."), find_ruling("8mm"), language="de")
    # The square code's own description is in English; the document is not.
    assert b"/Lang(en)/Alt" in pdf
    assert pdf.count(b"/Lang(de)") == 1


@pytest.mark.parametrize("ruling", ["60mm", "four:20/60", "two:30/60"])
@pytest.mark.parametrize(("paper", "hand"), [("letter", "right"), ("letter", "left")])
def test_the_tallest_rulings_still_leave_a_row_below_the_longest_passage(ruling, paper, hand):
    plan = plan_sheet(find_passage("observatory"), find_ruling(ruling), paper=paper, hand=hand)
    assert plan.layouts[0].baselines
    assert len(plan.layouts) <= 20
