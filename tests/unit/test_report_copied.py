"""The report's section on what was copied."""

from dataclasses import replace

import pytest
import report_fixture
from report_fixture import COUNT

from handwriting.report.copied import sentences, slips
from handwriting.report.html import render_html
from handwriting.report.words import catalogue


@pytest.fixture
def page():
    record, picture = report_fixture.page()
    line = record.lines[1]
    states = ("misspelt?", "added", "repeated", "crossed-out?")
    words = tuple(replace(word, state=states[i]) if i < len(states) else word for i, word in enumerate(line.words))
    lines = (record.lines[0], replace(line, words=words), *record.lines[2:])
    return replace(record, lines=lines, letters={**record.letters, "counted_by_tool": COUNT}), picture


def test_sentences_say_what_was_counted(page):
    said = " ".join(sentences(page[0], catalogue()))
    assert "“quay”, word 31 of the text: 62% of it" in said
    assert "120, likely 118 to 122; 109 of them" in said
    assert "3 letters written again; about 5 letters crossed out" in said
    assert "not in the text" not in said  # none were added
    assert "Left out before the last word reached: “turns at noon.”" in said


def test_the_last_word_stands_without_its_comma(page):
    record = replace(page[0], letters={"counted_by_tool": {**COUNT, "last_word": "“quay!”,"}})
    assert sentences(record, catalogue())[0].startswith("The last word reached is “quay”, word 31")


def test_nothing_left_out_is_said(page):
    record = replace(page[0], letters={"counted_by_tool": {**COUNT, "left_out_runs": []}})
    assert "No word before the last one reached was left out." in sentences(record, catalogue())


def test_words_to_look_at_come_with_their_pictures(page):
    record, picture = page
    shown = slips(record, picture, catalogue())
    words = record.lines[1].words[:4]
    assert [s.said for s in shown] == [
        f"in the text: {words[0].text}", "not in the text", f"written again: {words[2].text}", "crossed out?",
    ]  # fmt: skip
    per_unit = 1 / record.scale.mm_per_px
    for slip, word in zip(shown, words, strict=True):
        assert slip.picture.shape[1] >= word.box.width * per_unit
        assert slip.picture.min() < 150  # the ink is in it


def test_page_without_a_text_has_no_such_section(page):
    record, picture = report_fixture.page()
    assert sentences(record, catalogue()) == []
    assert slips(record, picture, catalogue()) == []
    assert "What was copied" not in render_html(record, picture)
    assert render_html(*page).count('<ul class="slips">') == 1
