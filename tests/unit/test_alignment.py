"""The way through the text, spellings, letters and counts, on frames made from strings."""

from dataclasses import replace

import numpy as np
import pytest
from drawn_frames import frames

from handwriting.alignment import LEAST_FIT, Alignment, check_fit
from handwriting.alignment.align import dressed, unlike
from handwriting.alignment.estimate import estimated
from handwriting.alignment.evidence import parting_chances, strike
from handwriting.alignment.expected import expect, is_letter, likeness
from handwriting.alignment.letters import lay
from handwriting.alignment.path import ADDED, LETTER, STRUCK, Costs, find_path, score_frames
from handwriting.alignment.result import WrittenWord
from handwriting.alignment.spans import spans_of
from handwriting.alignment.spelling import Spelling, chances, fold, plain_letters, weigh
from handwriting.alignment.tally import tally
from handwriting.errors import TextMismatchError
from handwriting.geometry import Box
from handwriting.reader.alphabet import BLANK, CROSSED_OUT, INDEX
from handwriting.words import Word, Words

TEXT = "The ferry leaves at half past seven each morning and carries milk, bread and post to the island"


def walk(read, text=TEXT, see=None):
    """Return the words of the path: text words as they are, `+` for an added one, the sign for a struck run."""
    evidence, expected = frames(read), expect(text)
    evidence = evidence if see is None else see(evidence)
    costs = Costs()
    path = find_path(score_frames(evidence, expected, costs), expected, costs)
    spans = spans_of(path, evidence, expected)
    names = {ADDED: "+", STRUCK: CROSSED_OUT}
    return [expected.words[s.word].text if s.kind == LETTER else names[s.kind] for s in spans]


@pytest.mark.parametrize(
    ("read", "found"),
    [
        ("The ferry leaves at half", "The ferry leaves at half"),
        ("The ferry|leaves at|half past", "The ferry leaves at half past"),
        ("The leaves at half past", "The leaves at half past"),  # a word left out
        ("The ferry ferry leaves at half", "The ferry ferry leaves at half"),  # written twice
        ("The ferry quickly leaves at half", "The ferry + leaves at half"),
        ("The ferry lenves at half", "The ferry leaves at half"),  # another letter in a word
        ("The fery leaves at half", "The ferry leaves at half"),  # a letter short
        ("The feerry leaves at half", "The ferry leaves at half"),  # a letter over
        (f"The {CROSSED_OUT} ferry leaves at half", f"The {CROSSED_OUT} ferry leaves at half"),
        (f"The {CROSSED_OUT}ferry leaves at half", f"The {CROSSED_OUT} ferry leaves at half"),  # without a gap
        (f"The {CROSSED_OUT}  and ferry leaves at half", f"The {CROSSED_OUT} + ferry leaves at half"),
        ("The ferry leaves bread and post to", "The ferry leaves bread and post to"),  # the eye skipped a line
        ("THE FERRY LEAVES", "The ferry leaves"),
        ("The ferry lea", "The ferry leaves"),  # stopped within a word
    ],
)
def test_path(read, found):
    assert walk(read) == found.split()


def test_a_sign_the_reader_is_unsure_of_is_not_passed_by_as_white():
    def see(evidence):
        signs = evidence.signs.copy()
        last = 2 * len("The ferry c") - 2
        signs[last, [INDEX["c"], BLANK, INDEX["a"]]] = np.log([0.4, 0.38, 0.2])
        return replace(evidence, signs=signs)

    assert walk("The ferry c", "The ferry a line", see) == ["The", "ferry", "a"]


@pytest.mark.parametrize("doubted", [False, True])
def test_a_word_that_looks_crossed_out_is_so_only_where_the_reader_doubts_it_too(doubted):
    # Written, struck through so that some of it can still be read, and written again.
    read = TEXT.replace("leaves", "lev leaves").replace(",", "")
    starts = [0, *(i + 1 for i, sign in enumerate(read) if sign == " ")]
    words = [Word(0, Box(20.0 * a, 0, 20.0 * (a + len(read[a:].split()[0])), 10)) for a in starts]
    chance = np.where(np.arange(len(words)) == 2, 0.9, 0.02)

    def see(evidence):
        signs = evidence.signs.copy()
        if doubted:
            signs[2 * starts[2] : 2 * starts[3] - 2, INDEX[CROSSED_OUT]] = -3.0
        return strike(replace(evidence, signs=signs), Words(tuple(words), np.empty(0, np.int32)), chance)

    assert walk(read, see=see)[:4] == ["The", "ferry", CROSSED_OUT if doubted else "+", "leaves"]


def test_line_written_twice_goes_back_in_the_text():
    once = "half past seven each morning"
    assert walk(f"The ferry leaves at {once}|{once} and carries milk") == [
        *f"The ferry leaves at {once} {once} and carries milk,".split()
    ]


def test_text_is_taken_apart_with_lone_marks_kept_to_the_word_before():
    expected = expect("Bon : « oui » — 12 ans")
    assert [w.text for w in expected.words] == ["Bon", "oui", "12", "ans"]
    assert expected.words[0].signs == "Bon:«"
    assert [w.letters for w in expected.words] == [3, 3, 0, 3]
    assert expected.optional[3] and not expected.optional[0]


def test_of_a_long_text_only_what_a_page_can_hold_is_looked_for():
    assert len(expect("word " * 1000, 100).words) == 26
    assert len(expect("word " * 20, 100).words) == 20


def test_capitals_and_bare_letters_stand_for_a_letter_at_a_price():
    classes, costs = likeness("É")
    priced = dict(zip(classes[0].tolist(), costs[0].tolist(), strict=True))
    assert priced[INDEX["É"]] == 0 < priced[INDEX["é"]] < priced[INDEX["E"]] < priced[INDEX["e"]]
    assert likeness("漢")[1][0, 0] >= 50  # a sign the reader does not know is borne by the floor only


def test_gaps_of_two_kinds_are_told_apart():
    rng = np.random.default_rng(5)
    within, between = rng.normal(0.25, 0.06, 80), rng.normal(1.3, 0.2, 20)
    chance = parting_chances(np.concatenate([within, between]))
    assert chance[:80].max() < 0.1 and chance[80:].min() > 0.9
    assert len(parting_chances(np.empty(0))) == 0


def test_spelling_seen_and_how_far_it_is_from_the_expected():
    found = weigh(fold(frames("feery").signs), "ferry")
    assert (found.letters, found.slips) == ("feery", 1)
    assert found.against > 5
    same = weigh(fold(frames("ferry").signs), "ferry")
    assert (same.letters, same.slips) == ("ferry", 0)
    assert same.against < 0


def test_misreading_hand_is_not_called_misspelling():
    right, other = Spelling("ferry", -12.0, (), 0), Spelling("ferny", 9.0, (("r", "n"),), 1)
    assert chances([right] * 40 + [other])[-1] < 0.5
    noisy = [Spelling("x", 9.0, ((str(i), "n"),), 1) for i in range(20)]
    assert chances([right] * 20 + [*noisy, other])[-1] > 0.5
    # The same letter seen as the same other one elsewhere is the hand's way of making it.
    assert chances([right] * 40 + [other] * 4)[-1] > chances([right] * 40 + [other])[-1]


def test_plain_letters_and_their_dress():
    assert plain_letters("L'Été-12,") == "lete12"
    assert dressed("eteb", "Été") == "Étéb"


def test_letters_of_other_scripts_are_no_letters_to_spell_with():
    assert plain_letters("حكيم") == plain_letters("Жук") == plain_letters("日本") == ""
    assert plain_letters("caféЖ2") == "cafe2"


def test_another_word_is_no_misspelling():
    assert unlike("you", "the") and unlike("to", "and")
    assert not unlike("ferry", "fery") and not unlike("their", "there")


def test_letters_are_laid_on_the_frames_that_show_them():
    signs = frames("bead").signs
    assert lay(signs[:8], "bead") == [0, 2, 4, 6]
    assert lay(signs[:8], "bed") == [0, 2, 6]
    assert len(lay(signs[:3], "bread")) == 5  # more letters than frames


def word(index, state, letters, confidence=1.0, text="word"):
    return WrittenWord(0, Box(0, 0, 1, 1), state, text, index, "", letters, (), confidence)


def test_counts_by_the_rule():
    expected = expect("One two, three 4 five six")
    words = [
        word(0, "written", 3, text="One"),
        word(1, "misspelt?", 4, text="two,"),
        word(1, "repeated", 3, text="two,"),
        word(None, "added", 5, text=None),
        word(None, "crossed-out?", 2, text=None),
        word(3, "written", 0, text="4"),
        word(4, "written", 4, text="five"),
    ]
    found = tally(words, expected, np.empty(0, np.int32), 1.0)
    totals = found.totals
    assert (totals.written, totals.matching, totals.repeated, totals.added, totals.crossed_out) == (11, 7, 3, 5, 2)
    assert (totals.left_out, totals.capitals, totals.digits, totals.punctuation) == (5, 1, 1, 1)
    assert (found.left_out, found.reached) == ((2,), 4)
    assert (totals.low, totals.high) == (11, 11)


def test_doubtful_words_widen_the_interval():
    sure = tally([word(0, "written", 3, 0.99)], expect("One"), np.empty(0, np.int32), 1.0).totals
    unsure = tally([word(0, "written", 3, 0.6)], expect("One"), np.empty(0, np.int32), 1.0).totals
    assert unsure.high - unsure.low > sure.high - sure.low


def test_nothing_written_reaches_nothing():
    found = tally([], expect("One two"), np.empty(0, np.int32), 0.0)
    assert (found.reached, found.left_out, found.totals.written, found.confidence) == (None, (), 0, 0.0)


def test_wrong_text_is_refused_with_its_score():
    made = tally([word(0, "written", 3)], expect("One"), np.empty(0, np.int32), LEAST_FIT - 0.01)
    assert isinstance(made, Alignment)
    with pytest.raises(TextMismatchError, match="agree to 14 of 100, at least 15") as caught:
        check_fit(made, "page.png")
    assert caught.value.exit_code == 21
    check_fit(tally([], expect("One"), np.empty(0, np.int32), LEAST_FIT), "page.png")


def test_letters_without_a_text_are_estimated_with_their_interval():
    found = estimated(frames("The ferry leaves at 7.|It is late"))
    assert abs(found.written - 24) <= 1
    assert found.low < 24 < found.high
    assert estimated(frames("The ferry leaves" * 8)).high - estimated(frames("The ferry leaves" * 8)).low < 8 * (
        found.high - found.low
    )


def test_is_letter():
    assert [is_letter(sign) for sign in "aÉß1,-"] == [True, True, True, False, False, False]
