"""Spacing: gaps of known mean and spread between hand-made bars, and mixtures drawn from known numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_bars import X_HEIGHT, evidence_of, lines_of, row_of

from handwriting.gap_kinds import Row, parting
from handwriting.measures.evidence import Evidence
from handwriting.measures.spacing import spacing
from handwriting.quantity import Measured, NotMeasured
from handwriting.words import Gap, Words


def value(found: object) -> float:
    assert isinstance(found, Measured)
    return found.value


def with_gaps(evidence: Evidence, groups: list[np.ndarray]) -> Evidence:
    """Return the evidence with these gaps, px, line by line, and the chances the mixture gives them."""
    wide = 0.8
    left = np.concatenate([np.cumsum([0.0, *(wide + g / X_HEIGHT)]) for g in groups])
    line = np.repeat(np.arange(len(groups)), [len(g) + 1 for g in groups])
    every = np.concatenate(groups)
    # The mean gap of units that bulge a little is wider than the least.
    row = Row(left, left + wide, np.zeros(len(left)), np.ones(len(left)), line)
    chance = iter(parting(row, every / X_HEIGHT, every / X_HEIGHT + 0.1)[0].tolist())
    gaps = [Gap(k, float(px), next(chance)) for k, g in enumerate(groups) for px in g]
    return replace(evidence, words=replace(evidence.words, gaps=tuple(gaps)))


@pytest.fixture(scope="module")
def page() -> Evidence:
    letters = [6.0, 10.0, 8.0]
    words = [44.0, 52.0, 60.0, 48.0]
    row = [gap for word in words for gap in (*letters, word)] + letters
    return evidence_of(lines_of([row_of(row, width=24.0)] * 4))


def test_means_ratios_and_spread_of_known_gaps(page: Evidence) -> None:
    found = spacing(page)
    assert value(found["word_space"]) == pytest.approx(5.1, abs=0.06)
    assert value(found["letter_space"]) == pytest.approx(0.8, abs=0.06)
    assert value(found["word_space_ratio"]) == pytest.approx(51 / X_HEIGHT, abs=0.015)
    assert value(found["letter_space_ratio"]) == pytest.approx(8 / X_HEIGHT, abs=0.015)
    words, letters = np.repeat([44, 52, 60, 48], 4), np.repeat([6, 10, 8], 20)
    assert value(found["word_space_cv"]) == pytest.approx(words.std(ddof=1) / 51, abs=0.005)
    assert value(found["letter_space_cv"]) == pytest.approx(letters.std(ddof=1) / 8, abs=0.02)
    assert value(found["space_ratio"]) == pytest.approx(50 / 8, rel=0.1)
    assert value(found["space_overlap"]) == pytest.approx(0.0, abs=1e-4)
    # Wilson's upper end for none of 16 at 95 %: z^2 / (n + z^2) = 0.194.
    assert found["space_overlap"].high == pytest.approx(0.194, abs=0.001)


def test_intervals_hold_their_value_and_n_counts_gaps(page: Evidence) -> None:
    found = spacing(page)
    for quantity in found.values():
        assert isinstance(quantity, Measured)
        assert quantity.low <= quantity.value <= quantity.high
    assert found["word_space"].n == 16
    assert found["letter_space"].n == 60


def test_halving_the_scale_halves_lengths_and_leaves_ratios(page: Evidence) -> None:
    half = spacing(replace(page, mm_per_px=0.05))
    whole = spacing(page)
    assert value(half["word_space"]) == pytest.approx(value(whole["word_space"]) / 2)
    assert value(half["word_space_cv"]) == value(whole["word_space_cv"])


def test_without_a_scale_only_ratios_are_given(page: Evidence) -> None:
    found = spacing(replace(page, mm_per_px=None))
    assert isinstance(found["word_space"], NotMeasured)
    assert found["word_space"].flag == "no-scale"
    assert isinstance(found["word_space_ratio"], Measured)


def test_overlapping_kinds_keep_their_means_and_spreads(page: Evidence) -> None:
    """Gaps drawn from two normal kinds that overlap: a threshold between them would cut both spreads short."""
    rng = np.random.default_rng(3)
    letters = rng.normal(0.25, 0.12, (12, 160)) * X_HEIGHT
    words = rng.normal(0.85, 0.25, (12, 40)) * X_HEIGHT
    rows = np.concatenate([letters.reshape(12, 40, 4), words.reshape(12, 40, 1)], axis=2).reshape(12, 200)
    found = spacing(with_gaps(page, list(rows)))
    assert value(found["word_space_ratio"]) == pytest.approx(0.85, abs=0.05)
    assert value(found["letter_space_ratio"]) == pytest.approx(0.25, abs=0.01)
    assert value(found["word_space_cv"]) == pytest.approx(0.25 / 0.85, abs=0.05)
    assert value(found["letter_space_cv"]) == pytest.approx(0.12 / 0.25, abs=0.03)
    # P(letter > word) of two normals is Phi(-(0.85 - 0.25) / hypot(0.12, 0.25)) = 0.015.
    # Words told by their widths leave fewer gaps in doubt: the overlap reads low.
    assert value(found["space_overlap"]) == pytest.approx(0.015, abs=0.013)
    cut = np.sort(np.hstack([letters, words]).ravel())
    assert cut[cut > 0.5 * X_HEIGHT].std() / cut[cut > 0.5 * X_HEIGHT].mean() < 0.27


def test_a_blank_left_open_is_no_word_space(page: Evidence) -> None:
    gaps = (*page.words.gaps, Gap(0, 900.0, 1.0))
    found = spacing(replace(page, words=replace(page.words, gaps=gaps)))
    assert value(found["word_space"]) == value(spacing(page)["word_space"])


def test_what_is_no_spacing_is_left_out(page: Evidence) -> None:
    """Marks that stand over one another, and a stop farther from its word than the next word is."""
    gaps = (*page.words.gaps, Gap(0, -1.1 * X_HEIGHT, 0.0), Gap(1, 70.0, 0.0))
    found, before = spacing(replace(page, words=replace(page.words, gaps=gaps))), spacing(page)
    for key in ("word_space", "word_space_cv", "letter_space", "letter_space_cv", "space_overlap"):
        assert value(found[key]) == value(before[key])


def test_gaps_of_either_kind_widen_the_interval(page: Evidence) -> None:
    unsure = tuple(Gap(gap.line, gap.px, 0.9 if gap.between > 0.5 else 0.0) for gap in page.words.gaps)
    found, before = spacing(replace(page, words=replace(page.words, gaps=unsure))), spacing(page)
    for key in ("word_space", "word_space_cv", "letter_space", "letter_space_cv"):
        wide, narrow = found[key], before[key]
        assert isinstance(wide, Measured)
        assert isinstance(narrow, Measured)
        assert wide.high - wide.low > 1.02 * (narrow.high - narrow.low)
        assert wide.parts[-2].common


def test_too_few_gaps_are_not_measured() -> None:
    found = spacing(evidence_of(lines_of([row_of([8.0, 8.0, 8.0, 8.0])])))
    assert isinstance(found["word_space"], NotMeasured)
    assert found["word_space"].flag == "few-words"
    assert isinstance(found["space_ratio"], NotMeasured)
    found = spacing(evidence_of(lines_of([row_of([50.0, 50.0, 50.0, 50.0], width=90.0)])))
    assert isinstance(found["letter_space"], NotMeasured)
    assert found["letter_space"].flag == "joined"
    assert isinstance(found["word_space"], Measured)
    assert "few-words" in found["word_space"].flags
    assert isinstance(found["word_space_cv"], NotMeasured)
    assert found["word_space_cv"].flag == "few-words"


def test_the_few_gaps_of_a_joined_hand_show_no_spread() -> None:
    found = spacing(evidence_of(lines_of([row_of([60.0, 8.0, 60.0, 60.0, 8.0, 60.0], width=100.0)] * 6)))
    assert isinstance(found["letter_space"], Measured)
    assert "joined" in found["letter_space"].flags
    assert isinstance(found["letter_space_cv"], NotMeasured)
    assert found["letter_space_cv"].flag == "joined"
    assert isinstance(found["word_space_cv"], Measured)


def test_no_gaps_at_all(page: Evidence) -> None:
    found = spacing(replace(page, words=Words((), page.words.word)))
    assert len(found) == 8
    assert all(isinstance(q, NotMeasured) for q in found.values())
