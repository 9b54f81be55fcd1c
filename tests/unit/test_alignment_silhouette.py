"""A page of drawn bars laid against its text without a reader: gaps, widths, tall and hanging letters alone."""

import cv2
import numpy as np
import pytest

from handwriting.alignment import align
from handwriting.alignment.silhouette import align_silhouette
from handwriting.ink import find_ink
from handwriting.lifting import flatten, lift_rules
from handwriting.lines import find_lines
from handwriting.rules import find_rules

TEXT = (
    "My old boat lies on the bank of a slow river. In spring we paint the hull blue, mend the sail and push it out "
    "before the first warm day. A heron often stands by and watches us all afternoon."
)
TALL, DEEP, WIDE, NARROW = "bdfhklt", "gjpqy", "mw", "ijl"


def drawn(text, x_height=24, pen=5):
    """Every letter a box of its width with a stem up or down where it has one; 8 words a line."""
    words = text.split()
    image = np.full((260 * (1 + (len(words) - 1) // 8) // 2 + 160, 2600), 245, np.uint8)
    for i in range(0, len(words), 8):
        base, x = 130 + 130 * (i // 8), 80.0
        for word in words[i : i + 8]:
            for sign in word:
                if not sign.isalnum():
                    continue
                wide = x_height * (1.2 if sign in WIDE else 0.3 if sign in NARROW else 0.75)
                top = 2 * x_height if sign in TALL or sign.isupper() else x_height
                low = 0.8 * x_height if sign in DEEP else 0
                corners = (round(x), base - x_height), (round(x + wide), base)
                cv2.rectangle(image, *corners, 60, pen)
                cv2.line(image, (round(x), base - round(top)), (round(x), base + round(low)), 60, pen)
                x += wide + 0.3 * x_height
            x += 1.3 * x_height
    return image


def found(text):
    px_per_mm = 300 / 25.4
    flat = flatten(drawn(text), px_per_mm)
    rules = find_rules(flat, px_per_mm)
    lifted, cut = lift_rules(flat, rules, px_per_mm)
    ink = find_ink(lifted, cut, rules, px_per_mm)
    return ink, find_lines(ink, rules.across, px_per_mm)


def test_whole_text_is_found_word_by_word():
    ink, lines = found(TEXT)
    laid = align(ink, lines, TEXT, None)
    assert [w.text for w in laid.words] == TEXT.split()
    assert laid.left_out == ()
    assert laid.totals.written == sum(c.isalpha() for c in TEXT)
    assert laid.fit > 0.15


def test_run_of_words_left_out_and_the_last_word_reached():
    words = TEXT.split()
    _, lines = found(" ".join(words[:9] + words[18:30]))
    laid = align_silhouette(lines, TEXT)
    assert set(laid.left_out) == set(range(9, 18))
    assert laid.reached == 29


def test_another_text_fits_badly():
    _, lines = found(TEXT)
    other = "Seventeen grey geese " * 8
    assert align_silhouette(lines, other).fit < 0.15


@pytest.mark.parametrize("words", [1, 2])
def test_fewest_words(words):
    _, lines = found(" ".join(TEXT.split()[:words]))
    laid = align_silhouette(lines, " ".join(TEXT.split()[:words]))
    assert laid.totals.written <= 5
