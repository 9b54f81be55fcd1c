"""From text, writer, paper and capture to a picture and its exact truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import cv2
import numpy as np

from handwriting.errors import UsageError
from handwriting.geometry import Box, FloatArray, Polyline
from handwriting.phantoms.capture import Capture, Layer, photograph
from handwriting.phantoms.layout import PlacedLine, PlacedWord, Task, lay_out
from handwriting.phantoms.letters import Shape
from handwriting.phantoms.paper import Paper, rule_lines, writing_rows
from handwriting.phantoms.printed import draw_holes, draw_print
from handwriting.phantoms.raster import ByteArray, draw_rule, draw_stroke
from handwriting.phantoms.realised import letter_counts, realised_values
from handwriting.phantoms.straights import Straight
from handwriting.phantoms.ticks import Ticks, TickTruth, draw_ticks
from handwriting.phantoms.truth import LetterTruth, LineTruth, RuleTruth, Truth, WordTruth
from handwriting.phantoms.writer import Writer

_RED = (225, 130, 140)
_PRINT_BLACK = (40, 40, 40)


@dataclass(frozen=True, slots=True, eq=False)
class Phantom:
    """A drawn page: `image`, uint8, (rows, columns) grey or (rows, columns, 3) RGB, its `truth`, the marks on it."""

    image: ByteArray
    truth: Truth
    ticks: tuple[TickTruth, ...] = ()


@dataclass(frozen=True, slots=True)
class Turn:
    """The sheet turned about its middle by the skew: upright page mm to captured page mm."""

    width: float
    height: float
    skew_deg: float

    def __call__(self, points: FloatArray) -> FloatArray:
        """Turn points, shape (n, 2); y down; a positive skew makes level lines rise to the right."""
        c, s = np.cos(np.radians(self.skew_deg)), np.sin(np.radians(self.skew_deg))
        middle = np.array([self.width / 2, self.height / 2])
        x, y = (points - middle).T
        return np.asarray(middle + np.column_stack([c * x + s * y, -s * x + c * y]))


def draw(
    text: str,
    writer: Writer,
    paper: Paper,
    capture: Capture,
    seed: int,
    ticks: Ticks | None = None,
    straights: Sequence[Straight] = (),
) -> Phantom:
    """Draw `text` as `writer` would put it on `paper`, seen through `capture`.

    Parameters
    ----------
    text : str
        The words to copy; line breaks in it do not matter.
    writer, paper, capture : Writer, Paper, Capture
        What is set.
    seed : int
        The same seed gives the same page, to the pixel.
    ticks : Ticks, optional
        Marks made at the places reached, over the writing.
    straights : sequence of Straight, optional
        Lines of no ruling, below the writing.

    Returns
    -------
    Phantom
        Picture and truth. Words that do not fit on the sheet are not written (`Truth.reached`).

    Raises
    ------
    UsageError
        When the text is empty, holds a letter the alphabet lacks, or the sheet has no room for one line.
    """
    if not text.split():
        raise UsageError("there is no text to write", where="text", fix="Give at least one word")
    rng = np.random.default_rng(seed)
    lines, tasks = lay_out(text, writer, paper, rng)
    if not lines:
        raise UsageError("the sheet has no room for a line", where="paper", fix="Lower top_mm or bottom_mm")
    turn = Turn(paper.width_mm, paper.height_mm, capture.skew_deg)
    scale = capture.px_per_mm
    shape = (round(paper.height_mm * scale), round(paper.width_mm * scale))
    rules = _rules(paper, turn)
    layers, printed = _sheet(paper, rules, turn, scale, shape)
    layers += _straights(straights, turn, scale, shape, seed)
    ink = np.zeros(shape, np.uint8)
    for line in lines:
        for word in line.words:
            for stroke, pen in _strokes(word, writer):
                draw_stroke(ink, turn(line.to_page(stroke)) * scale, pen * scale)
    if paper.show_through:
        back = cv2.GaussianBlur(
            np.roll(ink[:, ::-1], round(paper.writing_pitch_mm * scale), axis=0), (0, 0), 0.12 * scale
        )
        layers.append(Layer(back, capture.ink_rgb, paper.show_through))
    layers.append(Layer(_patchy(ink, capture, rng), capture.ink_rgb))
    corners = turn(np.array([[0, 0], [paper.width_mm, 0], [paper.width_mm, paper.height_mm], [0, paper.height_mm]]))
    outside = np.rint((corners * scale - 0.5) * 256).astype(np.int32)
    truth = _truth(text, writer, paper, capture, seed, lines, tasks, rules, printed, turn, shape)
    marks: tuple[TickTruth, ...] = ()
    if ticks is not None:
        cover, marks = draw_ticks(ticks, truth, shape, seed)
        layers.append(Layer(cover, ticks.rgb))
    return Phantom(photograph(layers, outside, capture, rng, shape), truth, marks)


def _straights(
    straights: Sequence[Straight], turn: Turn, scale: float, shape: tuple[int, int], seed: int
) -> list[Layer]:
    # A chance of their own: the writing is the same with them and without.
    rng = np.random.default_rng([seed, 11])
    covers: dict[tuple[int, int, int], ByteArray] = {}
    for straight in straights:
        cover = covers.setdefault(straight.rgb, np.zeros(shape, np.uint8))
        draw_stroke(cover, turn(straight.points(rng)) * scale, straight.width_mm * scale)
    return [Layer(cover, rgb) for rgb, cover in covers.items()]


def _strokes(word: PlacedWord, writer: Writer) -> list[tuple[FloatArray, float]]:
    strokes = [(s, letter.drawn.pen_mm) for letter in word.letters for s in letter.strokes]
    return strokes + word.joins + [(s, writer.pen_width_mm) for s in word.strike]


def _patchy(ink: ByteArray, capture: Capture, rng: np.random.Generator) -> ByteArray:
    """Let the paper's grain show through pencil."""
    if not capture.texture:
        return ink
    grain = rng.random((256, 256), dtype=np.float32)
    cell = max(capture.px_per_mm * 0.12, 1.0)
    tile = cv2.resize(grain, None, fx=cell, fy=cell, interpolation=cv2.INTER_LINEAR)
    times = (ink.shape[0] // tile.shape[0] + 1, ink.shape[1] // tile.shape[1] + 1)
    grain = np.tile(np.rint(255 * (1 - capture.texture * tile)).astype(np.uint8), times)[: ink.shape[0], : ink.shape[1]]
    return np.asarray(cv2.multiply(ink, np.ascontiguousarray(grain), scale=1 / 255))


def _rules(paper: Paper, turn: Turn) -> list[RuleTruth]:
    rules = []
    for line in rule_lines(paper):
        upright = line.kind in {"vertical", "margin"}
        ends = np.array([[0.0, line.at_mm], [1.0, line.at_mm]])
        (x0, y0), (x1, y1) = turn(ends[:, ::-1] if upright else ends)
        if upright:
            slope = (x1 - x0) / (y1 - y0)
            rules.append(RuleTruth(line.kind, float(x0 - slope * y0), float(slope), None, paper.rule_width_mm))
        else:
            slope = -(y1 - y0) / (x1 - x0)
            rules.append(RuleTruth(line.kind, float(y0 + slope * x0), float(slope), line.row, paper.rule_width_mm))
    return rules


def _sheet(
    paper: Paper, rules: list[RuleTruth], turn: Turn, scale: float, shape: tuple[int, int]
) -> tuple[list[Layer], list[Box]]:
    """Everything on the sheet before the writer came."""
    layers = []
    ruled = [r for r in rules if r.kind != "margin"]
    if ruled:
        cover = np.zeros(shape, np.uint8)
        for rule in ruled:
            upright = rule.kind == "vertical"
            draw_rule(cover, rule.at_mm * scale, rule.slope, rule.width_mm * scale, upright=upright)
        layers.append(Layer(cover, paper.rule_rgb))
    for rule in rules:
        if rule.kind == "margin":
            cover = np.zeros(shape, np.uint8)
            draw_rule(cover, rule.at_mm * scale, rule.slope, max(rule.width_mm, 0.25) * scale, upright=True)
            layers.append(Layer(cover, _RED))
    printed: list[Box] = []
    if paper.passage or paper.logo:
        cover, printed = draw_print(paper, turn, scale, shape)
        layers.append(Layer(cover, _PRINT_BLACK))
    if paper.holes:
        layers.append(Layer(draw_holes(paper, turn, scale, shape), (120, 120, 118)))
    return layers, printed


def _truth(
    text: str,
    writer: Writer,
    paper: Paper,
    capture: Capture,
    seed: int,
    lines: list[PlacedLine],
    tasks: list[Task],
    rules: list[RuleTruth],
    printed: list[Box],
    turn: Turn,
    shape: tuple[int, int],
) -> Truth:
    placed = {id(word.task): (number, word) for number, line in enumerate(lines) for word in line.words}
    words: list[WordTruth] = []
    by_line: list[list[int]] = [[] for _ in lines]
    for task in tasks:
        number, word = placed.get(id(task), (None, None))
        if number is None or word is None:
            words.append(WordTruth(task.asked, "", task.state, task.index, None, None, (), None, None))
            continue
        by_line[number].append(len(words))
        words.append(_word(number, word, lines[number], writer, turn))
    base_rule = {r.row: i for i, r in enumerate(rules) if r.row is not None}
    line_truths = tuple(
        _line(line, base_rule.get(line.row), tuple(by_line[number]), turn) for number, line in enumerate(lines)
    )
    reached = max((t.index for t in tasks if t.index is not None), default=-1) + 1
    return Truth(
        text=text,
        px_per_mm=capture.px_per_mm,
        width_px=shape[1],
        height_px=shape[0],
        width_mm=paper.width_mm,
        height_mm=paper.height_mm,
        skew_deg=capture.skew_deg,
        rules=tuple(rules),
        lines=line_truths,
        words=tuple(words),
        printed=tuple(printed),
        reached=reached,
        set_values={
            "writer": {**asdict(writer), "wander_mm": writer.wander_mm},
            "paper": asdict(paper),
            "capture": asdict(capture),
        },
        realised=realised_values(lines, writing_rows_used(lines, writer, paper), words),
        letter_counts=letter_counts(words),
        seed=seed,
    )


def writing_rows_used(lines: list[PlacedLine], writer: Writer, paper: Paper) -> list[float]:
    """Return y, mm on the upright page, of the rule (or aimed-at line) each text line stands on."""
    rows = writing_rows(paper)
    crowd = writer.habits.crowd if paper.rules == "none" else 1.0
    return [rows[0] + line.row * paper.writing_pitch_mm * crowd for line in lines]


def _line(line: PlacedLine, rule: int | None, words: tuple[int, ...], turn: Turn) -> LineTruth:
    along = np.linspace(0, line.length, max(int(line.length / 2) + 1, 2))
    points = turn(line.to_page(np.column_stack([along, np.zeros_like(along)])))
    return LineTruth(
        row=line.row,
        rule=rule,
        baseline=Polyline(points[:, 0], points[:, 1]),
        drift_deg=float(np.degrees(line.drift)),
        bias_mm=line.bias,
        start_mm=float(line.start[0]),
        words=words,
    )


def _word(number: int, word: PlacedWord, line: PlacedLine, writer: Writer, turn: Turn) -> WordTruth:
    letters = tuple(
        _letter(letter, gap, joined, line, turn)
        for letter, gap, joined in zip(word.letters, word.gaps, word.joined, strict=True)
    )
    box: Box | None = None
    for points, pen in _strokes(word, writer):
        part = _box(turn(line.to_page(points)), pen / 2)
        box = part if box is None else box.joined(part)
    task = word.task
    return WordTruth(task.asked, task.written, task.state, task.index, number, box, letters, word.gap, word.box_gap)


def _letter(letter: Shape, gap: float | None, joined: bool, line: PlacedLine, turn: Turn) -> LetterTruth:
    centre = _box(turn(line.to_page(np.concatenate(letter.strokes))), 0.0)
    pen = letter.drawn.pen_mm
    left = min(float(s[:, 0].min()) for s in letter.strokes)
    foot = turn(line.to_page(np.array([[left, letter.drawn.lift_mm]])))[0]
    return LetterTruth(
        char=letter.char,
        klass=letter.klass,
        ink=Box(centre.left - pen / 2, centre.top - pen / 2, centre.right + pen / 2, centre.bottom + pen / 2),
        centre=centre,
        height_mm=letter.core_top,
        bottom_mm=letter.core_bottom,
        lift_mm=letter.drawn.lift_mm,
        size=letter.drawn.size,
        slant_deg=letter.drawn.slant_deg,
        pen_mm=pen,
        foot=(float(foot[0]), float(foot[1])),
        gap_mm=gap,
        joined=joined,
    )


def _box(points: FloatArray, radius: float) -> Box:
    (left, top), (right, bottom) = points.min(axis=0) - radius, points.max(axis=0) + radius
    return Box(float(left), float(top), float(right), float(bottom))
