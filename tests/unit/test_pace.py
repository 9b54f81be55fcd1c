"""Letters by the minute: every mark counts its own words, and the slope is Theil's."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from handwriting.calibration import Given
from handwriting.corrections.apply import correct
from handwriting.corrections.text import read_corrections
from handwriting.errors import UsageError
from handwriting.page import Page
from handwriting.phantoms import WRITERS, Capture, Paper, draw
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import NotMeasured
from handwriting.task import Task, read_task
from handwriting.typed import read_minutes

TEXT = "the old boat lay on the sand until a storm came in from the west and took it far out again"
LETTERS = [sum(c.isalpha() for c in word) for word in TEXT.split()]


def measured(minutes, seconds=120):
    page = draw(TEXT, WRITERS["able"], Paper(), Capture(dpi=200), 3)
    grey = page.image if page.image.ndim == 2 else np.asarray(page.image[..., 1])
    read = Page(np.ascontiguousarray(grey), None, "0" * 64, "page.png", "PNG", claimed_dpi=(200.0, 200.0))
    return measure_page(read, read_task(text=TEXT, seconds=seconds, minutes=minutes), Options(Given(200.0)))


@pytest.fixture(scope="module")
def result():
    return measured("word 4, word 9, 13, word 16, 21")


def test_each_minute_counts_its_own_words(result):
    rows = result.record.letters["by_minute"]
    bounds = [0, 4, 9, 13, 16, 21]
    assert [row["letters"] for row in rows] == [sum(LETTERS[a:b]) for a, b in pairwise(bounds)]
    assert [row["words"] for row in rows] == [4, 5, 4, 3, 5]
    assert all(row["x_height"] == pytest.approx(2.6, abs=0.3) for row in rows)


def test_the_slope_is_theils(result):
    # Reference: scipy.stats.theilslopes.
    counts = [row["letters"] for row in result.record.letters["by_minute"]]
    change = result.record.measures["pace_change"]
    assert change.value == pytest.approx(stats.theilslopes(counts, range(1, 6)).slope)
    assert change.low <= change.value <= change.high
    assert change.flags == ()


def test_marks_by_a_person_give_the_same(result):
    plain = measured(None)
    assert "pace_change" not in plain.record.measures
    text = "\n".join(f"minute {m} word {n}" for m, n in enumerate((4, 9, 13, 16, 21), 1))
    marked = correct(plain, read_corrections(text, plain.record, who="XY", when="2026-03-09"))
    assert marked.record.letters["by_minute"] == result.record.letters["by_minute"]
    wrong = "minute 1 word 9\nminute 2 word 4"
    with pytest.raises(UsageError, match="not marked in order"):
        correct(plain, read_corrections(wrong, plain.record, who="XY", when="2026-03-09"))


def test_few_minutes_are_said_to_be_few():
    few = measured("4, 9, 13").record.measures["pace_change"]
    assert few.flags == ("few-minutes",)
    two = measured("4, 9").record.measures["pace_change"]
    assert isinstance(two, NotMeasured)
    assert two.flag == "few-minutes"


@pytest.mark.parametrize("given", ["", "word", "14, 14", "29, 14", "word 14; word 29", "0, 5"])
def test_marks_that_say_nothing_are_refused(given):
    with pytest.raises(UsageError, match="which word ended each minute"):
        read_minutes(given)


def test_marks_survive_the_record():
    task = replace(read_task(text=TEXT), minutes=(4, 9))
    assert Task.from_dict(task.as_dict()) == task
