"""Drawn pages: picture against truth, set values against realised ones."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from handwriting.errors import UsageError
from handwriting.phantoms import ABLE, PASSAGES, WRITERS, Capture, Paper, Slips, Writer, draw, random_page

CLEAN = Capture(dpi=300, noise_sd=0, blur_mm=0, ink_rgb=(0, 0, 0), paper_rgb=(255, 255, 255))
BLANK = Paper(rules="none", pitch_mm=14)


def inked(image, box, reach):
    """Return sub-pixel edges of the ink near `box` (pixels), from coverage summed along each side."""
    left, top = int(box.left) - reach, int(box.top) - reach
    part = 1 - image[top : int(box.bottom) + reach + 1, left : int(box.right) + reach + 1] / 255
    rows, columns = part.max(axis=1), part.max(axis=0)

    def first(values):
        at = int(np.argmax(values > 0.02))
        return at + 1 - min(values[at], 1.0)

    return (
        left + first(columns),
        top + first(rows),
        left + len(columns) - first(columns[::-1]),
        top + len(rows) - first(rows[::-1]),
    )


@pytest.mark.parametrize("dpi", [150, 300, 600])
@pytest.mark.parametrize("skew", [0.0, 2.0])
def test_ink_boxes_match_the_picture(dpi, skew):
    writer = Writer(letter_space_mm=2.5, letter_space_cv=0.1, word_space_mm=6, drift_deg=0.5)
    page = draw("dog quay Bad fox 47 jam zip", writer, BLANK, replace(CLEAN, dpi=dpi, skew_deg=skew), seed=4)
    letters = [letter for word in page.truth.words for letter in word.letters]
    assert len(letters) > 15
    for letter in letters:
        box = letter.ink.scaled(page.truth.px_per_mm)
        got = inked(page.image, box, 3)
        assert np.abs(np.subtract(got, (box.left, box.top, box.right, box.bottom))).max() < 0.5, letter.char


def test_rules_lie_where_the_truth_says():
    paper = Paper(rule_rgb=(0, 0, 0), rule_width_mm=0.3)
    page = draw("a", ABLE, paper, replace(CLEAN, skew_deg=1.3), seed=1)
    scale = page.truth.px_per_mm
    dark = 1 - page.image / 255
    for rule in page.truth.rules[3:]:
        for x in (700, 1600):
            y = rule.at_mm * scale - rule.slope * (x + 0.5)
            rows = np.arange(int(y) - 6, int(y) + 7)
            share = dark[rows, x]
            assert abs((share * (rows + 0.5)).sum() / share.sum() - y) < 0.05


def test_same_seed_same_page_other_seed_other_page():
    first, again = (draw("one two three", ABLE, Paper(), Capture(dpi=150), seed=5) for _ in range(2))
    other = draw("one two three", ABLE, Paper(), Capture(dpi=150), seed=6)
    assert np.array_equal(first.image, again.image)
    assert first.truth.to_json() == again.truth.to_json()
    assert not np.array_equal(first.image, other.image)


def test_truth_is_json():
    text, writer, paper, capture = random_page(3)
    page = draw(text, writer, paper, replace(capture, dpi=150), seed=3)
    back = json.loads(page.truth.to_json())
    assert back["words"][0]["letters"][0]["char"] == text[0]
    assert len(back["lines"][0]["baseline"]["x"]) > 2


@pytest.mark.parametrize("name", WRITERS)
def test_set_values_come_out(name):
    writer = WRITERS[name]
    pages = [
        draw(
            PASSAGES[seed % 12], writer, Paper(rules="none", pitch_mm=13, top_mm=15), Capture(dpi=72), seed
        ).truth.realised
        for seed in range(12)
    ]

    def near(key, value, per_page, of=np.mean):
        got = np.array([p[key] for p in pages])
        assert abs(of(got) - value) < 4 * per_page / np.sqrt(len(pages)), (key, got.mean(), value)

    n = np.mean([p["n_x_height_mm"] for p in pages])
    gaps = np.mean([p["n_word_space_mm"] for p in pages])
    near("x_height_mm", writer.x_height_mm, writer.x_height_mm * writer.height_cv / np.sqrt(n))
    near("height_cv", writer.height_cv, writer.height_cv / np.sqrt(2 * n))
    near("ascender_ratio", writer.ascender_ratio, writer.ascender_ratio * writer.height_cv * 0.2)
    near("slant_deg", writer.slant_deg, writer.slant_sd_deg / np.sqrt(n))
    near("slant_deg_sd", writer.slant_sd_deg, writer.slant_sd_deg / np.sqrt(2 * n))
    near("word_space_mm", writer.word_space_mm, writer.word_space_mm * writer.word_space_cv / np.sqrt(gaps))
    near("wander_mm", writer.wander_mm, 0.15 * writer.wander_mm)


def test_slips_show_in_words_and_counts():
    slips = Slips(left_out=2, repeated=1, misspelt=2, crossed_out=2, added=1, skipped_run=6)
    truth = draw(PASSAGES[1], replace(ABLE, slips=slips), Paper(), Capture(dpi=72), seed=8).truth
    states = [w.state for w in truth.words]
    for state, count in (("left-out", 8), ("repeated", 1), ("misspelt", 2), ("crossed-out", 2), ("added", 1)):
        assert states.count(state) == count
    assert all((w.box is None) == (w.state == "left-out") for w in truth.words)
    assert all(w.written != w.text for w in truth.words if w.state == "misspelt")
    counts = truth.letter_counts
    assert counts["matching"] + counts["misspelt"] + counts["repeated"] + counts["added"] == counts["written"]
    asked = sum(c.isalpha() for c in PASSAGES[1])
    wrong = sum(sum(c.isalpha() for c in w.text) for w in truth.words if w.state == "misspelt")
    assert counts["matching"] + counts["left_out"] + wrong == asked
    assert sorted({w.text_index for w in truth.words if w.text_index is not None}) == list(range(truth.reached))


@pytest.mark.parametrize(
    ("text", "change", "said"),
    [
        ("", {}, "no text"),
        ("snow \N{SNOWMAN}", {}, "alphabet"),
        ("a", {"top_mm": 400.0}, "room"),
        ("a", {"rules": "dotted"}, "ruling"),
        ("a", {"pitch_mm": 0.0}, "pitch_mm"),
        ("a", {"width_mm": 3.0}, "size"),
    ],
)
def test_refusals(text, change, said):
    with pytest.raises(UsageError, match=said):
        draw(text, ABLE, replace(Paper(), **change), Capture(dpi=72), seed=0)


def test_settings_out_of_range_are_refused():
    for make in (lambda: Writer(height_cv=0.9), lambda: Capture(dpi=5), lambda: Capture(skew_deg=80)):
        with pytest.raises(UsageError):
            make()
