import shutil

import cv2
import numpy as np
import pypdfium2
import pytesseract
import pytest

from handwriting.errors import MissingProgramError, TextMismatchError, UsageError
from handwriting.sheet.drawing import make_sheet
from handwriting.sheet.passages import find_passage
from handwriting.sheet.printed_text import read_printed_text
from handwriting.sheet.rulings import find_ruling

needs_reader = pytest.mark.skipif(shutil.which("tesseract") is None, reason="the program tesseract is not installed")


@pytest.fixture(scope="module")
def worksheet():
    """A printed passage above, writing-like curves below; returns the page and the row where writing starts."""
    pdf = make_sheet(find_passage("market"), find_ruling("blank"), placement="board")
    poster = pypdfium2.PdfDocument(pdf)[0].render(scale=110 / 72, grayscale=True).to_numpy().squeeze()
    page = np.full((2200, 1700), 250, dtype=np.uint8)
    page[: poster.shape[0], : poster.shape[1]] = poster
    rng = np.random.default_rng(5)
    for base in range(1150, 2100, 90):
        x = 120.0
        while x < 1500:
            steps = rng.integers(12, 40)
            xs = x + np.cumsum(rng.uniform(1, 6, steps))
            ys = base - 12 + np.cumsum(rng.normal(0, 9, steps)) * 0.5
            cv2.polylines(page, [np.stack([xs, ys], 1).astype(np.int32)], False, 60, 3, cv2.LINE_AA)
            x = xs[-1] + rng.uniform(15, 40)
    return page, 1100


@needs_reader
def test_the_print_is_read_and_the_writing_below_is_left_out(worksheet):
    page, below = worksheet
    found = read_printed_text(page, 110)
    assert found.text.endswith(find_passage("market").text[-200:])
    assert found.box.bottom < below
    assert found.confidence > 85


def test_print_beside_writing_is_parted_from_it(monkeypatch):
    """The reader takes a line of writing and the line of print beside it for one: the wide gap parts them."""
    rows = [
        (left, 100 + 60 * line, 90, tall, sure, line)
        for line in range(3)
        for left, tall, sure in ((100, 44, 88), (220, 45, 85), (340, 44, 90), (700, 40, 96), (800, 40, 96))
    ]
    names = ("left", "top", "width", "height", "conf", "line_num")
    seen = {name: list(values) for name, values in zip(names, zip(*rows, strict=True), strict=True)}
    seen |= {"block_num": [1] * len(rows), "par_num": [1] * len(rows)}
    seen["text"] = ["print" if left >= 700 else "hand" for left in seen["left"]]
    monkeypatch.setattr(pytesseract, "image_to_data", lambda *_, **__: seen)
    found = read_printed_text(np.full((400, 1000), 255, np.uint8), 300)
    assert found.text == " ".join(["print"] * 6)
    assert (found.box.left, found.box.right) == (700.0, 890.0)


@needs_reader
def test_a_page_without_print_is_refused(worksheet):
    page, below = worksheet
    with pytest.raises(TextMismatchError, match="no printed text"):
        read_printed_text(page[below:], 110)


@needs_reader
def test_a_language_without_data_is_refused(worksheet):
    with pytest.raises(MissingProgramError, match="'qqq'"):
        read_printed_text(worksheet[0], 110, language="qqq")
    with pytest.raises(UsageError, match="language code"):
        read_printed_text(worksheet[0], 110, language="eng --version")


def test_without_the_program_it_says_how_to_get_it(worksheet, monkeypatch):
    monkeypatch.setattr(pytesseract.pytesseract, "tesseract_cmd", "no-such-program")
    with pytest.raises(MissingProgramError, match="apt install tesseract-ocr"):
        read_printed_text(worksheet[0], 110)
