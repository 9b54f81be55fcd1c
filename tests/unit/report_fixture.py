"""A hand-made page and record for the report's tests: strokes drawn with cv2 in a known layout, invented pupil P07."""

from __future__ import annotations

import cv2
import numpy as np

from handwriting.figures import compare
from handwriting.geometry import Box
from handwriting.quantity import Measured, NotMeasured, Part, Quantity
from handwriting.record import (
    FlagNote,
    LetterFacts,
    LineFacts,
    PageFacts,
    Record,
    RulingFacts,
    ScaleFacts,
    WordFacts,
)
from handwriting.task import read_task

TEXT = "the tide at Pellmouth turns at noon and the grey boats lean on the sand until it comes back again"
# What the record holds of a page laid against its text.
COUNT = {
    "written": 120, "interval": [118, 122], "matching": 109, "repeated": 3, "added": 0, "crossed_out": 5,
    "left_out_runs": [{"first": 4, "last": 6, "words": "turns at noon."}], "last_word": "quay", "last_word_number": 31,
    "share_of_text_reached": 0.62,
}  # fmt: skip


def measures(*, scaled: bool = True) -> dict[str, Quantity]:
    """Return one quantity for every measure the report knows by name."""
    budget = (Part("scale", 0.01, True), Part("sampling", 0.08, False))
    rows: list[tuple[str, float, str, float, float, int]] = [
        ("letters_per_minute", 62.4, "letters/min", 60.1, 64.8, 312),
        ("rule_distance", 0.42, "mm", 0.31, 0.55, 280),
        ("rule_wander", 0.51, "mm", 0.44, 0.58, 280),
        ("on_line_share", 71.3, "%", 65.7, 76.3, 280),
        ("baseline_drift", 0.43, "deg", 0.12, 0.75, 9),
        ("baseline_drift_spread", 0.52, "deg", 0.31, 0.74, 9),
        ("baseline_wander", 0.34, "mm", 0.29, 0.39, 280),
        ("baseline_wander_ratio", 0.121, "1", 0.104, 0.139, 280),
        ("x_height", 2.81, "mm", 2.71, 2.93, 190),
        ("x_height_centre", 2.33, "mm", 2.22, 2.44, 190),
        ("height_cv", 0.152, "1", 0.134, 0.171, 270),
        ("height_robust_cv", 0.131, "1", 0.112, 0.152, 270),
        ("ascender_ratio", 1.92, "1", 1.83, 2.01, 61),
        ("descender_ratio", 1.11, "1", 0.97, 1.25, 18),
        ("word_space", 5.63, "mm", 5.1, 6.18, 51),
        ("word_space_ratio", 2.0, "1", 1.81, 2.2, 51),
        ("word_space_cv", 0.34, "1", 0.27, 0.42, 51),
        ("letter_space", 0.81, "mm", 0.71, 0.9, 160),
        ("letter_space_ratio", 0.288, "1", 0.25, 0.32, 160),
        ("letter_space_cv", 0.71, "1", 0.6, 0.83, 160),
        ("space_ratio", 6.9, "1", 6.0, 8.1, 211),
        ("space_overlap", 0.021, "1", 0.006, 0.044, 211),
        ("slant", 84.2, "deg", 82.6, 85.9, 240),
        ("slant_spread", 7.7, "deg", 6.8, 8.7, 240),
        ("left_margin_drift", 0.31, "mm/line", -0.12, 0.74, 9),
        ("left_margin_spread", 1.9, "mm", 1.1, 2.8, 9),
        ("right_margin_spread", 6.2, "mm", 3.9, 8.8, 9),
        ("line_contacts", 0.25, "count/line pair", 0.03, 0.71, 8),
        ("line_fill", 0.83, "1", 0.78, 0.88, 9),
        ("stroke_width", 0.48, "mm", 0.46, 0.5, 280),
    ]
    found: dict[str, Quantity] = {}
    for key, value, unit, low, high, n in rows:
        if not scaled and unit.startswith("mm"):
            found[key] = NotMeasured("no-scale", "The size of the page on paper is not known.")
        else:
            flags = ("few-words",) if key.startswith("word") else ()
            found[key] = Measured(value, unit, low, high, n, budget, flags)
    found["right_margin_drift"] = NotMeasured("few-lines", "Fewer than four lines reach the right edge.")
    return found


def comparisons() -> tuple[dict[str, object], ...]:
    """Return the published figures beside this pupil's rate, as the program itself would set them there."""
    task = read_task(
        text=TEXT, seconds=300, age="9:4", grade=4, task="near-copy", instruction="usual", date="2026-11-03"
    )
    rate = Measured(62.4, "letters/min", 60.1, 64.8, 312)
    return tuple(figure.as_dict() for figure in compare(task, rate))


def page(
    dpi: int = 150,
    *,
    scaled: bool = True,
    code: str = "P07",
    name: str = "page-07.png",
    text: str = TEXT,
    lines: int = 9,
    printed: bool = True,
) -> tuple[Record, np.ndarray]:
    """Draw an A4 page of `lines` lines and return its record and its grey picture."""
    per_mm = dpi / 25.4
    columns, rows = round(210 * per_mm), round(297 * per_mm)
    picture = np.full((rows, columns), 246, dtype=np.uint8)
    random = np.random.default_rng(7)
    to_unit = 1.0 if scaled else per_mm
    rules = []
    for i in range(30):
        y = 40 + 8 * i
        cv2.line(picture, (0, round(y * per_mm)), (columns, round(y * per_mm)), 205, max(1, round(0.2 * per_mm)))
        rules.append(((0.0, y * to_unit), (210.0 * to_unit, y * to_unit)))
    if printed:
        for i in range(3):
            cv2.putText(
                picture, "The tide at Pellmouth turns at noon.", (round(30 * per_mm), round((14 + 6 * i) * per_mm)),
                cv2.FONT_HERSHEY_COMPLEX, 0.16 * per_mm, 20, max(1, round(0.25 * per_mm)), cv2.LINE_AA,
            )  # fmt: skip
    found, number, spoken = [], 0, text.split() or ["a"]
    for i in range(lines):
        ground, x, words = 48.0 + 8 * i, 27.0 + float(random.normal(0, 1)), []
        while x < 178:
            shown = spoken[number % len(spoken)]
            number += 1
            letters, start = [], x
            for character in shown[:12]:
                foot = ground - 0.3 + float(random.normal(0, 0.25)) - 0.01 * (x - 27)
                kind = "ascender" if character in "bdfhklt" else "descender" if character in "gjpqy" else "body"
                letters.append(_letter(picture, character, kind, x, foot, per_mm, to_unit))
                x += 2.6
            box = letters[0].box
            for letter in letters[1:]:
                box = box.joined(letter.box)
            words.append(WordFacts(number, box, shown, letters=tuple(letters)))
            x = max(x, start + 2.6) + 4.5
        box = words[0].box
        for word in words[1:]:
            box = box.joined(word.box)
        xs = np.linspace(box.left / to_unit, box.right / to_unit, 5)
        curve = tuple((float(v * to_unit), float((ground - 0.3 - 0.01 * (v - 27)) * to_unit)) for v in xs)
        found.append(LineFacts(i + 1, curve, 2.8 * to_unit, box, i + 1, tuple(words)))
    record = Record(
        page=PageFacts(
            "5" * 64, name, "PNG", 1, 1, columns, rows, (float(dpi), float(dpi)), columns, rows, 0
        ),
        task={
            "text": text, "seconds": 300.0, "letters": 312, "reached": None, "age_months": 112, "grade": 4,
            "sex": "unstated", "code": code, "date": "2026-11-03", "setting": "school", "task": "near-copy",
            "instruction": "usual", "paper": "8 mm feint", "tool": "ballpoint", "hand": "right",
        },
        scale=ScaleFacts(
            "mm" if scaled else "px", 1 / per_mm if scaled else None, 0.003 if scaled else 0.0,
            "file and paper size" if scaled else "none",
            "The file claims this and the paper is A4." if scaled else "Nothing on the page tells its size.",
            ("paper size: A4 within 0.2 %",) if scaled else (),
        ),
        ruling=RulingFacts("single", 8.0 * to_unit, 0.02, 0.03 * to_unit, tuple(rules),
                           ((22.0 * to_unit, 0.0), (22.0 * to_unit, 297.0 * to_unit))),
        lines=tuple(found),
        print_areas=(Box(28, 8, 150, 28).scaled(to_unit),) if printed else (),
        measures=measures(scaled=scaled),
        comparisons=comparisons(),
        flags=(FlagNote("print-set-aside"), FlagNote("few-words", "51 words")) if printed else (),
        software={"handwriting": "0.1.0", "opencv": "5.0.0", "numpy": "2.1", "seed": 20260901,
                  "figures": "2026-11", "tolerance_mm": 0.5},
        letters={"rule": "Letters of the text up to the last word reached.", "letters": 312, "digits": 0},
    )  # fmt: skip
    return record, picture


def _letter(
    picture: np.ndarray, character: str, kind: str, x: float, foot: float, per_mm: float, to_unit: float
) -> LetterFacts:
    """Draw a loop with a stem up or down, as its kind wants, and return its facts."""
    thick = max(1, round(0.45 * per_mm))
    cv2.ellipse(picture, (round((x + 1) * per_mm), round((foot - 1.4) * per_mm)),
                (round(0.9 * per_mm), round(1.3 * per_mm)), -10, 0, 320, 60, thick, cv2.LINE_AA)  # fmt: skip
    top, bottom = foot - 2.8, foot
    if kind != "body":
        top, bottom = (foot - 5.4, foot) if kind == "ascender" else (foot - 2.8, foot + 3.0)
        side = x + (0.2 if kind == "ascender" else 1.9)
        cv2.line(picture, (round((side + 0.2) * per_mm), round(top * per_mm)),
                 (round(side * per_mm), round(bottom * per_mm)), 60, thick, cv2.LINE_AA)  # fmt: skip
    box = Box(x, top, x + 2.2, bottom).scaled(to_unit)
    return LetterFacts(box, kind, (foot - top) * to_unit, 0.0, 0.3 * to_unit, character, 0.9)
