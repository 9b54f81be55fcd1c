"""A taught model beside the letters: read from pictures or a font, shown and labelled, compared with nothing."""

import base64
import re

import cv2
import numpy as np
import pytest
from PIL import Image, ImageFont

from handwriting import cli
from handwriting.calibration import Given
from handwriting.errors import FileNotReadableError, HandwritingError, TooLargeError, UsageError
from handwriting.page import Page
from handwriting.phantoms import WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.record import load
from handwriting.report.gallery import render_gallery
from handwriting.report.models import read_models
from handwriting.report.words import find_catalogue
from handwriting.task import read_task

TEXT = "The old boat lay on the sand until a storm came in from the west and took it far out again"


@pytest.fixture(scope="module")
def page():
    return draw(TEXT, WRITERS["able"], Paper(), Capture(dpi=150), 3).image


@pytest.fixture(scope="module")
def result(page):
    read = Page(np.ascontiguousarray(page), None, "0" * 64, "page.png", "PNG", claimed_dpi=(150.0, 150.0))
    return measure_page(read, read_task(text=TEXT), Options(Given(150.0)))


@pytest.fixture
def folder(tmp_path):
    for name, shade in (("a", 10), ("capital-t", 20), ("é", 30), ("notes", 40)):
        Image.fromarray(np.full((40, 30), shade, np.uint8)).save(tmp_path / f"{name}.png")
    (tmp_path / "b.txt").write_text("no picture")
    return tmp_path


def test_pictures_are_named_by_their_letter(folder):
    models = read_models(folder)
    assert [int(models.get(x)[0, 0]) for x in "aTé"] == [10, 20, 30]
    assert all(models.get(x) is None for x in ("b", "t", "A", "notes"))
    assert int(read_models(folder / "a.png").get("a")[0, 0]) == 10


@pytest.fixture
def font(tmp_path):
    path = tmp_path / "plain.ttf"
    path.write_bytes(ImageFont.load_default(20).path.getvalue())
    return path


def test_a_font_gives_its_letters(font):
    models = read_models(font)
    small, tall = models.get("a"), models.get("A")
    assert small.shape[0] == tall.shape[0]
    # By its own ink: a capital is taller than a small letter, and p goes further down.
    rows = {x: np.flatnonzero((models.get(x) < 128).any(1)) for x in "aAp"}
    assert rows["A"][0] < rows["a"][0]
    assert rows["p"][-1] > rows["a"][-1]
    assert models.get("字") is None


def _pictures(html):
    found = re.findall(r'<img src="data:image/png;base64,([^"]+)" height="48"', html)
    return [cv2.imdecode(np.frombuffer(base64.b64decode(x), np.uint8), cv2.IMREAD_GRAYSCALE) for x in found]


def test_the_gallery_shows_the_model_labelled(result, folder):
    plain = render_gallery(result.record, result.picture)
    shown = render_gallery(result.record, result.picture, models=read_models(folder))
    assert "Your own model" not in plain
    kinds = len(re.findall("<tr><th scope=.row", shown))
    assert shown.count("Your own model:") == kinds
    assert shown.count("not in it") == kinds - 2
    assert sorted(int(p[0, 0]) for p in _pictures(shown)) == [10, 20]
    # No figure changes: without the model's parts it is the same page.
    assert re.sub(r'<div class="model">.*?</div>|<p>Above the letters.*?</p>', "", shown) == plain
    assert "Votre propre modèle" in render_gallery(
        result.record, result.picture, words=find_catalogue("fr"), models=read_models(folder)
    )


@pytest.mark.parametrize(
    ("make", "error", "told"),
    [
        (lambda p: p / "none", FileNotReadableError, "no such file or folder"),
        (lambda p: p, UsageError, "no picture in the folder"),
        (lambda p: _written(p / "a.ttf", b"not a font"), FileNotReadableError, "not a font"),
        (lambda p: _written(p / "letters.png", b"x"), UsageError, "neither a font nor a picture"),
        (lambda p: _written(p / "a.png", b"x"), HandwritingError, "a.png"),
        (lambda p: _written(p / "big.otf", bytes(30_000_001)), TooLargeError, "font file is too large"),
    ],
)
def test_what_is_no_model_is_refused(tmp_path, make, error, told):
    with pytest.raises(error, match=told):
        read_models(make(tmp_path))


def _written(path, data):
    path.write_bytes(data)
    return path


def test_the_command_lays_it_beside_and_measures_the_same(page, font, tmp_path):
    path = tmp_path / "page.png"
    Image.fromarray(page).save(path, dpi=(150, 150))
    records = []
    for out, more in ((tmp_path / "a", ()), (tmp_path / "b", ("--model-letters", str(font)))):
        with pytest.raises(SystemExit) as done:
            cli.main(["measure", str(path), "--text", TEXT, "--quiet", "--out", str(out), *more])
        assert done.value.code == 0
        records.append(load((out / "record.json").read_text("utf-8")))
        assert ("Your own model" in (out / "letters.html").read_text("utf-8")) is bool(more)
    assert records[0] == records[1]
