"""The table of flags is complete, frozen, and says nothing about the writer."""

import re

import pytest

from handwriting.flags import FLAGS, flag


def test_codes_are_keys_and_every_entry_is_told_in_sentences():
    for code, entry in FLAGS.items():
        assert entry.code == code
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", code)
        assert all(words.endswith(".") for words in (entry.meaning, entry.effect, entry.advice))


def test_table_cannot_be_changed_and_unknown_codes_are_refused():
    with pytest.raises(TypeError):
        FLAGS["new"] = FLAGS["no-scale"]
    with pytest.raises(KeyError):
        flag("no-such-flag")


def test_no_word_judges_the_writer():
    judging = re.compile(r"poor|abnormal|deficit|impair|at risk|fail|slow|bad", re.IGNORECASE)
    for entry in FLAGS.values():
        assert not judging.search(f"{entry.code} {entry.meaning} {entry.effect} {entry.advice}")
