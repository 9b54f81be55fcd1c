"""Drawn pages: picture against truth, set values against realised ones."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from skimage.measure import label, regionprops
from skimage.morphology import convex_hull_image

from handwriting.errors import UsageError
from handwriting.phantoms import (
    ABLE,
    PASSAGES,
    WRITERS,
    Capture,
    Paper,
    Slips,
    Writer,
    draw,
    missing_letters,
    random_page,
)
from handwriting.phantoms.layout import hull_gap
from handwriting.phantoms.letters import ink_hull
from handwriting.phantoms.raster import draw_stroke

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


@pytest.mark.parametrize("skew", [-2.0, 1.0])
def test_joined_word_boxes_match_the_picture(skew):
    writer = replace(WRITERS["variable joined"], word_space_mm=9, word_space_cv=0.1, bounce_mm=0.2)
    page = draw("boat worm five quay zoo joined", writer, BLANK, replace(CLEAN, skew_deg=skew), seed=2)
    for word in page.truth.words:
        box = word.box.scaled(page.truth.px_per_mm)
        got = inked(page.image, box, 6)
        assert np.abs(np.subtract(got, (box.left, box.top, box.right, box.bottom))).max() < 0.5, word.written


@pytest.mark.parametrize("slant", [44.0, 45.0, 46.0, 75.0, 90.0, 110.0, 134.0, 135.0, 136.0])
def test_upright_strokes_come_out_at_the_slant_set(slant):
    """The main axis of each l's ink, from scikit-image's second moments, is the slant plus the line's own slope."""
    writer = replace(ABLE, slant_deg=slant, slant_sd_deg=0, shape_jitter=0, tremor_mm=0, letter_space_mm=8, bounce_mm=0)
    writer = replace(writer, drift_deg=2.0, drift_sd_deg=0)
    page = draw("lll lll", writer, BLANK, CLEAN, seed=1)
    found = [np.degrees(r.orientation) + 90 for r in regionprops(label(page.image < 128)) if r.area > 50]
    assert len(found) == 6
    assert np.abs(np.array(found) - (slant + 2)).max() < 0.25


def test_heights_in_the_picture_are_path_plus_pen():
    writer = replace(ABLE, height_cv=0.2, slant_sd_deg=0, letter_space_mm=3, drift_sd_deg=0, bounce_mm=0.3)
    page = draw("no can zoo remove", writer, BLANK, CLEAN, seed=3)
    regions = sorted(regionprops(label(page.image < 128)), key=lambda r: r.bbox[1])
    letters = sorted((c for w in page.truth.words for c in w.letters), key=lambda c: c.ink.left)
    assert len(regions) == len(letters)
    for region, letter in zip(regions, letters, strict=True):
        tall = (region.bbox[2] - region.bbox[0]) / page.truth.px_per_mm
        assert abs(tall - (letter.height_mm - letter.bottom_mm + letter.pen_mm)) < 0.1


def row_gap(image, left, right, scale):
    """Least gap, mm, over the rows that the filled convex hulls (scikit-image) of two pieces of ink share."""
    ends = []
    for box, edge in ((left, -1), (right, 0)):
        top, bottom = int(box.top * scale) - 2, int(box.bottom * scale) + 3
        first, last = int(box.left * scale) - 1, int(box.right * scale) + 2
        hull = convex_hull_image(image[top:bottom, first:last] < 128)
        ends.append({top + y: first + np.flatnonzero(row)[edge] for y, row in enumerate(hull) if row.any()})
    shared = ends[0].keys() & ends[1].keys()
    return min(ends[1][y] - ends[0][y] - 1 for y in shared) / scale


def test_word_and_letter_gaps_are_found_in_the_picture():
    level = replace(ABLE, drift_sd_deg=0, wave_mm=0, word_space_cv=0.3, letter_space_mm=2.2, letter_space_cv=0.3)
    page = draw("aim run so me or as vex nine", level, BLANK, replace(CLEAN, dpi=600), seed=5)
    scale = page.truth.px_per_mm
    words = page.truth.words
    checked = 0
    for before, after in pairwise(words):
        if after.gap_mm is not None and before.box.right < after.box.left:
            assert abs(row_gap(page.image, before.box, after.box, scale) - after.gap_mm) < 0.1
            checked += 1
    for word in words:
        for before, after in pairwise(word.letters):
            if before.ink.right < after.ink.left:
                assert abs(row_gap(page.image, before.ink, after.ink, scale) - after.gap_mm) < 0.1
                checked += 1
    assert checked > 15


@pytest.mark.parametrize("skew", [-1.5, 0.0, 2.0])
def test_level_lines_keep_their_distance_to_the_rule(skew):
    """Rules rise with a positive skew, and a line without drift stands `bias_mm` above its rule all along."""
    level = replace(ABLE, drift_sd_deg=0, line_bias_mm=0.7, line_bias_sd_mm=0.2)
    truth = draw("one two three four five six", level, Paper(), Capture(dpi=72, skew_deg=skew), seed=2).truth
    for line in truth.lines:
        rule = truth.rules[line.rule]
        assert np.degrees(np.arctan(rule.slope)) == pytest.approx(skew, abs=1e-9)
        above = rule.at_mm - rule.slope * line.baseline.x - line.baseline.y
        assert above * np.cos(np.radians(skew)) == pytest.approx(np.full(len(above), line.bias_mm), abs=1e-9)


def test_letters_stand_at_their_own_height_above_the_baseline():
    level = replace(ABLE, drift_sd_deg=0, wave_mm=0, bounce_mm=0.5, height_cv=0.2)
    truth = draw("an oven can amuse no one", level, BLANK, Capture(dpi=72), seed=4).truth
    lifts = []
    for line in truth.lines:
        for letter in (c for i in line.words for c in truth.words[i].letters):
            base = float(line.baseline.at(letter.foot[0]))
            assert letter.foot[1] == pytest.approx(base - letter.lift_mm, abs=1e-9)
            assert letter.centre.bottom == pytest.approx(base - letter.lift_mm, abs=1e-6)
            assert letter.centre.top == pytest.approx(base - letter.lift_mm - letter.height_mm, abs=1e-6)
            lifts.append(letter.lift_mm)
    assert np.std(lifts) > 0.3


@pytest.mark.parametrize("width", [1.3, 4.0, 9.7])
def test_stroke_covers_its_area(width):
    """A straight round-ended stroke covers length x width + pi r^2."""
    cover = np.zeros((120, 160), np.uint8)
    draw_stroke(cover, np.array([[20.3, 30.7], [61.2, 55.1], [132.4, 97.5]]), width)
    length = np.hypot(40.9, 24.4) + np.hypot(71.2, 42.4)
    assert cover.sum() / 255 == pytest.approx(length * width + np.pi * width**2 / 4, rel=0.01)


def test_hull_gap_is_the_least_gap_row_by_row():
    rng = np.random.default_rng(0)
    for _ in range(15):
        left = ink_hull(rng.uniform(0, 5, (12, 2)), 0.2)
        right = ink_hull(rng.uniform(0, 5, (12, 2)) + np.array([7, rng.uniform(-3, 3)]), 0.2)
        rows = np.linspace(-5, 9, 1401)

        def reach(hull, row, pick):
            ends = np.roll(hull, -1, axis=0)
            on = (np.minimum(hull[:, 1], ends[:, 1]) <= row) & (row <= np.maximum(hull[:, 1], ends[:, 1]))
            a, b = hull[on], ends[on]
            return pick(a[:, 0] + (row - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])) if on.any() else None

        gaps = [(reach(left, r, np.max), reach(right, r, np.min)) for r in rows]
        least = min(b - a for a, b in gaps if a is not None and b is not None)
        assert hull_gap(left, right) == pytest.approx(least, abs=0.04)


def test_every_letter_reaches_its_class_height():
    writer = Writer(height_cv=0.15, shape_jitter=0.8, tremor_mm=0.05)
    for joined in (False, True):
        for style in range(4):
            page = draw(
                "abcdefghklmnopqrsuvwxyz ABCDEFGHIJKLMNOPQRSTUVWXYZ 0123456789",
                replace(writer, joined=joined, style=style, x_height_mm=1.5),
                BLANK,
                Capture(dpi=50),
                seed=style,
            )
            for letter in (c for w in page.truth.words for c in w.letters):
                unit = letter.size * 1.5
                top = {"body": 1, "ascender": writer.ascender_ratio, "descender": 1}.get(
                    letter.klass, writer.capital_ratio
                )
                deep = -writer.descender_ratio if letter.klass == "descender" else 0
                assert letter.height_mm == pytest.approx(top * unit, abs=1e-9), letter.char
                assert letter.bottom_mm == pytest.approx(deep * unit, abs=1e-9), letter.char


@pytest.mark.parametrize("style", [0, 1, 2, 5])
def test_joined_letters_hang_together_and_unjoined_stand_apart(style):
    joined = replace(WRITERS["able joined"], style=style)
    text = "minimum handle sound caught wave over quay boat"
    page = draw(text, joined, BLANK, CLEAN, seed=2)
    runs = label(page.image < 150, connectivity=2)
    for word in page.truth.words:
        boxes = [c.centre.scaled(page.truth.px_per_mm) for c in word.letters]
        box = word.box.scaled(page.truth.px_per_mm)
        part = runs[int(box.top) : int(box.bottom) + 1, int(box.left) : int(box.right) + 1]
        main = np.bincount(part[part > 0]).argmax()
        for letter, at, onward in zip(word.letters, boxes, [*word.letters[1:], None], strict=True):
            if letter.joined or (onward and onward.joined):
                own = runs[int(at.top) : int(at.bottom) + 1, int(at.left) : int(at.right) + 1]
                assert (own == main).any(), (word.written, letter.char)
    assert sum(c.joined for w in page.truth.words for c in w.letters) > 25
    print_page = draw(text, replace(ABLE, letter_space_cv=0.2, style=style), BLANK, CLEAN, seed=2)
    dots = text.count("i")
    assert label(print_page.image < 150, connectivity=2).max() == len(text.replace(" ", "")) + dots


def test_every_paper_and_capture_draws():
    for rules in ("none", "single", "double", "four-line", "squared"):
        paper = Paper(
            rules=rules,
            pitch_mm=12,
            zone_mm=3,
            margin_mm=18,
            holes=4,
            passage=PASSAGES[1],
            boxed=True,
            logo=True,
            show_through=0.1,
        )
        capture = Capture(dpi=75, colour=True, skew_deg=1, texture=0.4, shading=0.2, shadow=0.2, jpeg=60)
        page = draw(PASSAGES[1], ABLE, paper, capture, seed=1)
        assert page.image.shape == (page.truth.height_px, page.truth.width_px, 3)
        kinds = {r.kind for r in page.truth.rules} - {"margin"}
        assert (
            kinds
            == {
                "none": set(),
                "single": {"base"},
                "double": {"base", "waist"},
                "squared": {"base", "square", "vertical"},
                "four-line": {"top", "waist", "base", "bottom"},
            }[rules]
        )
        assert len(page.truth.printed) == 2
        first = page.truth.lines[0]
        assert first.baseline.y.min() > page.truth.printed[0].bottom


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


def test_letters_the_alphabet_lacks_are_named():
    assert missing_letters("It’s čšžřďťň àâéèêëîïôöùûüç ñåæøœß ąęłńśź őű ☃漢") == "☃漢"


def test_random_pages_span_what_they_say():
    pages = [random_page(seed) for seed in range(200)]
    heights = [w.x_height_mm for _, w, _, _ in pages]
    assert min(heights) < 1.5
    assert max(heights) > 6.5
    assert 0.7 < np.mean([2 <= h <= 4 for h in heights]) < 0.9
    assert {p.rules for _, _, p, _ in pages} == {"none", "single", "double", "four-line", "squared"}
    assert {c.dpi for _, _, _, c in pages} == {150, 200, 300, 400, 600}
    assert {w.joined for _, w, _, _ in pages} == {False, True}
    assert min(w.slant_deg for _, w, _, _ in pages) <= 65
    assert max(w.slant_deg for _, w, _, _ in pages) >= 105
    assert all(0.05 <= w.height_cv <= 0.30 for _, w, _, _ in pages)
    assert random_page(17) == pages[17]


def test_settings_out_of_range_are_refused():
    for make in (lambda: Writer(height_cv=0.9), lambda: Capture(dpi=5), lambda: Capture(skew_deg=80)):
        with pytest.raises(UsageError):
            make()
