"""Drawn copies with slips of every kind, laid against their text by the whole pipeline."""

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from handwriting.calibration import Given
from handwriting.errors import TextMismatchError
from handwriting.ink import find_ink
from handwriting.lifting import flatten, lift_rules
from handwriting.lines import find_lines
from handwriting.page import Page
from handwriting.phantoms import PASSAGES
from handwriting.pipeline import Options, lay_against, measure_page
from handwriting.rules import find_rules
from handwriting.task import read_task
from handwriting.words import find_words

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from alignment import Scores, add_page, copy_page, reliability_error


def page_of(phantom, name):
    grey = phantom.image if phantom.image.ndim == 2 else cv2.cvtColor(phantom.image, cv2.COLOR_RGB2GRAY)
    return Page(np.asarray(grey, np.uint8), None, "0" * 64, name, "PNG")


def find_on(found):
    """Run the stages again on a frame as it stands."""
    flat = flatten(found.frame.grey, found.frame.px_per_mm)
    rules = find_rules(flat, found.frame.px_per_mm)
    lifted, cut = lift_rules(flat, rules, found.frame.px_per_mm)
    ink = find_ink(lifted, cut, rules, found.frame.px_per_mm)
    lines = find_lines(ink, rules.across, found.frame.px_per_mm)
    words = find_words(lines, ink.stroke_px)
    return replace(found, ink=ink, lines=lines, words=words, ruling=rules.across)


OPTIONS = Options(Given(dpi=300))


@pytest.fixture(scope="module")
def measured():
    """Two hands: able (seed 12) and variable joined (seed 16)."""
    made = []
    for seed in (12, 16):
        phantom = copy_page(seed)
        task = read_task(text=phantom.truth.text, seconds="240")
        made.append((phantom, measure_page(page_of(phantom, str(seed)), task, OPTIONS)))
    return made


def test_count_states_and_boxes(measured):
    scores = Scores()
    for phantom, result in measured:
        add_page(scores, phantom.truth, result.found.alignment, each=False)
    assert np.abs(scores.errors).max() <= 0.01
    assert scores.f() >= 0.95
    assert np.mean(np.array(scores.words) >= 0.75) >= 0.98
    assert np.mean(np.array(scores.letters) >= 0.5) >= 0.9
    assert reliability_error(scores.sure) <= 0.05


def test_good_word_that_runs_into_a_struck_one_stays_good():
    # "breth" is struck out and "breath" follows without a gap; by its gaps the page has one word there.
    phantom = copy_page(8)
    task = read_task(text=phantom.truth.text)
    found = measure_page(page_of(phantom, "8"), task, OPTIONS).found
    place = next(i for i, w in enumerate(phantom.truth.words) if w.written == "breth")
    struck, good = (phantom.truth.px(w.box) for w in phantom.truth.words[place : place + 2])
    words = found.alignment.words
    (over,) = [w for w in words if w.box.overlap(struck) > 0.75]
    (written,) = [w for w in words if w.box.overlap(good) > 0.75]
    assert (over.state, written.state, written.text) == ("crossed-out?", "written", "breath")
    counts = phantom.truth.letter_counts
    true = counts["matching"] + counts["misspelt"]
    assert abs(found.alignment.totals.written - true) <= 0.01 * true


def test_record_tells_what_was_written(measured):
    for phantom, result in measured:
        record, laid = result.record, result.found.alignment
        by_tool = record.letters["counted_by_tool"]
        assert by_tool["interval"][0] <= by_tool["written"] <= by_tool["interval"][1]
        assert by_tool["last_word"] == phantom.truth.text.split()[-1]
        words = [w for line in record.lines for w in line.words]
        assert len(words) == len(laid.words) == len(result.found.words.words)
        known = [w for w in words if w.text]
        assert len(known) > 60
        assert all(0 < w.confidence <= 1 for w in known)
        first = known[0]
        assert "".join(x.text for x in first.letters) == first.text == phantom.truth.text.split()[0]
        rate = record.measures["letters_per_minute"]
        assert rate.value == pytest.approx(60 * by_tool["written"] / 240)
        assert "counted-by-tool" in rate.flags


def test_count_by_hand_wins_and_both_are_kept(measured):
    phantom, first = measured[0]
    task = read_task(text=phantom.truth.text, seconds="240", letters="150")
    record = measure_page(page_of(phantom, "12"), task, OPTIONS).record
    assert record.measures["letters_per_minute"].value == pytest.approx(150 / 4)
    assert "counts-differ" in record.measures["letters_per_minute"].flags
    assert record.letters["counted_by_hand"] == 150
    assert record.letters["counted_by_tool"] == first.record.letters["counted_by_tool"]


def test_letters_of_an_unknown_text_are_estimated(measured):
    phantom, _ = measured[1]
    record = measure_page(page_of(phantom, "16"), read_task(seconds="240"), OPTIONS).record
    counts = phantom.truth.letter_counts
    low, high = record.letters["estimated"]["interval"]
    assert low <= counts["written"] <= high
    assert high - low < 0.15 * counts["written"]
    rate = record.measures["letters_per_minute"]
    assert "letters-estimated" in rate.flags
    assert all(w.text is None for line in record.lines for w in line.words)  # nothing read is kept


def test_text_tells_which_way_up_a_page_is(measured):
    phantom, first = measured[0]
    turned = replace(first.found, frame=first.found.frame.turned(180), alignment=None)
    over = find_on(turned)
    laid = lay_against(over, phantom.truth.text, "page.png")
    assert laid.frame.turned_deg == first.found.frame.turned_deg
    assert laid.alignment.totals == first.found.alignment.totals


def test_wrong_text_is_refused_or_set_aside(measured):
    phantom, first = measured[0]
    other = next(p for p in PASSAGES if p != phantom.truth.text)
    with pytest.raises(TextMismatchError, match="not what is written") as caught:
        lay_against(first.found, other, "page.png")
    assert caught.value.exit_code == 21
    bare = replace(first.found, alignment=None)
    assert lay_against(bare, other, None).alignment is None


def test_page_is_laid_without_the_reader_when_it_is_switched_off(measured):
    phantom, first = measured[0]
    task = read_task(text=phantom.truth.text, seconds="240")
    record = measure_page(page_of(phantom, "12"), task, replace(OPTIONS, read=False)).record
    by_tool, read = record.letters["counted_by_tool"], first.record.letters["counted_by_tool"]
    assert record.software["reader_used"] is False
    assert by_tool["last_word"] == read["last_word"]
    assert abs(by_tool["written"] - read["written"]) <= 0.03 * read["written"]
