"""The reader, on lines small enough to draw here, and its file against the limits it promises."""

import itertools
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np
import pytest

from handwriting.errors import DamagedFileError, FileNotReadableError, UsageError
from handwriting.reader import ALPHABET, BLANK, CLASSES, CROSSED_OUT, INDEX, Recogniser, canonical, normalise
from handwriting.reader.alphabet import collapse, decode, encode, without_marks
from handwriting.reader.course import course, slope
from handwriting.reader.likeliest import likeliest
from handwriting.reader.recogniser import BASELINE_ROW, HEIGHT_PX, STRIDE_PX, X_HEIGHT_PX, ink_of
from handwriting.reader.train.score import character_error, edit_distance, spoken


@pytest.fixture(scope="module")
def reader():
    return Recogniser.load()


def drawn(text, scale=1.2, thickness=2, height=90, baseline=60):
    """A line in a plain stroke font (OpenCV's simplex): paper 240, ink 40."""
    width = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, thickness)[0][0] + 30
    grey = np.full((height, width), 240, np.uint8)
    cv2.putText(grey, text, (15, baseline), cv2.FONT_HERSHEY_SIMPLEX, scale, 40, thickness, cv2.LINE_AA)
    return grey


def test_alphabet_has_each_sign_once_and_the_blank_apart():
    assert len(set(ALPHABET)) == len(ALPHABET) == CLASSES - 1
    assert BLANK not in INDEX.values()
    assert set("áäčďéíĺľňóôŕšťúýž") <= INDEX.keys()  # the Slovak marked letters (from memory)
    assert set("àâæçéèêëîïôœùûüÿ") <= INDEX.keys()  # the French ones (from memory)
    assert set("ąćęłńóśźżåäöæøßñőűřů") <= INDEX.keys()


def test_canonical_joins_marks_and_unifies_quotes_and_dashes():
    assert canonical("cafe\u0301 – l’été\u00a0 «oui»") == "café - l'été «oui»"
    assert decode(encode(canonical("Ľ’ž"))) == "Ľ'ž"


def test_marks_come_off_every_letter_they_can():
    assert without_marks("Příliš žluťoučký kůň łøđ") == "Prilis zlutoucky kun lod"


def test_collapse_merges_repeats_and_keeps_doubles_parted_by_a_blank():
    a, b = INDEX["a"], INDEX["b"]
    assert decode(collapse(np.array([0, a, a, 0, a, b, b, 0]))) == "aab"
    assert collapse(np.zeros(0, int)) == []


def test_likeliest_text_is_not_always_that_of_the_best_path():
    """Two frames, blank 0.6 and a 0.4: the best path says nothing (0.36), "a" has 0.64 (by hand)."""
    log_probs = np.log(np.array([[0.6, 0.4], [0.6, 0.4]], np.float32))
    assert collapse(log_probs.argmax(1)) == []
    assert likeliest(log_probs) == [1]


def test_double_letter_needs_a_blank_between():
    sure = np.log(np.array([[0.01, 0.99], [0.01, 0.99], [0.99, 0.01], [0.01, 0.99]], np.float32))
    assert likeliest(sure) == [1, 1]
    assert likeliest(sure[:2]) == [1]
    assert likeliest(sure[:0]) == []


@pytest.mark.parametrize("seed", range(12))
def test_likeliest_text_agrees_with_summing_every_path(seed):
    """Every path of six frames and three classes written out: the definition itself (Graves et al. 2006)."""
    rng = np.random.default_rng(seed)
    shares = rng.dirichlet(np.ones(3), 6)
    chance = {}
    for path in itertools.product(range(3), repeat=6):
        text = tuple(collapse(np.array(path)))
        chance[text] = chance.get(text, 0.0) + float(np.prod(shares[range(6), path]))
    found = chance[tuple(likeliest(np.log(shares).astype(np.float32)))]
    assert found >= 0.97 * max(chance.values())
    assert found >= chance[tuple(collapse(shares.argmax(1)))] - 1e-9


@pytest.mark.parametrize("text", ["minimum", "dog and cat"])
def test_plain_line_is_read(reader, text):
    read = reader.read(drawn(text)).text
    assert edit_distance(read, text) <= 1, read


def test_reading_does_not_depend_on_the_size_of_the_scan(reader):
    small, large = (reader.read(drawn("hand", k, t, int(75 * k), int(50 * k))).text for k, t in ((1.0, 2), (3.0, 6)))
    assert small == large == "hand"


def test_probabilities_sum_to_one_and_frames_cover_the_line(reader):
    reading = reader.read(drawn("nine"))
    for rows in (reading.log_probs, reading.place_log_probs):
        assert rows.shape == (reading.line.ink.shape[1] // STRIDE_PX, CLASSES)
        np.testing.assert_allclose(np.exp(rows).sum(1), 1, atol=1e-4)
        with pytest.raises(ValueError, match="read-only"):
            rows[0, 0] = 0


def test_frames_point_back_to_the_crop(reader):
    grey = drawn("o")
    reading = reader.read(grey, 60, 24)
    letters = np.flatnonzero(reading.log_probs.argmax(1) != BLANK)
    ink = np.flatnonzero((grey < 140).any(0))
    assert ink[0] <= reading.line.crop_x(float(letters.mean())) <= ink[-1]


def test_blank_paper_reads_as_nothing(reader):
    assert reader.read(np.full((80, 300), 238, np.uint8), 50, 20).text == ""


def test_normalise_puts_baseline_and_x_height_where_it_says():
    grey = np.full((100, 400), 250, np.uint8)
    grey[40:70, 50:350] = np.where(np.arange(300) % 20 < 3, 30, 250)  # strokes 30 px high on the baseline at row 70
    line = normalise(grey, 70, 30)
    rows = np.flatnonzero(line.ink.max(1) > 0.5)
    assert line.ink.shape[0] == HEIGHT_PX
    assert abs(rows[0] - (BASELINE_ROW - X_HEIGHT_PX)) <= 1
    assert abs(rows[-1] + 1 - BASELINE_ROW) <= 1
    assert line.scale == pytest.approx(X_HEIGHT_PX / 30)


def test_normalise_straightens_a_sloping_baseline():
    grey = np.full((140, 400), 250, np.uint8)
    baseline = 60 + 0.1 * np.arange(400)
    for x in range(20, 380, 15):
        grey[int(baseline[x]) - 20 : int(baseline[x]), x : x + 4] = 20
    bottom = np.flatnonzero(normalise(grey, baseline, 20).ink.max(1) > 0.5)[-1] + 1
    assert abs(bottom - BASELINE_ROW) <= 1


def test_normalise_shrinks_so_that_tall_letters_stay_whole():
    grey = np.full((120, 300), 250, np.uint8)
    grey[70:90, 20:280:12] = 20
    grey[35:90, 100:104] = 20  # 2.75 x-heights tall: 49 px at full size, where the net's line has 43
    grey[35:90, 200:204] = 20
    line = normalise(grey, 90, 20)
    assert 13 / 20 < line.scale < X_HEIGHT_PX / 20
    rows = np.flatnonzero(line.ink.max(1) > 0.5)
    assert (rows[-1] + 1 - rows[0]) / line.scale == pytest.approx(55, abs=2)


def bars(fall=0.0, width=400):
    """Small letters as bars between rows 40 and 62 in the middle of the picture, falling `fall` rows a column."""
    grey = np.full((100, width), 250, np.uint8)
    for x in range(20, width - 20, 8):
        top = round(40 + fall * (x - width / 2))
        grey[top : top + 22, x] = 20
    return grey


@pytest.mark.parametrize("fall", [0.0, 0.06, -0.08])
def test_course_finds_slope_baseline_and_x_height(fall):
    rows, height = course(ink_of(bars(fall)))
    assert abs((rows[-1] - rows[0]) / (len(rows) - 1) - fall) <= 0.006
    assert abs(rows[200] - 62) <= 3
    assert abs(height - 22) <= 5


@pytest.mark.parametrize("dash", [400, 6])
def test_course_is_not_drawn_to_a_rule_below_the_line(dash):
    grey = bars()
    rule = np.arange(400) % (dash + 3) < dash
    grey[64:66, rule] = 60
    rows, height = course(ink_of(grey))
    assert abs(rows[200] - 62) <= 4
    assert abs(height - 22) <= 6


def test_course_of_a_short_line_is_level_and_of_blank_paper_harmless():
    assert slope(ink_of(bars(0.05, width=150))) == 0
    rows, height = course(np.zeros((60, 90), np.float32))
    assert rows.shape == (90,)
    assert height > 0


@pytest.mark.parametrize(
    "grey", [np.zeros((5, 5, 3), np.uint8), np.zeros((5, 5), np.float32), np.zeros((0, 5), np.uint8)]
)
def test_wrong_pictures_are_refused(grey):
    with pytest.raises(UsageError, match="grey picture of one line"):
        normalise(grey)


@pytest.mark.parametrize(("baseline", "height"), [(10, 0), (10, -3), (10, float("nan")), (float("nan"), 9)])
def test_impossible_geometry_is_refused(baseline, height):
    with pytest.raises(UsageError, match="x-height"):
        normalise(drawn("a"), baseline, height)


def test_endless_line_is_refused():
    with pytest.raises(UsageError, match="too long"):
        normalise(np.full((40, 6000), 255, np.uint8), 30, 4)


def test_missing_and_broken_weights_are_refused(tmp_path: Path):
    with pytest.raises(FileNotReadableError, match="cannot be opened"):
        Recogniser.load(tmp_path / "none.onnx")
    (tmp_path / "broken.onnx").write_bytes(b"not a net")
    with pytest.raises(DamagedFileError, match="broken"):
        Recogniser.load(tmp_path / "broken.onnx")


def test_weights_are_small():
    assert len(files("handwriting.reader").joinpath("weights.onnx").read_bytes()) <= 10_000_000


@pytest.mark.parametrize(
    ("read", "true", "edits"),
    [("kitten", "sitting", 3), ("flaw", "lawn", 2), ("", "abc", 3), ("same", "same", 0)],
)
def test_edit_distance_worked_examples(read, true, edits):
    """Kitten and sitting: the textbook example of Levenshtein distance (common practice, no source)."""
    assert edit_distance(read, true) == edits


def test_character_error_counts_marks_apart_and_leaves_struck_runs_out():
    error = character_error([("ete Le", "été le"), (f"ab{CROSSED_OUT}", f"a{CROSSED_OUT}b")])
    assert error.characters == 8
    assert error.full == pytest.approx(3 / 8)
    assert error.plain == pytest.approx(1 / 8)
    assert error.caseless == 0
    assert spoken(f"a {CROSSED_OUT} b") == "a b"
