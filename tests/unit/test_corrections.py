"""Corrections: what a person says takes effect, what the program found stays beside it, and nonsense is refused."""

from dataclasses import replace

import numpy as np
import pytest

from handwriting.calibration import Given
from handwriting.corrections.again import measure_again
from handwriting.corrections.apply import correct
from handwriting.corrections.model import Correction
from handwriting.corrections.text import read_corrections
from handwriting.errors import UsageError
from handwriting.page import Page
from handwriting.phantoms import WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.record import load, to_json
from handwriting.task import read_task

TEXT = "the old boat lay on the sand until a storm came in from the west and took it far out again"


@pytest.fixture(scope="module")
def result():
    page = draw(TEXT, WRITERS["able"], Paper(), Capture(dpi=150), 3)
    grey = page.image if page.image.ndim == 2 else np.asarray(page.image[..., 1])
    read = Page(np.ascontiguousarray(grey), None, "0" * 64, "page.png", "PNG", claimed_dpi=(150.0, 150.0))
    return measure_page(read, read_task(text=TEXT, seconds=120), Options(Given(150.0)))


def words(result):
    return [word for line in result.record.lines for word in line.words]


def said(result, text):
    return correct(result, read_corrections(text, result.record, who="XY", when="2026-03-09T10:00:00+00:00"))


def test_no_correction_changes_nothing(result):
    assert correct(result, ()) is result


def test_count_by_hand_sets_the_rate(result):
    rate = said(result, "letters 60").record.measures["letters_per_minute"]
    assert rate.value == pytest.approx(30.0)
    assert rate.n == 60


def test_last_word_is_counted_by_the_rule(result):
    # "the old boat" has 10 letters: 5 a minute in two minutes.
    assert said(result, "last word 3").record.measures["letters_per_minute"].value == pytest.approx(5.0)


def test_join_and_split_are_each_others_reverse(result):
    first, second = words(result)[:2]
    joined = said(result, f"word {first.number} join")
    assert len(words(joined)) == len(words(result)) - 1
    assert words(joined)[0].box.right == pytest.approx(second.box.right)
    k = result.record.scale.mm_per_px or 1.0
    cut = 0.5 * (first.box.right + second.box.left) / k
    middle = 0.5 * (first.box.top + first.box.bottom) / k
    back = correct(result, [*map(Correction.from_dict, joined.record.corrections), Correction("split", (cut, middle))])
    assert [w.box for w in words(back)][:2] == [first.box, second.box]
    assert back.record.measures["word_space"].value == pytest.approx(result.record.measures["word_space"].value, 0.1)


def test_set_aside_takes_a_word_and_a_line(result):
    count = len(result.record.lines[1].words)
    assert len(words(said(result, "word 2 set aside"))) == len(words(result)) - 1
    gone = said(result, "line 2 set aside")
    assert len(words(gone)) == len(words(result)) - count
    assert len(gone.record.lines) == len(result.record.lines) - 1
    assert len(gone.record.print_areas) == len(result.record.print_areas) + 1


def test_moved_baseline_passes_where_it_was_put(result):
    line = result.record.lines[0]
    x, y = line.baseline[len(line.baseline) // 2]
    moved = said(result, f"line 1 baseline {x} {y + 0.4}").record.lines[0]
    at = [p[0] for p in moved.baseline]
    assert np.interp(x, at, [p[1] for p in moved.baseline]) == pytest.approx(y + 0.4, abs=1e-3)
    assert moved.x_height > line.x_height


def test_a_baseline_above_the_writing_is_refused(result):
    x, y = result.record.lines[0].baseline[1]
    with pytest.raises(UsageError, match="above the writing"):
        said(result, f"line 1 baseline {x} {y - 25}")


def test_drawn_scale_sets_every_length(result):
    box = result.record.lines[0].box
    twice = 2 * (box.right - box.left)
    scaled = said(result, f"scale {box.left} {box.top} {box.right} {box.top} is {twice}")
    assert scaled.record.scale.source == "drawn by a person"
    before, after = (r.record.measures["x_height"].value for r in (result, scaled))
    assert after == pytest.approx(2 * before, rel=1e-3)


def test_blanked_name_is_gone_from_picture_and_ink(result):
    box = words(result)[0].box
    said_so = f"blank {box.left} {box.top} {box.right} {box.bottom}"
    blanked = said(result, said_so)
    k = result.record.scale.mm_per_px or 1.0
    inside = blanked.picture[
        int(box.top / k) + 1 : int(box.bottom / k) - 1, int(box.left / k) + 1 : int(box.right / k) - 1
    ]
    assert inside.min() == inside.max()
    assert len(words(blanked)) == len(words(result)) - 1


def test_record_keeps_both_versions_and_who(result):
    text = to_json(said(result, "letters 60\nword 1 join  # written apart").record)
    kept = load(text)
    assert [c["kind"] for c in kept.corrections] == ["letters", "join"]
    assert {c["who"] for c in kept.corrections} == {"XY"}
    assert len(kept.as_found["lines"][0]["words"]) == len(result.record.lines[0].words)


def test_a_corrected_record_can_be_made_again(result):
    again = measure_again(load(to_json(result.record)), result.pages)
    assert again.record.measures == result.record.measures
    with pytest.raises(UsageError, match="not the page the record was made from"):
        measure_again(result.record, [replace(result.pages[0], sha256="1" * 64)])


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("word 999 join", "no word 999"),
        ("line 99 set aside", "no line 99"),
        ("word one join", "not understood"),
        ("word 1 wrong", "not understood"),
        ("last word 999", "no word 999"),
        ("word 1 split at -50", "no word at"),
        ("blank -9 -9 -2 -2", "outside the page"),
        ("scale 1 1 1.1 1 is 100", "too short"),
        ("line 1 baseline 10 500\nline 1 set aside\nletters x", "line 3"),
    ],
)
def test_nonsense_is_refused_in_one_sentence(result, line, why):
    with pytest.raises(UsageError, match=why) as refused:
        said(result, line)
    assert refused.value.fix


def test_the_last_word_of_a_line_has_no_next(result):
    last = result.record.lines[0].words[-1].number
    with pytest.raises(UsageError, match="no next word"):
        said(result, f"word {last} join")


def counted(result):
    return result.record.letters["counted_by_tool"]


def test_a_word_said_to_be_crossed_out_is_counted_apart(result):
    word = words(result)[1]
    letters = sum(c.isalpha() for c in word.text)
    corrected = said(result, f"word {word.number} crossed-out")
    assert counted(corrected)["written"] == counted(result)["written"] - letters
    assert counted(corrected)["crossed_out"] == letters
    assert words(corrected)[1].state == "crossed-out"
    rate = corrected.record.measures["letters_per_minute"].value
    assert rate == pytest.approx(counted(corrected)["written"] / 2)


def test_what_a_word_reads_is_taken_from_the_person(result):
    # The second word of the text is "old": read as something else it no longer matches, and read right it does again.
    number = words(result)[1].number
    other = said(result, f'word {number} reads "odl"')
    assert words(other)[1].state == "misspelt"
    assert counted(other)["matching"] == counted(result)["matching"] - 3
    again = said(result, f'word {number} reads "odl"\nword {number} reads "old"')
    assert words(again)[1].state == "written"
    assert counted(again)["matching"] == counted(result)["matching"]


def test_parts_of_a_split_word_take_their_readings(result):
    first, second = words(result)[:2]
    joined = said(result, f"word {first.number} join")
    k = result.record.scale.mm_per_px or 1.0
    middle = (0.5 * (first.box.right + second.box.left) / k, 0.5 * (first.box.top + first.box.bottom) / k)
    places = [(0.5 * (b.left + b.right) / k, 0.5 * (b.top + b.bottom) / k) for b in (first.box, second.box)]
    steps = [*map(Correction.from_dict, joined.record.corrections), Correction("split", middle)]
    steps += [Correction("reads", at, text) for at, text in zip(places, ("the", "old"), strict=True)]
    assert counted(correct(result, steps))["written"] == counted(result)["written"]


def test_a_word_left_out_is_no_longer_counted(result):
    corrected = said(result, "left out 2")
    assert counted(corrected)["written"] == counted(result)["written"] - 3
    assert "old" in str(counted(corrected)["left_out_runs"])


def test_a_word_set_aside_is_no_longer_counted(result):
    assert counted(said(result, "word 2 set aside"))["written"] == counted(result)["written"] - 3


def test_words_cannot_be_told_without_a_text(result):
    silent = replace(result, task=replace(result.task, text=""), found=replace(result.found, alignment=None))
    with pytest.raises(UsageError, match="not known"):
        said(silent, "word 2 crossed-out")


def test_nothing_left_is_refused(result):
    everything = "\n".join(f"line {line.number} set aside" for line in result.record.lines)
    with pytest.raises(UsageError, match="nothing would be left"):
        said(result, everything)


@pytest.mark.parametrize(
    "fields",
    [
        {"kind": "praise"},
        {"kind": "join"},
        {"kind": "state", "at": [1, 2], "value": "tidy"},
        {"kind": "letters", "value": -1},
        {"kind": "scale", "value": [1, 2]},
        {"kind": "split", "at": [1]},
        {"kind": "split", "at": "here"},
    ],
)
def test_malformed_corrections_are_refused(fields):
    with pytest.raises(UsageError):
        Correction.from_dict(fields)
