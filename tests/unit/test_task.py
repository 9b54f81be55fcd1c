"""What a person types is checked field by field; letters are counted by the printed rule."""

import datetime as dt
import json
import unicodedata
from dataclasses import FrozenInstanceError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handwriting.errors import FileNotReadableError, UsageError
from handwriting.task import count_letters, find_reached, read_task, read_text, split_words

TEXT = "The old ferry left at noon. The crew, twelve in all, sang: “the sea is ours!”"
TODAY = dt.date(2026, 3, 9)


def test_letters_are_counted_by_kind():
    count = count_letters("Ça va, P07? 12 œufs & 3 €\n")
    assert (count.letters, count.capitals, count.digits, count.punctuation) == (9, 2, 5, 3)
    assert (count.symbols, count.spaces, count.words) == (1, 8, 6)


def test_a_letter_with_marks_is_one_letter_however_it_is_stored():
    for form in ("NFC", "NFD"):
        assert count_letters(unicodedata.normalize(form, "ÅngströméẬ")).letters == 10
    assert count_letters("x̂ĳß").letters == 3  # no composed form, a ligature, a sharp s


@given(st.text(max_size=60), st.text(max_size=60))
def test_counting_adds_up_over_pieces(one, two):
    joined, parts = count_letters(one + " " + two), (count_letters(one), count_letters(two))
    assert joined.letters == parts[0].letters + parts[1].letters
    assert joined.digits == parts[0].digits + parts[1].digits


def test_words_split_at_white_space_and_lone_marks_are_none():
    assert [word.text for word in split_words("So - it’s 4 o'clock.\nYes!")] == ["So", "it’s", "4", "o'clock.", "Yes!"]


@pytest.mark.parametrize(
    ("reached", "number"),
    [
        ("noon", 6),
        ("NOON.", 6),
        ("the#1", 1),
        ("the#2", 7),
        ("The#3", 13),
        ("the sea", 14),
        ("crew, twelve", 9),
        ("ours", 16),
    ],
)
def test_last_word_reached_is_found(reached, number):
    assert find_reached(TEXT, reached).number == number


def test_reached_word_counts_with_its_own_letters():
    task = read_task(text=TEXT, reached="noon")
    assert task.reached_count is not None
    assert task.reached_count.letters == len("Theoldferryleftatnoon")


def test_ambiguous_word_is_refused_with_its_choices():
    with pytest.raises(UsageError, match="comes 3 times") as caught:
        find_reached(TEXT, "the")
    assert "the#1 (the first word, 3 letters)" in caught.value.fix
    assert "the#2 (after 'noon.', 24 letters)" in caught.value.fix
    assert "the#3" in caught.value.fix


def test_two_places_are_ambiguous_too():
    with pytest.raises(UsageError, match="comes 2 times"):
        find_reached("sea and sea", "sea")


@pytest.mark.parametrize(
    ("reached", "told"),
    [("nooon", "Did you mean noon"), ("zebra", "Copy the word"), ("the#4", "comes 3 times, so there is no #4"),
     ("noon#2", "comes once"), ("noon#0", "comes once"), ("#2", "word of the text"), ("noon#", "word of the text"),
     ("noon#two", "word of the text"), ("", "word of the text"), ("...", "word of the text")],
)  # fmt: skip
def test_words_that_are_not_there_are_refused(reached, told):
    with pytest.raises(UsageError) as caught:
        find_reached(TEXT, reached)
    assert told in str(caught.value)


def test_reached_needs_the_text():
    with pytest.raises(UsageError, match="needs the text"):
        read_task(reached="noon")


def test_text_comes_from_a_string_or_a_file(tmp_path):
    file = tmp_path / "passage.txt"
    file.write_bytes(b"\xef\xbb\xbfOne line\r\ne\xcc\x81tude")
    assert read_text(str(file)) == "One line\nétude"
    file.write_bytes("Wide".encode("utf-16"))
    assert read_text(str(file)) == "Wide"
    assert read_text("noon") == "noon"
    assert read_text("The ferry left. It came back.") == "The ferry left. It came back."


@pytest.mark.parametrize("name", ["missing.txt", "texts/missing", "./missing"])
def test_missing_text_file_is_not_taken_for_a_passage(name):
    with pytest.raises(FileNotReadableError, match="no such text file"):
        read_text(name)


def test_files_that_are_not_text_are_refused(tmp_path):
    file = tmp_path / "passage.txt"
    file.write_bytes(b"caf\xe9")
    with pytest.raises(FileNotReadableError, match="UTF-8"):
        read_text(str(file))
    file.write_bytes(b"a\x00b")
    with pytest.raises(UsageError, match="control characters"):
        read_text(str(file))
    file.write_bytes(b"word " * 200_000)
    with pytest.raises(UsageError, match="too large"):
        read_text(str(file))


@pytest.mark.parametrize("text", ["", "12, 34!", "word " * 50_000])
def test_texts_without_letters_or_without_end_are_refused(text):
    with pytest.raises(UsageError):
        read_text(text)


@pytest.mark.parametrize(
    ("typed", "months"), [("9:4", 112), ("9:04", 112), (" 12:0 ", 144), ("9:11", 119), ("64:2", 770)]
)
def test_ages(typed, months):
    assert read_task(age=typed).age_months == months


@pytest.mark.parametrize(
    ("typed", "advice"),
    [("9.4", "Write 9:4 if you mean years and months"), ("9,11", "Write 9:11"), ("9", "9:0 if the birthday"),
     ("9:12", "twelve months make 10:0"), ("9:60", "Months run"), ("2:11", "3 to 110"), ("111:0", "3 to 110"),
     ("nine", "years:months"), ("-9:4", "years:months"), ("9:4:1", "years:months"), ("", "years:months")],
)  # fmt: skip
def test_ages_that_are_refused_come_with_advice(typed, advice):
    with pytest.raises(UsageError) as caught:
        read_task(age=typed)
    assert advice in str(caught.value)


def test_age_is_written_back_as_years_and_months():
    assert read_task(age="9:04").age == "9:4"
    assert read_task().age == ""


@pytest.mark.parametrize("code", ["P07", "class-3_12", "a", "0042"])
def test_codes(code):
    assert read_task(code=code).code == code


@pytest.mark.parametrize("code", ["Mira Oak", "Oak, Mira", "Mira-Oak", "Mira_Oak", "MiraOak", "mira oak"])
def test_codes_that_look_like_names_are_refused(code):
    with pytest.raises(UsageError, match="looks like a name"):
        read_task(code=code)


@pytest.mark.parametrize("code", ["", "-x", "P 07", "p/../7", "a" * 33, "=1+1", "P07\n8", "Zoë7"])
def test_other_codes_are_refused(code):
    with pytest.raises(UsageError):
        read_task(code=code)


def test_dates():
    assert read_task(date="2026-03-09", today=TODAY).date == TODAY
    assert read_task(date="2026-03-10", today=TODAY).date == dt.date(2026, 3, 10)  # the date line


@pytest.mark.parametrize(
    "typed", ["2026-02-30", "9.3.2026", "20260309", "2026-W10-1", "2026-03-11", "1899-12-31", "today"]
)
def test_dates_that_are_refused(typed):
    with pytest.raises(UsageError, match="--date"):
        read_task(date=typed, today=TODAY)


@pytest.mark.parametrize(("typed", "grade"), [("4", 4), (4, 4), ("K", 0), ("0", 0), ("13", 13)])
def test_grades(typed, grade):
    assert read_task(grade=typed).grade == grade


@pytest.mark.parametrize("typed", ["4.5", "14", "4th", "-1", "Year 4", ""])
def test_grades_that_are_refused(typed):
    with pytest.raises(UsageError, match="--grade"):
        read_task(grade=typed)


@pytest.mark.parametrize(
    "field",
    [{"seconds": 0}, {"seconds": "5 min"}, {"seconds": float("nan")}, {"seconds": "inf"}, {"seconds": 1e6},
     {"letters": 0}, {"letters": 12.5}, {"letters": "-3"}, {"letters": "1e2"}, {"effort": 11}, {"effort": "2.5"},
     {"sex": "x"}, {"task": "copy"}, {"instruction": "neat"}, {"hand": "north"}, {"script": "nice"},
     {"setting": "<b>"}, {"paper": "=1"}, {"tool": "x" * 61}, {"term": ""}, {"country": "-"}],
    ids=str,
)  # fmt: skip
def test_other_fields_that_are_refused(field):
    with pytest.raises(UsageError) as caught:
        read_task(**field)
    assert caught.value.where == f"--{next(iter(field))}"
    assert caught.value.fix


def test_a_whole_task():
    task = read_task(
        text="noon", seconds="300", letters="212", age="9:4", grade="4", sex="Girl", code="P07", date="2026-03-09",
        setting="After-school club", task="board-copy", instruction="usual", paper="8 mm, two rules",
        tool="pencil (HB)",
        hand="left", script="joined", country="Côte d'Ivoire", term="autumn 2025", effort="3", today=TODAY,
    )  # fmt: skip
    assert (task.seconds, task.letters, task.sex, task.setting) == (300.0, 212, "girl", "after-school club")
    assert (task.hand, task.script, task.country, task.effort) == ("left", "joined", "Côte d'Ivoire", 3)
    with pytest.raises(FrozenInstanceError):
        task.seconds = 1.0


def test_fields_for_the_record_are_plain():
    plain = read_task(text=TEXT, reached="noon", age="9:4", date="2026-03-09", today=TODAY).as_dict()
    assert (plain["date"], plain["age"], plain["age_months"], plain["grade"]) == ("2026-03-09", "9:4", 112, None)
    assert plain["reached"] == {"text": "noon.", "start": 22, "end": 27, "number": 6}
    assert json.loads(json.dumps(plain)) == plain


def test_nothing_given_is_a_task_too():
    assert read_task().sex == "unstated"
