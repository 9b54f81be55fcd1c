"""Letters per minute and its interval."""

import math

import numpy as np
import pytest

from handwriting.alignment import LetterEstimate, LetterTotals
from handwriting.flags import FLAGS
from handwriting.measures.speed import letters_per_minute
from handwriting.quantity import Measured, NotMeasured
from handwriting.task import read_task

TEXT = "alpha " * 20 + "omega"  # 105 letters


def test_rate_from_a_count_by_hand():
    found = letters_per_minute(read_task(letters=212, seconds=300))
    assert isinstance(found, Measured)
    assert found.value == pytest.approx(42.4)
    assert (found.unit, found.n, found.flags) == ("letters/min", 212, ())
    assert [part.name for part in found.parts] == ["time taken"]


def test_rate_from_the_last_word_reached():
    found = letters_per_minute(read_task(text=TEXT, reached="omega", seconds=120))
    assert found.value == pytest.approx(52.5)
    assert [part.name for part in found.parts] == ["place reached", "time taken"]
    half = 1.96 * math.hypot(0.5 / math.sqrt(3), 52.5 / 120 * 2 / math.sqrt(3))
    assert (found.low, found.high) == pytest.approx((52.5 - half, 52.5 + half))


def test_interval_covers_the_rate_when_place_and_time_are_off_within_their_limits():
    rng = np.random.default_rng(3)
    true = 60 * 105 / 120
    hits = 0
    for _ in range(2000):
        letters, seconds = 105 + rng.uniform(-1, 1), 120 + rng.uniform(-2, 2)
        found = letters_per_minute(read_task(text=TEXT, reached="omega", seconds=120))
        half = found.high - found.value
        hits += abs(60 * letters / seconds - true) <= half
    assert 0.94 <= hits / 2000 <= 0.99


@pytest.mark.parametrize(("seconds", "flagged"), [(119.9, True), (120, False)])
def test_short_task_flag_from_both_sides(seconds, flagged):
    assert ("short-task" in letters_per_minute(read_task(letters=90, seconds=seconds)).flags) is flagged


@pytest.mark.parametrize(("letters", "flagged"), [(29, True), (30, False)])
def test_few_letters_flag_from_both_sides(letters, flagged):
    assert ("few-letters" in letters_per_minute(read_task(letters=letters, seconds=300)).flags) is flagged


def test_counts_that_differ_are_flagged_and_the_hand_count_is_used():
    found = letters_per_minute(read_task(text=TEXT, reached="omega", letters=100, seconds=120))
    assert (found.n, found.flags) == (100, ("counts-differ",))


@pytest.mark.parametrize(
    ("given", "flag"), [({"seconds": 300}, "no-count"), ({"letters": 90}, "no-time"), ({}, "no-count")]
)
def test_missing_count_or_time_is_told(given, flag):
    found = letters_per_minute(read_task(**given))
    assert isinstance(found, NotMeasured)
    assert found.flag == flag
    assert flag in FLAGS


TOTALS = LetterTotals(98, 95, 101, 90, 3, 0, 5, 7, 2, 0, 4)


def test_rate_from_the_count_of_the_alignment():
    found = letters_per_minute(read_task(text=TEXT, seconds=120), TOTALS)
    assert found.value == pytest.approx(49.0)
    assert (found.n, found.flags) == (98, ("counted-by-tool",))
    assert [part.name for part in found.parts] == ["letters counted", "time taken"]
    # Half of a 95 % interval of 6 letters is 1.96 standard uncertainties.
    assert found.parts[0].size == pytest.approx(0.5 * 3 / 1.96, rel=1e-3)


@pytest.mark.parametrize(("letters", "differ"), [(94, True), (95, False), (101, False), (102, True)])
def test_count_by_hand_wins_and_is_held_against_the_tools_interval(letters, differ):
    found = letters_per_minute(read_task(letters=letters, seconds=120), TOTALS)
    assert found.n == letters
    assert ("counts-differ" in found.flags) is differ


def test_rate_from_an_estimate_says_so():
    found = letters_per_minute(read_task(seconds=120), LetterEstimate(98, 90, 106))
    assert (found.n, found.flags) == (98, ("letters-estimated",))
