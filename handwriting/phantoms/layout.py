"""Words into lines: the slips, the gaps, the baseline, and where every letter comes to stand on the upright page."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from handwriting.geometry import FloatArray
from handwriting.phantoms.letters import Drawn, Shape, bend, ink_hull, shape
from handwriting.phantoms.paper import Paper, writing_rows
from handwriting.phantoms.strikes import strike
from handwriting.phantoms.writer import Writer, spread

ADDED = ("and", "the", "very", "so", "then")


@dataclass(slots=True)
class Task:
    """A word to be written or missed: its place in the text, as asked, as written, and its state."""

    index: int | None
    asked: str
    written: str
    state: str


@dataclass(slots=True, eq=False)
class PlacedWord:
    """A word in its line's own frame: x along the baseline from the line's start, y up, mm."""

    task: Task
    letters: list[Shape] = field(default_factory=list)
    joins: list[tuple[FloatArray, float]] = field(default_factory=list)
    joined: list[bool] = field(default_factory=list)
    gaps: list[float | None] = field(default_factory=list)
    hull: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    strike: list[FloatArray] = field(default_factory=list)
    gap: float | None = None
    box_gap: float | None = None

    def moved(self, by: float) -> None:
        """Move the whole word `by` mm along the line."""
        for letter in self.letters:
            letter.moved(by)
        shift = np.array([by, 0.0])
        self.joins = [(j + shift, w) for j, w in self.joins]
        self.strike = [s + shift for s in self.strike]
        self.hull = self.hull + shift


@dataclass(slots=True, eq=False)
class PlacedLine:
    """A line on the upright page: where its frame starts (mm, y down), its slope and wave, its words."""

    row: int
    start: FloatArray
    drift: float
    bias: float
    wave: tuple[float, float, float]
    words: list[PlacedWord]
    length: float

    def to_page(self, points: FloatArray) -> FloatArray:
        """Turn line-frame points (x along, y up) into page mm (y down)."""
        amplitude, number, phase = self.wave
        along, up = points[:, 0], points[:, 1]
        rise = amplitude * np.sin(number * along + phase)
        turn = np.arctan(amplitude * number * np.cos(number * along + phase))
        s, v = along - up * np.sin(turn), rise + up * np.cos(turn)
        c, d = np.cos(self.drift), np.sin(self.drift)
        return np.asarray(self.start + np.column_stack([s * c - v * d, -(s * d + v * c)]))


def hull_gap(left: FloatArray, right: FloatArray) -> float:
    """Return the least horizontal gap between two convex hulls over the heights both reach; else between their boxes.

    Parameters
    ----------
    left, right : ndarray, shape (n, 2)
        Corners of the hulls in order, x along the baseline, y up; one unit for all.

    Returns
    -------
    float
        Negative where they overlap.
    """
    low, high = max(left[:, 1].min(), right[:, 1].min()), min(left[:, 1].max(), right[:, 1].max())
    if high < low:
        return float(right[:, 0].min() - left[:, 0].max())
    heights = np.concatenate([left[:, 1], right[:, 1], [low, high]])
    heights = heights[(heights >= low) & (heights <= high)]
    return float((_side(right, heights, right_side=False) - _side(left, heights, right_side=True)).min())


def _side(hull: FloatArray, heights: FloatArray, *, right_side: bool) -> FloatArray:
    """X of the hull's right (or left) side at each height."""
    ends = np.roll(hull, -1, axis=0)
    y0, y1 = hull[:, 1], ends[:, 1]
    span = np.where(np.abs(y1 - y0) < 1e-9, 1e-9, y1 - y0)
    t = (heights[:, None] - y0) / span
    inside = (t >= -1e-6) & (t <= 1 + 1e-6)
    x = hull[:, 0] + np.clip(t, 0, 1) * (ends[:, 0] - hull[:, 0])
    if right_side:
        return np.asarray(np.where(inside, x, -np.inf).max(axis=1))
    return np.asarray(np.where(inside, x, np.inf).min(axis=1))


def plan(text: str, writer: Writer, rng: np.random.Generator) -> list[Task]:
    """Return the words in writing order, slips made at random places."""
    words = text.split()
    state = ["written"] * len(words)
    slips = writer.slips
    if slips.skipped_run and len(words) > slips.skipped_run + 4:
        first = int(rng.integers(2, len(words) - slips.skipped_run - 1))
        state[first : first + slips.skipped_run] = ["left-out"] * slips.skipped_run
    free = [i for i in rng.permutation(np.arange(1, max(len(words) - 1, 1))) if state[i] == "written"]
    long_words = [i for i in free if sum(c.isalpha() for c in words[i]) >= 4]
    for name, pool in (
        ("misspelt", long_words),
        ("left-out", free),
        ("repeated", free),
        ("crossed-out", free),
        ("added", free),
    ):
        wanted = getattr(slips, name.replace("-", "_"))
        for i in [i for i in pool if state[i] == "written"][:wanted]:
            state[i] = name
    tasks: list[Task] = []
    for i, (word, what) in enumerate(zip(words, state, strict=True)):
        if what == "misspelt":
            tasks.append(Task(i, word, _misspell(word, rng), what))
            continue
        if what == "crossed-out":
            tasks.append(Task(i, word, word if rng.random() < 0.5 else _misspell(word, rng), what))
        if what == "left-out":
            tasks.append(Task(i, word, "", what))
            continue
        tasks.append(Task(i, word, word, "written"))
        if what == "repeated":
            tasks.append(Task(i, word, word, what))
        if what == "added":
            extra = str(rng.choice([w for w in ADDED if w != word.lower()]))
            tasks.append(Task(None, extra, extra, what))
    return tasks


def _misspell(word: str, rng: np.random.Generator) -> str:
    """Swap, drop, double or change one inner letter."""
    places = [i for i in range(1, len(word)) if word[i].isalpha()]
    if not places:
        return word + word[-1:]
    i = int(rng.choice(places))
    kind = int(rng.integers(4))
    if kind == 0 and i + 1 < len(word) and word[i + 1].isalpha() and word[i] != word[i + 1]:
        return word[:i] + word[i + 1] + word[i] + word[i + 2 :]
    if kind == 1 and len(places) > 2:
        return word[:i] + word[i + 1 :]
    if kind == 2:
        return word[:i] + word[i] + word[i:]
    return word[:i] + str(rng.choice([c for c in "aeiounrstl" if c != word[i]])) + word[i + 1 :]


def write_word(task: Task, writer: Writer, rng: np.random.Generator) -> PlacedWord:
    """Write one word from x = 0: letters, their gaps, the joins, a strike when it is crossed out."""
    word = PlacedWord(task)
    chars = task.written
    z = spread(rng, 5 * len(chars)).reshape(5, len(chars))
    for i, char in enumerate(chars):
        drawn = Drawn(
            size=1 + writer.height_cv * float(z[0, i]),
            slant_deg=writer.slant_deg + writer.slant_sd_deg * float(z[1, i]),
            lift_mm=writer.bounce_mm * float(z[2, i]),
            pen_mm=writer.pen_width_mm * (1 + writer.pen_width_cv * float(z[3, i])),
        )
        before = word.letters[-1] if word.letters else None
        can_join = writer.joined and before is not None and before.exit is not None
        letter = shape(char, writer, drawn, rng, first=not can_join)
        joined = bool(can_join and letter.entry is not None and rng.random() >= writer.habits.break_rate)
        if before is None:
            letter.moved(-float(letter.hull[:, 0].min()))
            word.gaps.append(None)
        else:
            gap = writer.letter_space_mm * (1 + writer.letter_space_cv * float(z[4, i]))
            letter.moved(gap - hull_gap(before.hull, letter.hull))
            word.gaps.append(gap)
            if joined and before.exit is not None and letter.entry is not None:
                word.joins.append((bend(*before.exit, *letter.entry), (before.drawn.pen_mm + drawn.pen_mm) / 2))
        word.joined.append(joined)
        word.letters.append(letter)
    _close(word, writer, rng)
    return word


def _close(word: PlacedWord, writer: Writer, rng: np.random.Generator) -> None:
    """Strike the word through when it is crossed out; find its hull and bring its left edge to x = 0."""
    points: FloatArray = np.concatenate([letter.hull for letter in word.letters])
    if word.joins:
        points = np.concatenate([points, *(ink_hull(j, w / 2) for j, w in word.joins)])
    if word.task.state == "crossed-out":
        style = writer.slips.strikes[int(rng.integers(len(writer.slips.strikes)))]
        left, right = float(points[:, 0].min()), float(points[:, 0].max())
        word.strike = strike(style, left, right, writer.x_height_mm, rng)
        points = np.concatenate([points, *(ink_hull(s, writer.pen_width_mm / 2) for s in word.strike)])
    word.hull = ink_hull(points, 0.0)
    word.moved(-float(word.hull[:, 0].min()))


def lay_out(text: str, writer: Writer, paper: Paper, rng: np.random.Generator) -> tuple[list[PlacedLine], list[Task]]:
    """Return the lines as written and every task up to where the page was full."""
    tasks = plan(text, writer, rng)
    rows = _rows(writer, paper)
    lines: list[PlacedLine] = []
    done = 0
    waiting: PlacedWord | None = None
    for number, row in enumerate(rows):
        if done >= len(tasks):
            break
        start = writer.left_margin_mm + writer.margin_drift_mm * number + writer.margin_sd_mm * float(spread(rng, 1)[0])
        habits = writer.habits
        start += habits.indent_mm if rng.random() < habits.indents else 0.0
        room = max(paper.width_mm - writer.right_margin_mm - start, 1.0)
        limit = 10_000
        if number and rng.random() < habits.short_lines:
            room *= rng.uniform(0.3, 0.8)
        if number and rng.random() < habits.single_words:
            limit = 1
        words: list[PlacedWord] = []
        end = 0.0
        while done < len(tasks) and len(words) < limit:
            if not tasks[done].written:
                done += 1
                continue
            word = waiting or write_word(tasks[done], writer, rng)
            waiting = None
            width = float(word.hull[:, 0].max())
            if words and end + writer.word_space_mm + width > room:
                waiting = word
                break
            if words:
                gap = writer.word_space_mm * (1 + writer.word_space_cv * float(spread(rng, 1)[0]))
                word.moved(gap - hull_gap(words[-1].hull, word.hull))
                word.gap = gap
                word.box_gap = float(word.hull[:, 0].min() - words[-1].hull[:, 0].max())
            words.append(word)
            end = float(word.hull[:, 0].max())
            done += 1
        lines.append(_place(row, start, end, words, writer, rng))
    return lines, tasks[:done]


def _rows(writer: Writer, paper: Paper) -> list[tuple[int, float]]:
    rows = writing_rows(paper)
    if paper.rules == "none" and writer.habits.crowd != 1.0:
        step = paper.writing_pitch_mm * writer.habits.crowd
        count = int((rows[-1] - rows[0]) / step) + 1 if rows else 0
        rows = [rows[0] + i * step for i in range(count)]
    every = max(writer.habits.every, 1)
    return list(enumerate(rows))[every - 1 :: every]


def _place(
    row: tuple[int, float],
    start: float,
    length: float,
    words: list[PlacedWord],
    writer: Writer,
    rng: np.random.Generator,
) -> PlacedLine:
    """Set the line on its row: the drift turns it about its middle, so that bias is the mean distance to the rule."""
    z = spread(rng, 2)
    drift = float(np.radians(writer.drift_deg + writer.drift_sd_deg * z[0]))
    bias = writer.line_bias_mm + writer.line_bias_sd_mm * float(z[1])
    wave = (writer.wave_mm, 2 * np.pi / writer.wave_length_mm, float(rng.uniform(0, 2 * np.pi)))
    origin = np.array([start, row[1] - bias + np.sin(drift) * length / 2])
    return PlacedLine(row[0], origin, drift, bias, wave, words, length)
