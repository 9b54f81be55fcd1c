"""The alignment against independent implementations: rapidfuzz (registry), and plain searches written here.

rapidfuzz gives edit distances; the plain searches go through every possibility of small random cases, so they share
nothing with the tables of the module but the definition of the moves.
"""

import itertools
import sys
from pathlib import Path

import numpy as np
import pytest

from handwriting.alignment.expected import expect
from handwriting.alignment.letters import lay
from handwriting.alignment.path import ADDED, AFTER, LETTER, SPACE, STRUCK, Costs, Scores, find_path
from handwriting.alignment.spelling import _slips, fold, likelihoods
from handwriting.reader.alphabet import BLANK, CLASSES, INDEX

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from drawn_frames import frames

LETTERS = "abcdefgh"


def words(rng, least, most):
    return "".join(rng.choice(list(LETTERS), rng.integers(least, most + 1)))


def test_price_of_one_word_is_its_edit_distance():
    """One word, each departure at price 1: the path's price is the Levenshtein distance (rapidfuzz)."""
    fuzz = pytest.importorskip("rapidfuzz.distance")
    rng = np.random.default_rng(11)
    costs = Costs(gap_weight=0.0)
    for _ in range(150):
        text = words(rng, 3, 7)
        # Letters of a text that follow each other alike need a blank between, which may be what was changed.
        if any(a == b for a, b in itertools.pairwise(text)):
            continue
        read = list(text)
        for _ in range(rng.integers(0, 3)):
            place = int(rng.integers(0, len(read)))
            kind = rng.integers(3)
            fresh = str(rng.choice(sorted(set(LETTERS) - set(text))))
            read[place : place + 1] = {0: [], 1: [fresh], 2: [read[place], fresh]}[int(kind)]
        distance = fuzz.Levenshtein.distance("".join(read), text)
        # Of a word mostly missing the cheapest account is that it was not written at all.
        if distance >= len(read):
            continue
        evidence = frames("".join(read))
        scores = _unit_prices(evidence.signs, text)
        found = find_path(scores, expect(text), _unit(costs))
        assert -found.score == pytest.approx(distance, abs=1e-3), (read, text)


def _unit(costs):
    return Costs(
        passed_over=1.0, added=1e6, struck=1e6, skip=1e6, skip_most=1e6, back=1e6, back_most=1e6, stop_within=1e6,
        gap_weight=costs.gap_weight,
    )  # fmt: skip


def _unit_prices(signs, text):
    """Frames without doubt: 0 for what is seen, 1 for any other sign; a blank over a sign costs 1."""
    seen = signs.argmax(1)
    blank = seen == BLANK
    letter = np.array([[0.0 if INDEX[c] == s else 1.0 if s != BLANK else 2.0 for c in text] for s in seen])
    zero = np.zeros(len(signs), np.float32)
    over = np.where(blank, 0.0, 1.0).astype(np.float32)
    return Scores(-letter.astype(np.float32), -over, -over, zero - 1e6, zero - 1e6, zero, zero)


def test_one_slip_is_one_edit_with_swaps():
    """`slips` says 1 exactly where the edit distance with swaps (optimal string alignment, rapidfuzz) is 1."""
    fuzz = pytest.importorskip("rapidfuzz.distance")
    rng = np.random.default_rng(12)
    for _ in range(2000):
        one, other = words(rng, 1, 5), words(rng, 1, 5)
        assert _slips(one, other) == min(2, fuzz.OSA.distance(one, other))


def test_likelihood_is_the_sum_over_all_layings_out():
    """Forward sum against the sum over every labelling of the frames that collapses to the word."""
    rng = np.random.default_rng(13)
    for spelling in ("a", "ab", "aa", "aba"):
        signs = np.full((5, CLASSES), -30.0, np.float32)
        used = [BLANK, *(INDEX[c] for c in "ab")]
        signs[:, used] = np.log(rng.dirichlet([1, 1, 1], 5))
        scores = fold(signs)
        # Classes by plain letter: column 0 for nothing.
        columns = {"": 0, "a": 1 + _plain("a"), "b": 1 + _plain("b")}
        total = 0.0
        for labelling in itertools.product(("", "a", "b"), repeat=5):
            kept = "".join(k for k, _ in itertools.groupby(labelling))
            if kept == spelling and _parted(labelling, spelling):
                total += np.exp(sum(scores[t, columns[k]] for t, k in enumerate(labelling)))
        assert likelihoods(scores, [spelling])[0] == pytest.approx(np.log(total), abs=1e-6)


def _plain(sign):
    from handwriting.alignment.spelling import _folding

    return _folding()[0].index(sign)


def _parted(labelling, spelling):
    """Whether the labelling collapses to the spelling by the rule: runs merged first, then blanks dropped."""
    runs = [k for k, _ in itertools.groupby(labelling)]
    return "".join(runs) == spelling


def test_laying_letters_is_the_best_of_all_layings_out():
    rng = np.random.default_rng(14)
    for _ in range(30):
        text = words(rng, 1, 3)
        signs = np.full((6, CLASSES), -6.0, np.float32)
        signs[:, [BLANK, *(INDEX[c] for c in LETTERS)]] = np.log(rng.dirichlet(np.ones(9), 6))
        at = lay(signs, text)
        assert at == sorted(at)
        assert len(at) == len(text)
        best = max(
            (
                labelling
                for labelling in itertools.product((None, *range(len(text))), repeat=6)
                if _in_order(labelling, text)
            ),
            key=lambda labelling: _value(signs, labelling, text),
        )
        spans = [[t for t, k in enumerate(best) if k == i] for i in range(len(text))]
        for i, span in enumerate(spans):
            assert at[i] in span


def _in_order(labelling, text):
    """Every letter in turn, and a blank between two of a kind."""
    runs = [k for k, _ in itertools.groupby(labelling)]
    if [k for k in runs if k is not None] != list(range(len(text))):
        return False
    return all(
        not (a is not None and b is not None and text[a].lower() == text[b].lower())
        for a, b in itertools.pairwise(runs)
    )


def _value(signs, labelling, text):
    top = signs.max(1)
    total = 0.0
    for t, k in enumerate(labelling):
        if k is None:
            total += max(signs[t, BLANK], top[t] - 8)
        else:
            upper = INDEX[text[k].upper()]
            total += max(signs[t, INDEX[text[k]]], signs[t, upper] - 0.7, top[t] - 8)
    return total


def test_whole_search_against_a_plain_one():
    """Random frames, random text: the score is that of a search over explicit states and moves."""
    rng = np.random.default_rng(15)
    for _ in range(12):
        text = " ".join(words(rng, 1, 3) for _ in range(rng.integers(1, 4)))
        expected = expect(text)
        t, n = 9, len(expected.signs)
        draw = lambda *shape: -rng.exponential(2.0, shape).astype(np.float32)  # noqa: E731
        scores = Scores(draw(t, n), draw(t), draw(t), draw(t), draw(t), draw(t), draw(t) * (rng.random(t) < 0.3))
        costs = Costs(passed_over=1.0, skip=1.5, skip_each=0.4, skip_most=2.1, back=1.2, back_each=0.5, back_most=2.0,
                      added=0.8, struck=0.9, stop_within=1.1)  # fmt: skip
        found = find_path(scores, expected, costs)
        assert found.score == pytest.approx(_plain_search(scores, expected, costs), abs=1e-4)
        assert found.score == pytest.approx(_score_of(found, scores, expected, costs), abs=1e-4)


def _moves(state, expected, costs, scores, t):
    """Return every state that may follow `state` at frame t, with the price of the move."""
    kind, place = state
    across, enter = -scores.across[t], -scores.enter[t]
    total = len(expected.words)
    if kind in (LETTER, AFTER):
        word = expected.word[place]
        first, last = expected.first[word], expected.last[word]
        yield (kind, place), across
        if kind == LETTER:
            yield (AFTER, place), across
        if place < last:
            same = expected.signs[place].lower() == expected.signs[place + 1].lower()
            if kind == AFTER or not same:
                yield (LETTER, place + 1), across
        if place + 2 <= last:
            yield (LETTER, place + 2), across + costs.passed_over
        if place == last:
            yield (SPACE, word + 1), enter
        if place == last - 1 and place >= first:
            yield (SPACE, word + 1), enter + costs.passed_over
        return
    if kind in (ADDED, STRUCK):
        yield state, across
        yield (SPACE, place), enter
        return
    yield state, 0.0
    yield (ADDED, place), costs.added
    yield (STRUCK, place), costs.struck
    for word in range(total):
        far = abs(word - place)
        price = 0.0
        if word > place:
            price = min(costs.skip + costs.skip_each * far, costs.skip_most)
        elif word < place:
            price = min(costs.back + costs.back_each * (far - 1), costs.back_most)
        yield (LETTER, int(expected.first[word])), price
        if expected.last[word] > expected.first[word]:
            yield (LETTER, int(expected.first[word]) + 1), price + costs.passed_over


def _emit(state, scores, t):
    kind, place = state
    if kind == LETTER:
        return scores.letter[t, place]
    return {AFTER: scores.blank, SPACE: scores.space, ADDED: scores.added, STRUCK: scores.struck}[kind][t]


def _end(state, expected, costs):
    kind, place = state
    if kind not in (LETTER, AFTER):
        return 0.0
    word = expected.word[place]
    if place == expected.last[word]:
        return 0.0
    return min(costs.stop_within, costs.passed_over) if place == expected.last[word] - 1 else costs.stop_within


def _plain_search(scores, expected, costs):
    best = {(SPACE, 0): 0.0}
    for t in range(len(scores.blank)):
        after = {}
        for state, value in best.items():
            for following, price in _moves(state, expected, costs, scores, t):
                new = value - price + _emit(following, scores, t)
                after[following] = max(after.get(following, -np.inf), new)
        best = after
    return max(value - _end(state, expected, costs) for state, value in best.items())


def _score_of(path, scores, expected, costs):
    """Return the score of the path given back, move by move."""
    states = [(int(k), int(p)) for k, p in zip(path.kind, path.place, strict=True)]
    value, before = 0.0, (SPACE, 0)
    for t, state in enumerate(states):
        prices = [price for following, price in _moves(before, expected, costs, scores, t) if following == state]
        value += _emit(state, scores, t) - min(prices)
        before = state
    return value - _end(before, expected, costs)
