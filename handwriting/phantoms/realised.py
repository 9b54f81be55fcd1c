"""What the page came out with: means and spreads over the letters, words and lines as drawn.

Crossed-out words count in the gaps only. Letters take part in slant, bounce and size when they are letters (not digits
or punctuation). `height_cv` is SD / mean of body letters; `size_cv` that of relative size over all letters.
"""

from __future__ import annotations

import numpy as np

from handwriting.geometry import FloatArray
from handwriting.phantoms.alphabet import ASCENDERS, BODY, DESCENDERS
from handwriting.phantoms.layout import PlacedLine
from handwriting.phantoms.letters import Shape
from handwriting.phantoms.truth import WordTruth


def realised_values(lines: list[PlacedLine], rows: list[float], words: list[WordTruth]) -> dict[str, float]:
    """Return the page's own means and spreads, mm and degrees; a value with nothing to rest on is left out.

    Parameters
    ----------
    lines : list of PlacedLine
        Lines as laid out.
    rows : list of float
        y, mm on the upright page, of the rule each line stands on.
    words : list of WordTruth
        Every word of the page.
    """
    letters = [
        (line, letter)
        for line in lines
        for word in line.words
        if word.task.state != "crossed-out"
        for letter in word.letters
        if letter.char.isalpha()
    ]
    values: dict[str, float] = {}
    body = _heights(letters, BODY)
    tall = _heights(letters, ASCENDERS)
    deep = np.array([-letter.core_bottom for _, letter in letters if letter.char in DESCENDERS])
    size = np.array([letter.drawn.size for _, letter in letters])
    slant = np.array([letter.drawn.slant_deg for _, letter in letters])
    pen = np.array([letter.drawn.pen_mm for _, letter in letters])
    _mean_sd(values, "x_height_mm", body)
    if len(body) > 1:
        values["height_cv"] = values["x_height_mm_sd"] / values["x_height_mm"]
        values["size_cv"] = float(size.std(ddof=1) / size.mean())
        values["x_height_ink_mm"] = values["x_height_mm"] + float(pen.mean())
    if len(body) and len(tall):
        values["ascender_ratio"] = float(tall.mean() / body.mean())
    if len(body) and len(deep):
        values["descender_ratio"] = float(deep.mean() / body.mean())
    _mean_sd(values, "slant_deg", slant)
    _mean_sd(values, "pen_width_mm", pen)
    _mean_sd(values, "lift_mm", np.array([letter.drawn.lift_mm for _, letter in letters]))
    _mean_sd(values, "word_space_mm", _present([w.gap_mm for w in words]))
    _mean_sd(values, "word_box_gap_mm", _present([w.box_gap_mm for w in words]))
    gaps = [letter for w in words if w.state != "crossed-out" for letter in w.letters]
    _mean_sd(values, "letter_space_mm", _present([g.gap_mm for g in gaps if not g.joined]))
    values["joined_pairs"] = float(sum(g.joined for g in gaps))
    _line_keeping(values, lines, rows)
    return values


def _heights(letters: list[tuple[PlacedLine, Shape]], chars: str) -> FloatArray:
    return np.array([letter.core_top - letter.core_bottom for _, letter in letters if letter.char in chars])


def _present(values: list[float | None]) -> FloatArray:
    return np.array([v for v in values if v is not None])


def _mean_sd(values: dict[str, float], name: str, sample: FloatArray) -> None:
    if len(sample):
        values[name] = float(sample.mean())
    if len(sample) > 1:
        values[name + "_sd"] = float(sample.std(ddof=1))
    values["n_" + name] = float(len(sample))


def _line_keeping(values: dict[str, float], lines: list[PlacedLine], rows: list[float]) -> None:
    """Wander about each line's own straight fit, distance to the rule, drift, and the left margin."""
    squares, freedom = 0.0, 0
    distances: list[FloatArray] = []
    for line, row in zip(lines, rows, strict=True):
        feet = [
            line.to_page(np.array([[float(letter.hull[:, 0].mean()), letter.drawn.lift_mm]]))[0]
            for word in line.words
            if word.task.state != "crossed-out"
            for letter in word.letters
            if letter.char.isalpha()
        ]
        if not feet:
            continue
        x, y = np.array(feet).T
        distances.append(row - y)
        if len(feet) > 3:
            rest = y - np.polyval(np.polyfit(x, y, 1), x)
            squares += float((rest**2).sum())
            freedom += len(feet) - 2
    if distances:
        _mean_sd(values, "rule_distance_mm", np.concatenate(distances))
    if freedom:
        values["wander_mm"] = float(np.sqrt(squares / freedom))
    _mean_sd(values, "drift_deg", np.degrees([line.drift for line in lines]))
    starts = np.array([line.start[0] for line in lines])
    if len(starts) > 2:
        values["margin_drift_mm"] = float(np.polyfit(np.arange(len(starts)), starts, 1)[0])
    values["n_lines"] = float(len(lines))


def letter_counts(words: list[WordTruth]) -> dict[str, int]:
    """Count letters by the state of their word; capitals, digits and punctuation of written words besides."""

    def letters(states: set[str]) -> int:
        return sum(c.char.isalpha() for w in words if w.state in states for c in w.letters)

    kept = [c.char for w in words if w.state != "crossed-out" for c in w.letters]
    return {
        "written": letters({"written", "misspelt", "repeated", "added"}),
        "matching": letters({"written"}),
        "misspelt": letters({"misspelt"}),
        "repeated": letters({"repeated"}),
        "added": letters({"added"}),
        "crossed_out": letters({"crossed-out"}),
        "left_out": sum(c.isalpha() for w in words if w.state == "left-out" for c in w.text),
        "capitals": sum(c.isupper() for c in kept),
        "digits": sum(c.isdigit() for c in kept),
        "punctuation": sum(not c.isalnum() for c in kept),
    }
