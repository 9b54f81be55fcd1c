"""How the picture tells words that are not as in the text, what is missing, and the places reached."""

from dataclasses import replace

import numpy as np
import pytest
import report_fixture

from handwriting.geometry import Box
from handwriting.record import LineFacts, WordFacts
from handwriting.report.charts import legend_key
from handwriting.report.colours import MINUTE, PAPER, STATE, contrast
from handwriting.report.overlay import overlay, shown_marks
from handwriting.report.states import STATE_KEYS, left_out, minutes
from handwriting.report.words import catalogue, find_catalogue


def _with_states(record):
    """A line with a word of every state, two words missing before the third, and a minute's end."""
    states = ("written", "misspelt?", "added", "crossed-out?", "repeated", "unreadable")
    texts = ("the", "boat", None, None, "boat", "sand")
    words = tuple(
        WordFacts(i + 1, Box(20.0 + 12 * i, 30.0, 29.0 + 12 * i, 36.0), text=text, state=state)
        for i, (text, state) in enumerate(zip(texts, states, strict=True))
    )
    line = LineFacts(1, ((20.0, 36.0), (95.0, 36.0)), 3.0, Box(20.0, 30.0, 95.0, 36.0), None, words)
    count = {"last_word_number": 5, "left_out_runs": [{"first": 3, "last": 4, "words": "on the"}]}
    task = {**record.task, "text": "the boat on the sand", "minutes": [2]}
    return replace(record, lines=(line,), task=task, letters={"counted_by_tool": count}, ruling=None)


def test_states_have_lines_and_labels_of_their_own():
    record, picture = report_fixture.page()
    marked = _with_states(record)
    keys = ("misspelt", "repeated", "added", "crossed-out", "unreadable", "left-out", "minute")
    assert shown_marks(marked)[-len(keys) :] == keys
    plain = replace(
        marked,
        lines=(replace(marked.lines[0], words=tuple(replace(w, state="written") for w in marked.lines[0].words)),),
        task={},
        letters={},
    )
    assert not set(shown_marks(plain)) & set(keys)
    drawn = overlay(marked, picture, legend=False).astype(int)
    bare = overlay(plain, picture, legend=False).astype(int)
    k = 1 / record.scale.mm_per_px
    changed = np.abs(drawn - bare).sum(2) > 150
    scale = drawn.shape[1] / picture.shape[1]
    # Along the lower edge of each frame: how much of it is drawn tells the states apart in grey too.
    shares = []
    for word in marked.lines[0].words:
        row = slice(int((word.box.bottom * k - 4) * scale), int((word.box.bottom * k + 4) * scale))
        columns = slice(int((word.box.left * k + 6) * scale), int((word.box.right * k - 6) * scale))
        shares.append(changed[row, columns].any(0).mean())
    assert shares[0] == 0, shares
    assert shares[3] > 0.95
    assert all(0.2 < share < 0.95 for i, share in enumerate(shares) if i not in (0, 3)), shares


def test_words_left_out_are_marked_where_they_are_missing():
    record, _ = report_fixture.page()
    marked = _with_states(record)
    ((box, count),) = left_out(marked)
    assert count == 2
    # After "boat", the second word of the page, on the line.
    assert 41.0 < box.left < box.right < 44.5
    assert box.top == pytest.approx(36.0)
    # Where the record's words are not those of the text any more, no place is told.
    other = replace(marked, task={**marked.task, "text": "the dog on the sand"})
    assert not list(left_out(other))


def test_minutes_stand_at_ticks_where_there_are_some():
    record, _ = report_fixture.page()
    marked = _with_states(record)
    assert [(m, box.left) for m, box in minutes(marked)] == [(1, 41.0)]
    tick = {"minute": 1, "box": {"left": 50.0, "top": 25.0, "right": 52.0, "bottom": 28.0}}
    ticked = replace(marked, letters={**marked.letters, "minute_ticks": {"marks": [tick]}})
    assert list(minutes(ticked)) == [(1, Box(50.0, 25.0, 52.0, 28.0))]


def test_every_state_is_explained_in_words_and_shape():
    for key in STATE_KEYS:
        assert catalogue().legend[key] != find_catalogue("fr").legend[key]
        assert "<svg" in legend_key(key)
    assert len({legend_key(key) for key in STATE_KEYS}) == len(STATE_KEYS)
    # Text on labels: WCAG 2.2, criterion 1.4.3.
    assert min(contrast(STATE, PAPER), contrast(MINUTE, PAPER)) >= 4.5
