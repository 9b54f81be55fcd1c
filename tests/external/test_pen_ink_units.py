"""Real pen ink with its own units and seconds, drawn at 300 dpi and measured.

Source: the ink in the source distribution of the Python package universal-ink-library 2.1.2 (Apache-2.0), placed by
`fetch.py`: four lines of English, coordinates with a stated resolution per metre and times per second; and one InkML
page (W3C InkML) in hundredths of a millimetre and milliseconds. What the lines say is in the file's own reading.
"""

import json
import re
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from scipy.stats import theilslopes

from handwriting.calibration import Given
from handwriting.ink import find_ink
from handwriting.lifting import flatten, lift_rules
from handwriting.lines import find_lines
from handwriting.measures.speed import letters_per_minute
from handwriting.page import Page
from handwriting.pipeline import Options, measure_page
from handwriting.quantity import Measured
from handwriting.rules import find_rules
from handwriting.task import Task, read_task
from tests.external.fetch import INK_LINES, INK_PAGE, folder

DPI = 300
PX_PER_MM = DPI / 25.4
PEN_MM = 0.6
EDGE_MM = 15.0
LINES = (
    ("Digital Ink is processable", 23, 19.1),
    ("Semantic Ink powered by Universal Ink Model", 37, 40.3),
    ("The Universal Ink Model is designed to capture", 39, 37.8),
    ("the meaning of digital Ink on several dimensions", 41, 69.1),
)


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """One pen-down stroke: mm, y down, and seconds."""

    x: np.ndarray
    y: np.ndarray
    seconds: np.ndarray


def material(name):
    path = folder() / name
    if not path.is_file():
        pytest.skip(f"{name} is not there: run tests/external/fetch.py once")
    return path


def ink_lines():
    """Return the strokes of each of the four lines, from the top, by the file's own division into lines."""
    file = json.loads(material(INK_LINES).read_text(encoding="utf-8"))
    context = file["inputData"]["inputContextData"]["sensorContexts"][0]["sensorChannelsContext"][0]
    channels = {c["id"]: c for c in context["channels"]}
    strokes = []
    for record in file["inputData"]["sensorData"]:
        values = {}
        for data in record["dataChannels"]:
            channel = channels[data["sensorChannelID"]]
            # Differences, as whole numbers of 10 ** -precision; the resolution is per metre or per second.
            unit = channel["resolution"] * 10.0 ** channel.get("precision", 0)
            values[channel["type"].rpartition("/")[2]] = np.cumsum(data["values"]) / unit
        start = int(record["timestamp"]) / 1000
        strokes.append(Stroke(1000 * values["X"], 1000 * values["Y"], start + values["Timestamp"]))
    types = {
        s["subject"]: s["object"] for s in file["knowledgeGraph"]["statements"] if s["predicate"].endswith("#type")
    }
    lines, inside = [], None
    for node in file["views"][0]["tree"]:
        kind = types.get(f"uim:node/{node['id']}", "")
        if node.get("depth", 0) == 1:
            inside = [] if kind.endswith("/TextLine") else None
            if inside is not None:
                lines.append(inside)
        if inside is not None and node.get("type") == "STROKE":
            inside.append(strokes[node.get("index", 0)])
    # The file takes its last two lines as one: a new line begins where the pen goes back over most of the width.
    parted = []
    for line in lines:
        left = np.array([s.x.min() for s in line])
        breaks = np.flatnonzero(np.diff(left) < -0.6 * np.ptp(left)) + 1
        parted += [line[a:b] for a, b in zip([0, *breaks], [*breaks, len(line)], strict=True)]
    return sorted(parted, key=lambda line: np.median(np.concatenate([s.y for s in line])))


def ink_page():
    """Return the pen-down strokes of the InkML page."""
    text = material(INK_PAGE).read_text(encoding="utf-8", errors="replace")
    strokes = []
    for attributes, body in re.findall(r"<inkml:trace ([^>]*)>([^<]*)<", text):
        if 'type="penDown"' in attributes:
            x, y, *_, t = np.array([[float(v) for v in point.split()] for point in body.strip().split(",")]).T
            strokes.append(Stroke(x / 100, y / 100, t / 1000))
    return strokes


def extent(strokes):
    """Left, top, right, bottom of the pen's course, mm."""
    x, y = (np.concatenate([getattr(s, axis) for s in strokes]) for axis in "xy")
    return np.array([x.min(), y.min(), x.max(), y.max()])


def scan(strokes):
    """Draw the strokes as a 300 dpi grey scan with a pen of PEN_MM; also the paper's origin in the ink's mm."""
    left, top, right, bottom = extent(strokes)
    origin = np.array([left - EDGE_MM, top - EDGE_MM])
    size = np.array([right - left, bottom - top]) + 2 * EDGE_MM
    # Drawn four times as fine and averaged down: lines drawn with smooth edges directly come out a pixel too wide.
    fine = 4
    wide, tall = np.ceil(size * PX_PER_MM).astype(int) * fine
    paper = np.full((tall, wide), 245, np.uint8)
    for s in strokes:
        points = (np.stack([s.x, s.y], 1) - origin) * PX_PER_MM * fine - 0.5
        fixed = np.rint(points * 16).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(paper, [fixed], False, 40, round(PEN_MM * PX_PER_MM * fine), cv2.LINE_8, shift=4)
    paper = cv2.resize(paper, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(paper, (0, 0), 0.7), origin


def measure(strokes):
    grey, origin = scan(strokes)
    flat = flatten(grey, PX_PER_MM)
    rules = find_rules(flat, PX_PER_MM)
    lifted, cut = lift_rules(flat, rules, PX_PER_MM)
    ink = find_ink(lifted, cut, rules, PX_PER_MM)
    return ink, find_lines(ink, rules.across, PX_PER_MM), rules, origin


def found_extent(x, y, origin):
    low = np.array([x.min(), y.min()]) / PX_PER_MM + origin
    high = np.array([x.max() + 1, y.max() + 1]) / PX_PER_MM + origin
    return np.concatenate([low, high])


def true_x_height(line):
    """Height of the bodies from the pen's own turning points: most crowded feet to most crowded tops, plus the pen."""
    feet, tops = [], []
    for s in line:
        step = np.sign(np.diff(s.y))
        keep = np.flatnonzero(step)
        turn = np.flatnonzero(np.diff(step[keep]))
        at = keep[turn] + 1
        down = step[keep][turn] > 0
        feet += list(zip(s.x[at][down], s.y[at][down], strict=True))
        tops += list(zip(s.x[at][~down], s.y[at][~down], strict=True))
    feet, tops = np.array(feet), np.array(tops)
    near = feet[np.abs(feet[:, 1] - mode(feet[:, 1])) < 2.5]
    slope = theilslopes(near[:, 1], near[:, 0]).slope
    base = mode(feet[:, 1] - slope * feet[:, 0])
    height = base - (tops[:, 1] - slope * tops[:, 0])
    # Tops of ascenders crowd too; bodies are less than 0.55 of the tallest letter (common practice, no source).
    return mode(height[(height > 0.2 * height.max()) & (height < 0.55 * height.max())]) + PEN_MM


def mode(values):
    grid = np.linspace(values.min(), values.max(), 2000)
    density = np.exp(-0.5 * ((grid[:, None] - values) / 0.35) ** 2).sum(1)
    return float(grid[np.argmax(density)])


@pytest.fixture(scope="module")
def four_lines():
    return ink_lines()


def test_the_trace_is_read_as_its_makers_state(four_lines):
    assert len(four_lines) == 4
    for line, (text, letters, seconds) in zip(four_lines, LINES, strict=True):
        assert sum(c.isalpha() for c in text) == letters
        spent = max(s.seconds[-1] for s in line) - min(s.seconds[0] for s in line)
        assert spent == pytest.approx(seconds, abs=0.06)


def test_lines_and_extents_are_those_of_the_trace(four_lines):
    _, lines, rules, origin = measure([s for line in four_lines for s in line])
    assert rules.across is None
    assert len(lines.lines) == 4
    for i, line in enumerate(four_lines):
        mine = lines.line == i
        found = found_extent(lines.pieces.x[mine], lines.pieces.y[mine], origin)
        true = extent(line) + PEN_MM / 2 * np.array([-1, -1, 1, 1])
        assert np.abs(found - true).max() <= 0.15, i


def test_x_height_is_that_of_the_trace(four_lines):
    _, lines, _, _ = measure([s for line in four_lines for s in line])
    for found, line in zip(lines.lines, four_lines, strict=True):
        assert found.x_height / PX_PER_MM == pytest.approx(true_x_height(line), abs=0.3)


def test_stroke_width_is_that_of_the_pen(four_lines):
    ink, *_ = measure([s for line in four_lines for s in line])
    assert ink.stroke_px / PX_PER_MM == pytest.approx(PEN_MM, abs=0.08)


def true_slant(strokes):
    """Median angle, by height, of the pen's ways down of 1.2 mm and more: least squares on the middle of each."""
    angles, heights = [], []
    for s in strokes:
        step = np.sign(np.diff(s.y, append=s.y[-1]))
        for run in np.split(np.arange(len(s.y)), np.flatnonzero(np.diff(step)) + 1):
            height = s.y[run[-1]] - s.y[run[0]]
            third = run[len(run) // 6 : len(run) - len(run) // 6]
            if height < 1.2 or len(third) < 3:
                continue
            lean = np.polyfit(-s.y[third], s.x[third], 1)[0]
            angles.append(np.degrees(np.arctan2(1, lean)))
            heights.append(height)
    order = np.argsort(angles)
    summed = np.cumsum(np.array(heights)[order])
    return np.array(angles)[order][np.searchsorted(summed, summed[-1] / 2)]


def test_slant_is_that_of_the_strokes_written_downwards(four_lines):
    grey, _ = scan([s for line in four_lines for s in line])
    record = measure_page(Page(grey, None, "0" * 64, "ink", "PNG"), read_task(), Options(Given(dpi=DPI))).record
    slant = record.measures["slant"]
    true = true_slant([s for line in four_lines for s in line])
    assert isinstance(slant, Measured)
    assert slant.value == pytest.approx(true, abs=5)
    assert slant.low < true < slant.high


@pytest.mark.parametrize("line", range(4))
def test_letters_per_minute_are_those_of_the_trace(line, four_lines):
    strokes, (text, letters, _) = four_lines[line], LINES[line]
    seconds = float(max(s.seconds[-1] for s in strokes) - min(s.seconds[0] for s in strokes))
    rate = letters_per_minute(Task(text=text, seconds=seconds, letters=letters))
    assert isinstance(rate, Measured)
    assert rate.value == pytest.approx(60 * letters / seconds, rel=1e-9)
    assert rate.low < 60 * letters / LINES[line][2] < rate.high


def test_a_page_in_millimetres_is_measured_in_millimetres():
    strokes = ink_page()
    ink, lines, _, origin = measure(strokes)
    assert len(lines.lines) == 1
    true = extent(strokes) + PEN_MM / 2 * np.array([-1, -1, 1, 1])
    assert np.abs(found_extent(ink.pieces.x, ink.pieces.y, origin) - true).max() <= 0.15
