import string
import unicodedata

import pytest

from handwriting.errors import UsageError
from handwriting.sheet.passages import find_passage, fingerprint, list_passages


def test_six_passages_graded_by_the_length_of_their_words():
    means = [passage.letters_per_word for passage in list_passages()]
    assert len(means) == 6
    assert means == sorted(means)
    assert means[-1] > 1.5 * means[0]


@pytest.mark.parametrize("passage", list_passages(), ids=lambda passage: passage.name)
def test_each_holds_every_letter_and_is_of_a_length_to_copy(passage):
    assert set(string.ascii_lowercase) <= set(passage.text.lower())
    assert 60 <= len(passage.words) <= 140
    assert passage.words == tuple(word.strip(".,:;") for word in passage.text.split())
    assert passage.letters == sum(unicodedata.category(character).startswith("L") for character in passage.text)
    assert passage.text.isascii()


def test_fingerprints_ignore_spacing_and_the_way_accents_are_stored():
    assert fingerprint("à la carte\n") == fingerprint("a\u0300  la\tcarte")
    assert fingerprint("a la carte") != fingerprint("à la carte")
    assert len({passage.fingerprint for passage in list_passages()}) == 6


def test_an_unknown_passage_is_refused_with_the_list():
    with pytest.raises(UsageError, match="fox, kite"):
        find_passage("whale")
