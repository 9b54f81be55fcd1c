"""Coloured ticks: found by hue, set aside from the ink, told to letters, and used only when a person agrees."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from handwriting import cli
from handwriting.calibration import Given
from handwriting.corrections.again import measure_again
from handwriting.corrections.apply import correct
from handwriting.corrections.text import read_corrections
from handwriting.errors import UsageError
from handwriting.frame import make_frame
from handwriting.lifting import flatten
from handwriting.page import Page, read_page
from handwriting.phantoms import INKS, PASSAGES, TICK_INKS, WRITERS, Capture, Paper, Ticks, draw
from handwriting.pipeline import Options, measure_page, take_ticks
from handwriting.reached import check_places
from handwriting.record import load, to_json
from handwriting.rules import find_rules
from handwriting.task import Task, read_task
from handwriting.ticks import set_ticks_aside

DPI = 200.0
TEXT = PASSAGES[0]
RULED = Paper(pitch_mm=11.0, margin_mm=18.0, rule_rgb=(150, 180, 225))
MARKED = (5, 11, 20, 30)


def page_of(image, name="page.png"):
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image
    return Page(grey, image if image.ndim == 3 else None, "0" * 64, name, "PNG", claimed_dpi=(DPI, DPI))


def framed(image):
    frame = make_frame(page_of(image), DPI / 25.4)
    return frame, find_rules(flatten(frame.grey, frame.px_per_mm), frame.px_per_mm)


# Red beside a red margin line, blue on blue rules, orange across pencil, green and purple by blue ink.
@pytest.mark.parametrize(
    ("ink", "colour", "kind"),
    [
        ("blue", "red", "margin"),
        ("black", "blue", "check"),
        ("pencil", "orange", "slash"),
        ("blue", "green", "check"),
        ("blue", "purple", "stroke"),
        ("green", "red", "dot"),
    ],
)
def test_ticks_are_found_and_the_writing_stays(ink, colour, kind):
    capture = Capture(dpi=DPI, colour=True, ink_rgb=INKS[ink], jpeg=80)
    writer = WRITERS["variable joined"]
    plain = draw(TEXT, writer, RULED, capture, 7)
    words = tuple(line.words[1] for line in plain.truth.lines[:5])
    marked = draw(TEXT, writer, RULED, capture, 7, Ticks(words, TICK_INKS[colour], kind))
    frame, ticks = set_ticks_aside(*framed(marked.image), "any", "page.png")
    assert {tick.colour for tick in ticks} == {colour}
    assert len(ticks) == 5
    for true in marked.ticks:
        assert max(tick.box.overlap(true.box.scaled(DPI / 25.4)) for tick in ticks) > 0.5
    before, after = framed(plain.image)[0].grey < 150, frame.grey < 150
    drawn = framed(marked.image)[0].grey < 150
    assert (before & drawn).sum() > 20_000
    # Of the pixels that differ from the page without ticks nearly all are gone again.
    assert (after ^ before).sum() < 0.002 * before.sum()


def test_a_colour_is_named_where_there_are_two():
    capture = Capture(dpi=DPI, colour=True, ink_rgb=INKS["black"])
    red = draw(TEXT, WRITERS["able"], RULED, capture, 7, Ticks(MARKED, TICK_INKS["red"]))
    green = draw(TEXT, WRITERS["able"], RULED, capture, 7, Ticks((40, 45, 50), TICK_INKS["green"]))
    both = framed(np.minimum(red.image, green.image))
    with pytest.raises(UsageError, match=r"more than one colour.*4 red and 3 green"):
        set_ticks_aside(*both, "any", "page.png")
    assert len(set_ticks_aside(*both, "green", "page.png")[1]) == 3


def test_pages_without_ticks_or_colour_are_refused():
    plain = draw(TEXT, WRITERS["able"], RULED, Capture(dpi=DPI, colour=True, jpeg=70), 7)
    for colour in ("any", "green"):
        with pytest.raises(UsageError, match="ticks were found beside the writing"):
            set_ticks_aside(*framed(plain.image), colour, "page.png")
    grey = draw(TEXT, WRITERS["able"], RULED, Capture(dpi=DPI), 7)
    with pytest.raises(UsageError, match=r"this picture is grey.*--minute"):
        set_ticks_aside(*framed(grey.image), "any", "page.png")


@pytest.fixture(scope="module")
def marked():
    return draw(TEXT, WRITERS["able"], RULED, Capture(dpi=DPI, colour=True), 7, Ticks(MARKED))


@pytest.fixture(scope="module")
def result(marked):
    task = read_task(text=TEXT, seconds=300)
    return measure_page(page_of(marked.image), task, Options(Given(DPI), ticks="any"))


def test_each_tick_tells_its_letter(marked, result):
    places = result.found.reached()
    assert [p.minute for p in places] == [1, 2, 3, 4]
    for place, true in zip(places, marked.ticks, strict=True):
        word = marked.truth.words[true.word]
        assert (place.word - 1, place.text) == (true.word, word.text)
        assert (place.letters or len(word.letters)) == true.letter + 1
        assert place.letter == word.written[true.letter]


def test_ticks_count_only_when_confirmed(marked, result):
    assert "by_minute" not in result.record.letters
    assert result.record.letters["minute_ticks"]["confirmed"] is False
    assert "ticks-not-confirmed" in {flag.code for flag in result.record.flags}
    taken = take_ticks(result).record
    assert taken.letters["minute_ticks"]["confirmed"] is True
    ends = [
        sum(c.isalpha() for w in marked.truth.words[: t.word] for c in w.written)
        + sum(c.isalpha() for c in marked.truth.words[t.word].written[: t.letter + 1])
        for t in marked.ticks
    ]
    assert [row["letters"] for row in taken.letters["by_minute"]] == np.diff([0, *ends]).tolist()
    assert load(to_json(taken)).letters["minute_ticks"]["confirmed"] is True


def test_confirmed_ticks_survive_corrections(marked, result):
    taken = take_ticks(result).record
    again = measure_again(taken, [page_of(marked.image)])
    assert again.task == result_task(taken)
    assert again.record.letters["by_minute"] == taken.letters["by_minute"]
    first = taken.lines[0].words[0]
    text = f"word {first.number} split at {0.5 * (first.letters[0].box.right + first.letters[1].box.left)}"
    split = correct(again, read_corrections(text, taken, who="XY", when="2026-03-09"))
    assert split.task.minutes == tuple(n + 1 for n in again.task.minutes)
    text = "\n".join(f"minute {m} word {n}" for m, n in enumerate((4, 9), 1))
    told = correct(again, read_corrections(text, taken, who="XY", when="2026-03-09"))
    assert (told.task.minutes, told.task.minute_letters) == ((4, 9), ())


def test_ticks_that_do_not_fit_the_minutes_are_refused(result):
    places = result.found.reached()
    for seconds in (None, 240, 299, 300):
        check_places(places, seconds, "page.png")
    for seconds in (60, 180, 360):
        with pytest.raises(UsageError, match=f"4 ticks were found, and a task of {seconds} seconds"):
            check_places(places, seconds, "page.png")
    twice = (places[0], replace(places[0], minute=2))
    with pytest.raises(UsageError, match="minutes 1 and 2 tell the same word of line 1"):
        check_places(twice, None, "page.png")


def test_a_tick_in_the_margin_tells_the_line():
    capture = Capture(dpi=DPI, colour=True)
    plain = draw(TEXT, WRITERS["able"], RULED, capture, 7)
    words = tuple(line.words[-1] for line in plain.truth.lines[:3])
    page = draw(TEXT, WRITERS["able"], RULED, capture, 7, Ticks(words, kind="margin"))
    task = read_task(text=TEXT, seconds=180)
    taken = measure_page(page_of(page.image), task, Options(Given(DPI), ticks="red"))
    places = taken.found.reached()
    assert all(place.in_margin for place in places)
    assert [place.line for place in places] == [1, 2, 3]
    assert "ticks-in-margin" in {flag.code for flag in taken.record.flags}


def result_task(record):
    return Task.from_dict(record.task)


def run(*arguments):
    with pytest.raises(SystemExit) as caught:
        cli.main([str(a) for a in arguments])
    return caught.value.code


def test_the_command_asks(marked, tmp_path, capsys):
    path, out = tmp_path / "page.png", tmp_path / "out"
    Image.fromarray(marked.image).save(path, dpi=(DPI, DPI))
    call = ("measure", path, "--text", TEXT, "--seconds", "300", "--minute-ticks", "red", "--quiet", "--out", out)
    assert run(*call) == 0
    told = capsys.readouterr().err
    assert "4 red ticks were found" in told
    assert "add --yes" in told
    assert "by_minute" not in load((out / "record.json").read_text("utf-8")).letters
    assert run(*call, "--yes") == 0
    record = load((out / "record.json").read_text("utf-8"))
    assert len(record.letters["by_minute"]) == 4
    assert measure_again(record, [read_page(path)]).task == result_task(record)
    assert run(*call, "--minute", "4, 9") == 2
    assert "given twice" in capsys.readouterr().err
    assert run(*(a if a != "red" else "pink" for a in call)) == 2
