"""Measuring functions that cost next to nothing, for the tests of studies; a sample's name decides what happens."""

import hashlib
import json
import os
import signal
import time
from pathlib import Path

from handwriting.batch.work import Order, Work
from handwriting.errors import NoWritingError


def cheap(order: Order) -> Work:
    """A small record that depends on the sample alone; names that end with R are refused."""
    name = order.sample.name
    if name.endswith("R"):
        raise NoWritingError("no writing was found on the page", where=order.sample.file, fix="Scan the written page")
    return Work(json.dumps(document(order), indent=1) + "\n", name.encode() if order.settings.overlays else None)


def unhurried(order: Order) -> Work:
    """As `cheap`, in a few hundredths of a second, so that a kill finds pages in hand."""
    time.sleep(0.02)
    return cheap(order)


def noted(order: Order) -> Work:
    """As `unhurried`, and notes in the folder of the pages that it was begun."""
    with (Path(order.settings.folder) / "begun").open("a", encoding="utf-8") as file:
        file.write(f"{order.sample.name}\n")
    return unhurried(order)


def deadly(order: Order) -> Work:
    """Names that end with K kill the worker, with H hang it, with X run into a mistake of the program."""
    last = order.sample.name[-1]
    if last == "K":
        os.kill(os.getpid(), signal.SIGKILL)
    if last == "H":
        time.sleep(600)
    if last == "X":
        raise ZeroDivisionError("no such luck")
    return cheap(order)


def document(order: Order) -> dict:
    """A record as plain JSON, in the form `record.to_json` gives it."""
    seed = int(hashlib.sha256(order.sample.name.encode()).hexdigest()[:6], 16)
    value = round(2.0 + seed % 1000 / 1000, 4)
    box = {"left": 10.0, "top": 20.0, "right": 18.5, "bottom": 24.0}
    letter = {"box": box, "kind": "body", "height": value, "foot": 0.1, "to_rule": None}
    letter |= {"text": "a", "confidence": 0.9, "state": "written"}
    word = {"number": 1, "box": box, "text": "=a", "state": "written", "confidence": 0.75, "letters": [letter, letter]}
    line = {"number": 1, "baseline": [[10.0, 24.0], [90.0, 24.0]], "x_height": value, "box": box, "rule": None}
    measured = {
        "value": value,
        "unit": "mm",
        "low": value - 0.1,
        "high": value + 0.1,
        "n": 40,
        "parts": [],
        "flags": [],
    }
    page = {"sha256": hashlib.sha256(order.sample.file.encode()).hexdigest(), "name": order.sample.file}
    page |= {"format": "PNG", "number": 1, "count": 1, "width_px": 1000, "height_px": 1400}
    page |= {
        "claimed_dpi": [300.0, 300.0],
        "frame_width_px": 1000,
        "frame_height_px": 1400,
        "turned_deg": 0,
        "notes": [],
    }
    scale = {
        "unit": "mm",
        "mm_per_px": 0.0846,
        "relative_uncertainty": 0.001,
        "source": "paper",
        "sentence": "",
        "checks": [],
    }
    return {
        "page": page,
        "task": order.sample.task.as_dict(),
        "scale": scale,
        "ruling": None,
        "lines": [line | {"words": [word], "flags": []}],
        "print_areas": [],
        "measures": {
            "x_height": measured,
            "slant": {"flag": "few-letters", "why": "there are too few stems"},
        },
        "comparisons": [],
        "flags": [{"code": "no-ruling", "detail": ""}],
        "software": {"handwriting": "0", "python": "3", "opencv": "5", "numpy": "2", "scipy": "1"},
        "letters": {},
        "corrections": [{"kind": "letters"}] if order.corrections else [],
        "schema": 1,
    }
