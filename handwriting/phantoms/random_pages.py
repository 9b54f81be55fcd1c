"""Random pages: hands, papers and captures that span what a page may be, from clean to rough."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from handwriting.phantoms.capture import INKS, Capture
from handwriting.phantoms.paper import A4_MM, LETTER_MM, Paper
from handwriting.phantoms.passages import PASSAGES
from handwriting.phantoms.writer import Habits, Writer

_RULINGS = ("none", "single", "single", "single", "double", "four-line", "squared")


def random_page(seed: int) -> tuple[str, Writer, Paper, Capture]:
    """Return text, writer, paper and capture for `draw`, chosen by `seed`.

    x-height 1.2 to 8 mm, mostly 2 to 4; height CV .05 to .30; slant 60 to 110 degrees; word space 1.1 to 2.6
    x-heights and never under three times the letter space; blank, single, double, four-line and squared paper; 150 to
    600 dpi; clean to rough. Rules are spaced to suit the writing, now and then too tightly for it; one
    page in ten carries the printed passage, as many a printed mark, some are written on every other line.
    Small writing copies two passages, so that it too fills several lines.
    """
    rng = np.random.default_rng([seed, 7])
    rough = float(rng.beta(1.2, 1.6))
    writer = _writer(rng, rough)
    paper = _paper(rng, writer)
    writer = _kept_apart(writer, paper)
    first, second = rng.choice(len(PASSAGES), 2, replace=False)
    words = PASSAGES[first]
    if writer.x_height_mm < 2.2:
        words += " " + PASSAGES[second]
    if rng.random() < 0.1 and writer.x_height_mm < 4:
        paper = replace(paper, passage=PASSAGES[first], boxed=bool(rng.random() < 0.5), top_mm=max(paper.top_mm, 28.0))
    if rng.random() < 0.1:
        paper = replace(paper, logo=True)
    return words, writer, paper, _capture(rng, float(rng.beta(1.1, 1.6)))


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _kept_apart(writer: Writer, paper: Paper) -> Writer:
    """Hold the drift and the lines' own heights to what leaves neighbouring lines apart, as writers on rules do."""
    half_line = (paper.width_mm - 40) / 2
    most = float(np.degrees(np.arctan(0.3 * paper.writing_pitch_mm / half_line)))
    share = min(1.0, most / (abs(writer.drift_deg) + 2.3 * writer.drift_sd_deg))
    return replace(
        writer,
        drift_deg=writer.drift_deg * share,
        drift_sd_deg=writer.drift_sd_deg * share,
        line_bias_sd_mm=min(writer.line_bias_sd_mm, 0.04 * paper.writing_pitch_mm),
    )


def _writer(rng: np.random.Generator, rough: float) -> Writer:
    draw = rng.random()
    x = _between(rng, 2, 4) if draw < 0.8 else _between(rng, 1.2, 2) if draw < 0.9 else _between(rng, 4, 8)
    joined = bool(rng.random() < 0.4)
    letter_space = x * (_between(rng, 0.05, 0.25) if joined else _between(rng, 0.15, 0.4))
    return Writer(
        x_height_mm=x,
        height_cv=0.05 + 0.25 * rough * _between(rng, 0.6, 1),
        ascender_ratio=_between(rng, 1.6, 2.3),
        descender_ratio=_between(rng, 0.65, 1.1),
        capital_ratio=_between(rng, 1.55, 2.1),
        slant_deg=float(np.clip(rng.normal(85, 10), 60, 110)),
        slant_sd_deg=1 + 7 * rough,
        word_space_mm=max(x * _between(rng, 1.1, 2.6), 3 * letter_space, 1.8),
        word_space_cv=0.1 + 0.2 * rough,
        letter_space_mm=letter_space,
        letter_space_cv=0.2 + 0.3 * rough,
        line_bias_mm=_between(rng, -0.3, 0.6),
        line_bias_sd_mm=0.05 + 0.4 * rough,
        bounce_mm=x * (0.015 + 0.12 * rough),
        drift_deg=_between(rng, -0.6, 0.6),
        drift_sd_deg=0.1 + 0.8 * rough,
        wave_mm=x * 0.12 * rough * _between(rng, 0, 1),
        wave_length_mm=_between(rng, 60, 140),
        tremor_mm=0.004 + 0.04 * rough * _between(rng, 0, 1),
        pen_width_mm=min(_between(rng, 0.25, 0.7), 0.22 * x),
        pen_width_cv=0.03 + 0.1 * rough,
        joined=joined,
        left_margin_mm=_between(rng, 18, 28),
        margin_drift_mm=_between(rng, -0.3, 1.0) * rough,
        margin_sd_mm=0.3 + 2 * rough,
        shape_jitter=0.05 + 0.6 * rough,
        width_scale=_between(rng, 0.8, 1.2),
        style=int(rng.integers(6)),
        habits=Habits(
            every=2 if x < 3 and rng.random() < 0.08 else 1,
            short_lines=0.15 if rng.random() < 0.3 else 0.0,
            single_words=0.08 if rng.random() < 0.15 else 0.0,
            indents=0.15 if rng.random() < 0.2 else 0.0,
            break_rate=0.2 * rough,
        ),
    )


def _paper(rng: np.random.Generator, writer: Writer) -> Paper:
    width, height = A4_MM if rng.random() < 0.75 else LETTER_MM
    kind = str(rng.choice(_RULINGS))
    needed = writer.x_height_mm * (writer.ascender_ratio + writer.descender_ratio * 0.8)
    pitch = max(float(np.round(needed * _between(rng, 0.95, 1.5) * 2) / 2), 5.0)
    zone = float(np.clip(np.round(writer.x_height_mm * _between(rng, 0.95, 1.3) * 2) / 2, 1.5, 8))
    if kind == "double":
        pitch = max(pitch, 2.5 * zone)
    elif kind == "four-line":
        pitch = max(pitch, 3.6 * zone)
    squares = 1
    if kind == "squared":
        side = float(rng.choice([5.0, 7.0, 10.0]))
        squares, pitch = int(np.ceil(pitch / side)), side
    grey = int(rng.integers(120, 215))
    tinted = bool(rng.random() < 0.6)
    return Paper(
        width_mm=width,
        height_mm=height,
        rules=kind,  # type: ignore[arg-type]
        pitch_mm=pitch,
        squares=squares,
        zone_mm=zone,
        rule_rgb=(grey - 25, grey, min(grey + 40, 245)) if tinted else (grey, grey, grey),
        rule_width_mm=_between(rng, 0.12, 0.35),
        top_mm=max(_between(rng, 22, 38), pitch * squares * 1.3),
        margin_mm=_between(rng, 14, 20) if rng.random() < 0.25 else None,
        holes=int(rng.choice([0, 2, 4])) if rng.random() < 0.3 else 0,
        show_through=_between(rng, 0.03, 0.1) if rng.random() < 0.25 else 0.0,
    )


def _capture(rng: np.random.Generator, rough: float) -> Capture:
    ink = str(rng.choice(["blue", "black", "pencil", "green"], p=[0.4, 0.3, 0.25, 0.05]))
    white = int(rng.integers(225, 254))
    return Capture(
        dpi=float(rng.choice([150, 200, 300, 400, 600], p=[0.15, 0.2, 0.45, 0.1, 0.1])),
        skew_deg=float(np.clip(rng.normal(0, 0.2 + 1.2 * rough), -3, 3)),
        colour=bool(rng.random() < 0.4),
        paper_rgb=(white, white, white - int(rng.integers(0, 12))),
        ink_rgb=INKS[ink],
        texture=_between(rng, 0.2, 0.5) if ink == "pencil" else _between(rng, 0, 0.15),
        shading=0.25 * rough * _between(rng, 0, 1),
        shading_deg=_between(rng, 0, 360),
        shadow=0.25 * rough if rng.random() < 0.3 else 0.0,
        blur_mm=0.02 + 0.06 * rough,
        noise_sd=0.5 + 6 * rough,
        jpeg=int(rng.integers(55, 96)) if rng.random() < 0.5 else None,
    )
