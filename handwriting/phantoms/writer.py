"""What is set for a writer: sizes, spaces, line keeping, slant, pen, and the slips made on the way.

How each set value comes out on paper
    ``x_height_mm`` is the mean height of a body letter (a c e m n o r s u v w x z) from its own baseline to the top of
    its centre line; its ink is one pen width higher. Every letter is scaled about the baseline by
    ``1 + height_cv * z``, so the spread within a class is `height_cv` in every class. ``slant_deg`` is the angle of the
    upright strokes to the local baseline, `slant_sd_deg` its SD from letter to letter. ``word_space_mm`` and
    ``letter_space_mm`` are least horizontal gaps between facing ink hulls (see `layout.hull_gap`). z is normal, cut at
    two SD and stretched back to unit SD, so that means and SDs are as set.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from handwriting.errors import UsageError
from handwriting.geometry import FloatArray

# SD of a standard normal cut at +-2: sqrt(1 - 2 * 2 * phi(2) / (Phi(2) - Phi(-2))).
_CUT_SD = 0.8796256610342398


def spread(rng: np.random.Generator, n: int) -> FloatArray:
    """Return `n` draws of mean 0 and SD 1 that never leave +-2.274: a normal cut at two SD, stretched to unit SD."""
    z = rng.standard_normal(n)
    while (out := np.abs(z) > 2).any():
        z[out] = rng.standard_normal(int(out.sum()))
    return z / _CUT_SD


@dataclass(frozen=True, slots=True)
class Slips:
    """How many words are left out, written twice, misspelt, crossed out, added, and whether a run of words is skipped.

    A crossed-out word is written, struck through, then written again. `skipped_run` words in a row are left out, as
    when the eye drops a line of the text. `strikes` are the styles to cross out with, of `strikes.STYLES`, each as
    likely as the next.
    """

    left_out: int = 0
    repeated: int = 0
    misspelt: int = 0
    crossed_out: int = 0
    added: int = 0
    skipped_run: int = 0
    strikes: tuple[str, ...] = ("line", "lines", "zigzag")


@dataclass(frozen=True, slots=True)
class Habits:
    """How the writing fills the page.

    Parameters
    ----------
    every : int
        Write on every rule (1), every other rule (2), ...
    crowd : float
        On blank paper, and only there: line distance as a share of the paper's pitch.
    short_lines, single_words, indents : float
        Share of lines that end early, hold one word only, or start indented.
    indent_mm : float
        How far an indented line starts in.
    break_rate : float
        Joined hand: share of letter pairs left unjoined inside words.
    """

    every: int = 1
    crowd: float = 1.0
    short_lines: float = 0.0
    single_words: float = 0.0
    indents: float = 0.0
    indent_mm: float = 12.0
    break_rate: float = 0.0


@dataclass(frozen=True, slots=True)
class Writer:
    """What is set for one writer; lengths in mm, angles in degrees, spreads as SD or CV (SD / mean).

    Parameters
    ----------
    x_height_mm, height_cv : float
        Mean centre-line height of body letters; spread of size from letter to letter.
    ascender_ratio, descender_ratio, capital_ratio : float
        Centre-line height of b d f h k l, depth of g j p q y below the baseline, height of capitals and digits, each
        in x-heights.
    slant_deg, slant_sd_deg : float
        Angle of upright strokes to the local baseline, 90 upright, below 90 leaning right.
    word_space_mm, word_space_cv, letter_space_mm, letter_space_cv : float
        Least horizontal gap between facing ink hulls of neighbouring words and letters.
    line_bias_mm, line_bias_sd_mm : float
        Height of the baseline above its rule at the middle of the line, and its SD between lines.
    bounce_mm : float
        SD of each letter's own height above the baseline.
    drift_deg, drift_sd_deg : float
        Slope of the baseline to the rule, positive rising to the right, and its SD between lines.
    wave_mm, wave_length_mm : float
        Amplitude and length of a slow wave of the baseline.
    tremor_mm : float
        RMS of the pen's unsteadiness.
    pen_width_mm, pen_width_cv : float
        Width of the pen's line and its spread from letter to letter.
    joined : bool
        Joined school hand, else unjoined print.
    left_margin_mm, margin_drift_mm, margin_sd_mm, right_margin_mm : float
        Where lines start, how far each next line starts further in, the SD of that, and the free edge on the right.
    shape_jitter : float
        0 to 1: spread of letter shapes from one instance to the next, size and slant taken out.
    width_scale : float
        Letters' width, 1 as in the alphabet.
    style : int
        Which forms of the letters this writer uses.
    """

    x_height_mm: float = 2.6
    height_cv: float = 0.08
    ascender_ratio: float = 1.95
    descender_ratio: float = 0.9
    capital_ratio: float = 1.85
    slant_deg: float = 86.0
    slant_sd_deg: float = 2.5
    word_space_mm: float = 4.0
    word_space_cv: float = 0.2
    letter_space_mm: float = 0.7
    letter_space_cv: float = 0.35
    line_bias_mm: float = 0.1
    line_bias_sd_mm: float = 0.1
    bounce_mm: float = 0.12
    drift_deg: float = 0.0
    drift_sd_deg: float = 0.2
    wave_mm: float = 0.05
    wave_length_mm: float = 90.0
    tremor_mm: float = 0.015
    pen_width_mm: float = 0.42
    pen_width_cv: float = 0.06
    joined: bool = False
    left_margin_mm: float = 22.0
    margin_drift_mm: float = 0.0
    margin_sd_mm: float = 0.5
    right_margin_mm: float = 14.0
    shape_jitter: float = 0.15
    width_scale: float = 1.0
    style: int = 0
    habits: Habits = field(default=Habits())
    slips: Slips = field(default=Slips())

    def __post_init__(self) -> None:
        for name, low, high in (
            ("x_height_mm", 0.3, 40.0),
            ("height_cv", 0.0, 0.4),
            ("ascender_ratio", 1.1, 4.0),
            ("descender_ratio", 0.1, 4.0),
            ("capital_ratio", 1.0, 4.0),
            ("slant_deg", 30.0, 150.0),
            ("slant_sd_deg", 0.0, 15.0),
            ("word_space_mm", 0.1, 100.0),
            ("word_space_cv", 0.0, 0.43),
            ("letter_space_cv", 0.0, 2.0),
            ("bounce_mm", 0.0, 10.0),
            ("tremor_mm", 0.0, 1.0),
            ("wave_length_mm", 5.0, 2000.0),
            ("pen_width_mm", 0.05, 5.0),
            ("pen_width_cv", 0.0, 0.4),
            ("shape_jitter", 0.0, 1.0),
            ("width_scale", 0.3, 3.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise UsageError(f"{name} is {value}", where="writer", fix=f"Give a value from {low} to {high}")

    @property
    def wander_mm(self) -> float:
        """RMS of letters about the straight baseline of their line: bounce and wave together."""
        return float(np.hypot(self.bounce_mm, self.wave_mm / np.sqrt(2)))


ABLE = Writer(
    height_cv=0.06,
    slant_sd_deg=1.5,
    word_space_cv=0.15,
    bounce_mm=0.07,
    tremor_mm=0.006,
    shape_jitter=0.1,
    wave_mm=0.0,
    drift_sd_deg=0.1,
    line_bias_sd_mm=0.05,
)
VARIABLE = Writer(
    x_height_mm=3.0,
    height_cv=0.13,
    slant_deg=90.0,
    slant_sd_deg=5.0,
    word_space_mm=4.4,
    word_space_cv=0.28,
    letter_space_mm=0.8,
    letter_space_cv=0.55,
    bounce_mm=0.3,
    drift_sd_deg=0.5,
    line_bias_sd_mm=0.25,
    wave_mm=0.25,
    tremor_mm=0.025,
    pen_width_mm=0.5,
    pen_width_cv=0.1,
    shape_jitter=0.4,
    margin_drift_mm=0.5,
    margin_sd_mm=1.5,
    style=1,
)
VERY_VARIABLE = Writer(
    x_height_mm=3.4, height_cv=0.19, ascender_ratio=1.75, descender_ratio=0.75, slant_deg=95.0, slant_sd_deg=8.0,
    word_space_mm=4.6, word_space_cv=0.38, letter_space_mm=0.9, letter_space_cv=0.5, bounce_mm=0.42, drift_deg=-0.5,
    drift_sd_deg=1.0, line_bias_mm=0.3, line_bias_sd_mm=0.5, wave_mm=0.5, wave_length_mm=70.0, tremor_mm=0.05,
    pen_width_mm=0.55, pen_width_cv=0.15, shape_jitter=0.75, margin_drift_mm=1.2, margin_sd_mm=3.0, style=2,
)  # fmt: skip
WRITERS: dict[str, Writer] = {
    "able": ABLE,
    "variable": VARIABLE,
    "very variable": VERY_VARIABLE,
    "able joined": replace(ABLE, joined=True, slant_deg=80.0, letter_space_mm=0.3),
    "variable joined": replace(VARIABLE, joined=True, slant_deg=84.0, letter_space_mm=0.4),
    "very variable joined": replace(
        VERY_VARIABLE, joined=True, letter_space_mm=0.5, x_height_mm=3.0, habits=Habits(break_rate=0.15)
    ),
}
