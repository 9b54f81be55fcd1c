"""Wording, rounding and the plain part: nothing forbidden, numbers rounded by their interval, steadier topics first."""

from __future__ import annotations

import itertools
import math
import re
import string
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_fixture import measures, page

from handwriting.flags import FLAGS
from handwriting.quantity import Measured, NotMeasured
from handwriting.record import FlagNote, Record
from handwriting.report import colours, plain
from handwriting.report.html import render_html
from handwriting.report.rounding import MINUS, decimals, number, rounded, significant
from handwriting.report.table import measures_csv
from handwriting.report.words import catalogue

# Words no output may hold about a writer or a page (measures.md 5.1, 5.5): labels, categories, condition names.
FORBIDDEN = re.compile(
    r"\b(poor\w*|slow\w*|fail\w*|abnormal\w*|deficit\w*|impair\w*|at risk|disorder\w*|dys[a-z]+|severe\w*|"
    r"good|bad|better|worse|worst|weak(?! sample)\w*|below average|above average|delay\w*|struggl\w*|problem\w*|"
    r"red|amber|traffic light|grade equivalent|age equivalent|total score|disab\w*|illeg\w*|untidy|messy)\b",
    re.IGNORECASE,
)
# Words that may only stand in the sentences that deny them.
ONLY_DENIED = re.compile(r"\b(diagnos\w*|screening|score|monitoring|prediction)\b", re.IGNORECASE)


def _visible(html: str) -> str:
    body = html[html.index("<body") :]
    return re.sub(r"<[^>]+>", " ", re.sub(r'src="[^"]*"', "", body))


@pytest.fixture(scope="module")
def small() -> tuple[Record, object]:
    return page(60, lines=4)


def _combinations() -> list[dict[str, object]]:
    """Every measure at its low, at its high, negative, and missing; every flag; every task value."""
    base = measures()
    made = []
    for sign, scaled in itertools.product((-1, 1), (True, False)):
        found = {}
        for key, known in measures(scaled=scaled).items():
            q = known
            if isinstance(q, Measured) and catalogue().measure(key).zero is not None:
                half = (q.high - q.low) / 2
                middle = (catalogue().measure(key).zero or 0.0) + sign * 3 * half
                q = replace(q, value=middle, low=middle - half, high=middle + half)
            found[key] = q
        made.append(found)
    made.append({key: NotMeasured("no-scale", FLAGS["no-scale"].meaning) for key in base})
    made += [{key: q} for key, q in base.items()]
    return made


@pytest.mark.parametrize("found", _combinations())
def test_no_forbidden_word_whatever_was_measured(found, small):
    record, picture = small
    flags = tuple(FlagNote(code) for code in FLAGS)
    text = _visible(render_html(replace(record, measures=found, flags=flags), picture))
    assert FORBIDDEN.findall(text) == FORBIDDEN.findall(" ".join(f.advice for f in FLAGS.values()))
    rest = text
    for denial in (*catalogue().cautions, catalogue().purpose):
        assert denial in text.replace("&#39;", "'")
        rest = rest.replace(denial, "")
    assert not ONLY_DENIED.search(rest)
    assert not FORBIDDEN.search(measures_csv(replace(record, measures=found)))


def test_no_forbidden_word_in_the_catalogue():
    words = catalogue()
    spoken = [*words.text.values(), words.purpose, *words.cautions, *words.facts.values(), *words.legend.values()]
    for own in words.measures.values():
        spoken += [own.name, own.term, own.plain, own.alone, own.above, own.below, own.across]
    for said in spoken:
        assert not FORBIDDEN.search(said), said


def test_every_sentence_has_its_places_and_no_other():
    for key, own in catalogue().measures.items():
        for template in (own.plain, own.alone, own.above, own.below, own.across):
            places = {name for _, name, _, _ in string.Formatter().parse(template) if name}
            assert not template or (places & {"value", "number"} and {"low", "high"} <= places), key
            assert places <= {"value", "number", "low", "high", "tolerance"}, key
        assert (own.zero is None) == (not own.across), key


def test_topics_speak_only_of_known_measures_that_have_a_sentence():
    words = catalogue()
    for topic in words.topics:
        for key in topic.measures:
            own = words.measures[key]
            assert own.plain or own.across or own.alone, key


# Worked by hand: half-width 0.2 gives one decimal, 0.011 two, 11.5 tens.
@pytest.mark.parametrize(
    ("value", "low", "high", "said"),
    [
        (3.1, 2.9, 3.3, ("3.1", "2.9", "3.3")),
        (0.152, 0.141, 0.163, ("0.15", "0.14", "0.16")),
        (71.3, 60.0, 83.0, ("70", "60", "80")),
        (0.31, -0.12, 0.74, ("0.3", MINUS + "0.1", "0.7")),
        (-0.04, -0.3, 0.2, ("0.0", MINUS + "0.3", "0.2")),
        (5.0, 5.0, 5.0, ("5.00", "5.00", "5.00")),
        # Half-width 15 gives tens, which would put the value on the end; a value that is the end may stand on it.
        (12.6, 7.1, 37.2, ("13", "7", "37")),
        (0.0, 0.0, 0.74, ("0.0", "0.0", "0.7")),
    ],
)
def test_rounding_follows_the_interval(value, low, high, said):
    shown = rounded(value, low, high)
    assert (shown.value, shown.low, shown.high) == said


def test_ten_percent_bounds_of_a_power_of_ten():
    assert decimals(0.0, 0.2) == 1
    assert decimals(0.9, 1.1) == 1  # 0.1 is held as a little less
    assert decimals(0.0, 0.199) == 2
    assert decimals(0.0, 20.0) == -1


@pytest.mark.parametrize(("half", "places"), [(0.1, 2), (0.39, 2), (0.4, 1), (0.99, 1), (1.0, 1), (3.9, 1), (4.0, 0)])
def test_tables_keep_a_second_digit_where_the_first_is_small(half, places):
    assert decimals(-half, half, fine=True) == places


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e3), st.floats(0, 1))
def test_the_value_shown_lies_in_the_interval_shown(low, width, share):
    shown = rounded(low + share * width, low, low + width)
    low_shown, value, high_shown = (float(x.replace(MINUS, "-")) for x in (shown.low, shown.value, shown.high))
    assert low_shown <= value <= high_shown
    unit = 10.0 ** -decimals(low, low + width)
    assert abs(low_shown - low) <= unit / 2 * (1 + 1e-6)


def test_a_minus_never_stands_before_zero():
    assert number(-0.004, 2) == "0.00"
    assert number(-0.006, 2) == MINUS + "0.01"
    assert significant(0.0) == "0"
    assert significant(0.0346) == "0.035"
    assert significant(123.4) == "120"


def test_topics_run_from_the_smallest_spread_to_the_largest(small):
    record, _ = small
    told = plain.topics(record, catalogue())
    spreads = [t.spread for t in told if t.spread is not None]
    assert spreads == sorted(spreads)
    assert len(spreads) == 6
    assert all(t.spread is None for t in told[len(spreads) :])
    by_title = {t.title: t.spread for t in told}
    # By hand from the fixture: 0.34 x 2.0; tan 7.7 degrees; 1.9 mm over 2.81 mm.
    assert by_title["Gaps between words"] == pytest.approx(0.68)
    assert by_title["Slant"] == pytest.approx(math.tan(math.radians(7.7)))
    assert by_title["Line starts"] == pytest.approx(1.9 / 2.81)


def test_a_steadier_hand_changes_the_order(small):
    record, _ = small
    varied = dict(record.measures)
    varied["height_cv"] = replace(varied["height_cv"], value=0.9)
    assert plain.topics(replace(record, measures=varied), catalogue())[-4].title == "Letter size"


def test_where_letters_are_known_the_spread_of_each_letter_is_told_instead(small):
    record, _ = small
    before = next(t for t in plain.topics(record, catalogue()) if t.title == "Letter size")
    assert before.spread == 0.152 and "Letters of one kind differ" in before.sentences[1]
    known = {**record.measures, "known_height_cv": Measured(0.09, "1", 0.08, 0.11, 200)}
    now = next(t for t in plain.topics(replace(record, measures=known), catalogue()) if t.title == "Letter size")
    assert now.sentences[1:] == ("The same letter differs in height by about 9%, likely 8 to 11.",)
    assert now.spread == 0.09


def test_sides_are_said_in_words():
    words = catalogue()
    lean = Measured(84.2, "deg", 82.6, 85.9, 240)
    assert plain.sentence(lean, "slant", words) == "Letters lean to the right by 6°, likely 4 to 7."
    left = Measured(97.0, "deg", 95.0, 99.0, 240)
    assert plain.sentence(left, "slant", words) == "Letters lean to the left by 7°, likely 5 to 9."
    level = Measured(0.1, "deg", -0.2, 0.4, 9)
    assert plain.sentence(level, "baseline_drift", words).startswith("Lines run level")
    below = Measured(-0.42, "mm", -0.55, -0.31, 9)
    assert "0.4 mm below" in plain.sentence(below, "rule_distance", words)


def test_the_tolerance_is_said(small):
    record, _ = small
    told = " ".join(s for t in plain.topics(record, catalogue()) for s in t.sentences)
    assert "Of 100 letters, 71 stand within 0.5 mm of the line" in told
    silent = replace(record, software={})
    assert "within the tolerance of" in " ".join(s for t in plain.topics(silent, catalogue()) for s in t.sentences)


def test_without_scale_the_ratios_speak(small):
    record, _ = small
    told = plain.topics(replace(record, measures=measures(scaled=False)), catalogue())
    text = " ".join(s for t in told for s in t.sentences)
    assert " mm" not in text.replace("within 0.5 mm", "")
    assert "Gaps between words are 2.0 times a small letter’s height" in text


def test_contrast_of_the_colours_used():
    # Known points of the WCAG definition: black on white 21:1, #767676 on white 4.54:1 (the lightest grey that passes).
    assert colours.contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert colours.contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    for text in (colours.TEXT, colours.QUIET):
        for ground in (colours.PAPER, colours.PANEL):
            assert colours.contrast(text, ground) >= 4.5
    assert colours.contrast(colours.PAPER, colours.BASELINE) >= 4.5  # line numbers
    for mark in (colours.BASELINE, colours.RULE, colours.MARGIN, colours.WORD, colours.LETTER, colours.PRINT):
        assert colours.contrast(mark, colours.PAPER) >= 3.0
    assert colours.contrast(colours.BASELINE, colours.BAND) >= 3.0
    assert colours.contrast(colours.HAIRLINE, colours.PAPER) >= 3.0


def test_the_style_sheet_uses_only_colours_of_the_table():
    from importlib import resources

    css = resources.files("handwriting.report").joinpath("report.css").read_text("utf-8")
    known = {value for name, value in vars(colours).items() if name.isupper()}
    decorative = {"#c3c9ce"}  # hairlines between table rows carry no meaning
    assert set(re.findall(r"#[0-9a-f]{6}", css)) <= known | decorative
