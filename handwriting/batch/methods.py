"""``methods.md``: what a paper's methods section needs to say of the measuring, with every number counted."""

from __future__ import annotations

from collections import Counter
from typing import Any

import handwriting
from handwriting.batch.manifest import Sample
from handwriting.batch.work import Refused
from handwriting.flags import FLAGS

_SOFTWARE = ("python", "opencv", "numpy", "scipy")


class Counts:
    """What is counted while the tables are written; nothing of it grows with the study."""

    def __init__(self, settings: dict[str, object]) -> None:
        self.settings = settings
        self.units: dict[str, str] = {}
        self.measured = 0
        self.participants: set[str] = set()
        self.occasions: set[str] = set()
        self.refused: Counter[str] = Counter()
        self.scales: Counter[str] = Counter()
        self.flags: Counter[str] = Counter()
        self.missing: Counter[tuple[str, str]] = Counter()
        self.software: Counter[str] = Counter()
        self.corrected = 0

    def add(self, sample: Sample, document: dict[str, Any] | None, refused: Refused | None) -> None:
        """Count one sample."""
        self.participants.add(sample.participant)
        self.occasions.add(sample.occasion)
        if document is None:
            self.refused[refused.kind if refused else ""] += 1
            return
        self.measured += 1
        self.corrected += bool(document["corrections"])
        scale = document["scale"]
        self.scales[scale["source"] if scale["mm_per_px"] else "none"] += 1
        self.flags.update({flag["code"] for flag in document["flags"]})
        made = document["software"]
        with_what = ", ".join(f"{name} {made[name]}" for name in _SOFTWARE if name in made)
        self.software[f"handwriting {made.get('handwriting', '?')} ({with_what})"] += 1
        for key, quantity in document["measures"].items():
            if "why" in quantity:
                self.missing[key, quantity["flag"]] += 1
            else:
                self.units.setdefault(key, quantity["unit"])


def methods(counts: Counts) -> str:
    """Return the text."""
    pages = counts.measured + sum(counts.refused.values())
    occasions = len(counts.occasions - {""})
    when = f" on {counted(occasions, 'occasion')}" if occasions else ""
    made = "; ".join(sorted(counts.software)) or f"handwriting {handwriting.__version__}"
    tolerance = counts.settings.get("tolerance_mm", 0.5)
    lines = [
        "# Methods",
        "",
        f"Handwriting on {counted(pages, 'page')} by {counted(len(counts.participants), 'participant')}"
        f"{when} was measured with {made}. "
        f"{counted(counts.measured, 'page')} could be measured and {sum(counts.refused.values())} could not "
        "(reasons below; failures.csv names each). Each page was decoded, brought upright, its printed rules "
        "and print set aside, and its ink divided into lines, words and letter marks; every measure is given "
        "with a 95 % interval that holds both the sampling of letters and lines on the page (bootstrap over "
        "lines, fixed seed) and the "
        f"uncertainty of the scale. Feet within {tolerance:g} mm of the printed line count as on the line. "
        f"{counted(counts.corrected, 'page')} had corrections made by a person. "
        "Pages were measured independently of each other, of the group of the writer and of the order of the rows. "
        "The measures are descriptions of marks on paper; no category or cut-off was applied.",
    ]
    lines += _table("Scale", ("how the scale came to be believed", "pages"), sorted(counts.scales.items()))
    lines += _table("Pages not measured", ("kind", "pages"), sorted(counts.refused.items()))
    flags = [(spelt(code), n) for code, n in sorted(counts.flags.items())]
    lines += _table("Flags raised on pages", ("flag", "pages"), flags)
    missing = [(f"{key}: {flag}", n) for (key, flag), n in sorted(counts.missing.items())]
    lines += _table("Measures that could not be made", ("measure and reason", "pages"), missing)
    return "\n".join(lines) + "\n"


def spelt(code: str) -> str:
    """Return a flag's code with its meaning."""
    return f"{code}: {FLAGS[code].meaning}" if code in FLAGS else code


def counted(number: int, thing: str) -> str:
    """Return a number of things in words."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _table(title: str, head: tuple[str, str], rows: list[tuple[str, int]]) -> list[str]:
    if not rows:
        return ["", f"## {title}", "", "None."]
    return ["", f"## {title}", "", f"| {head[0]} | {head[1]} |", "|---|---|", *(f"| {a} | {n} |" for a, n in rows)]
