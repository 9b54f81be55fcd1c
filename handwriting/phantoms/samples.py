"""The sample pages: three drawn pages with their text, truth and card, in an invented scenario.

``python -m handwriting.phantoms.samples samples`` draws them anew. Greys are kept to steps, so that a whole page stays
small; the resolution is written into the file (pHYs, ISO/IEC 15948).
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from handwriting.phantoms.capture import INKS, Capture
from handwriting.phantoms.drawing import Phantom, draw
from handwriting.phantoms.paper import Paper
from handwriting.phantoms.passages import PASSAGES
from handwriting.phantoms.raster import ByteArray
from handwriting.phantoms.writer import VARIABLE, VERY_VARIABLE, WRITERS, Habits, Slips, Writer
from handwriting.task import count_letters, find_reached

SECONDS = 300


@dataclass(frozen=True, slots=True)
class Sample:
    """One sample page: the text given, the last word written in the time, and everything `draw` needs.

    `paper_words` and `look_at` go on the card, `code` is the pupil code; the picture's greys are multiples of
    `grey_step`.
    """

    name: str
    title: str
    code: str
    text: str
    reached: str
    paper_words: str
    script: str
    look_at: str
    writer: Writer
    paper: Paper
    capture: Capture
    grey_step: int
    seed: int

    @property
    def written(self) -> str:
        """The text up to and with the last word reached."""
        return self.text[: find_reached(self.text, self.reached).end]

    @property
    def command(self) -> str:
        """The command that measures this page."""
        return (
            f"handwriting measure samples/{self.name}.png --text samples/{self.name}.txt --seconds {SECONDS} "
            f"--reached {self.reached} --code {self.code} --grade 4 --task near-copy --instruction usual "
            f"--script {self.script} --out out/{self.name}"
        )


SAMPLES: tuple[Sample, ...] = (
    Sample(
        name="able",
        title="An able hand",
        code="HB-07",
        text=PASSAGES[0],
        reached="view",
        paper_words="A4, lines 8 mm apart, margin line; grey scan at 300 dots to the inch",
        script="joined",
        look_at="Letters of even size on the line, joined inside the words, even gaps, a straight left edge beside the "
        "printed margin. The reference against which the other two pages are easy to read.",
        writer=replace(WRITERS["able joined"], left_margin_mm=28.0, pen_width_mm=0.4, height_cv=0.07, bounce_mm=0.09),
        paper=Paper(pitch_mm=8.0, top_mm=32.0, margin_mm=25.0),
        capture=Capture(dpi=300, skew_deg=0.3, noise_sd=1.2, paper_rgb=(248, 248, 248)),
        grey_step=8,
        seed=407,
    ),
    Sample(
        name="variable",
        title="A variable hand",
        code="HB-12",
        text=PASSAGES[10],
        reached="always",
        paper_words="A4, two-line ruling (body zone 4 mm, base lines 11 mm apart); grey scan at 200 dots to the inch",
        script="unjoined",
        look_at="How far the letters' size and their distance to the base line vary, gaps between words against gaps "
        "between letters, and a left edge that is not straight. One word is crossed out, one is misspelt.",
        writer=replace(VARIABLE, slips=Slips(misspelt=1, crossed_out=1)),
        paper=Paper(rules="double", pitch_mm=11.0, zone_mm=4.0, top_mm=34.0),
        capture=Capture(dpi=200, skew_deg=-0.6, noise_sd=1.5, blur_mm=0.05, ink_rgb=INKS["black"]),
        grey_step=8,
        seed=412,
    ),
    Sample(
        name="very-variable",
        title="A very variable hand",
        code="HB-19",
        text=PASSAGES[11],
        reached="circle",
        paper_words="A4, blank; pencil, grey, unevenly lit as a photo is, at 200 dots to the inch",
        script="unjoined",
        look_at="Lines that slope and wander with no rule to hold them, uneven size and slant, a left edge that moves "
        "in. On blank paper nothing is said about printed rules. One word is left out, one crossed out, two are "
        "misspelt.",
        writer=replace(
            VERY_VARIABLE, margin_sd_mm=2.0, habits=Habits(), slips=Slips(left_out=1, misspelt=2, crossed_out=1)
        ),
        paper=Paper(rules="none", pitch_mm=15.0, top_mm=36.0),
        capture=Capture(
            dpi=200, skew_deg=1.1, noise_sd=2.0, blur_mm=0.07, shading=0.16, shadow=0.1, jpeg=80,
            ink_rgb=INKS["pencil"], texture=0.3,
        ),
        grey_step=2,
        seed=419,
    ),
)  # fmt: skip


def draw_sample(sample: Sample) -> Phantom:
    """Draw one sample page."""
    page = draw(sample.written, sample.writer, sample.paper, sample.capture, sample.seed)
    return Phantom(_stepped(page.image, sample.grey_step), page.truth)


def _stepped(image: ByteArray, step: int) -> ByteArray:
    steps = np.rint(image.astype(np.float32) / step) * step
    return np.asarray(np.clip(steps, 0, 255), dtype=np.uint8)


def sample_truth(page: Phantom) -> dict[str, Any]:
    """Return the page's truth as it is stored: plain values, lengths to a tenth of a micrometre."""
    rounded: dict[str, Any] = _rounded(page.truth.as_dict())
    return rounded


def _rounded(value: Any) -> Any:  # noqa: ANN401 - walks plain JSON values
    if isinstance(value, float):
        return round(value, 4)
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(v) for v in value]
    return value


def write_samples(folder: Path) -> None:
    """Draw every sample into `folder`: picture, text, truth and card of each, and one ``README.md``.

    Parameters
    ----------
    folder : Path
        Made when it does not exist; files of the same names are replaced.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for sample in SAMPLES:
        page = draw_sample(sample)
        dpi = (sample.capture.dpi, sample.capture.dpi)
        Image.fromarray(page.image).save(folder / f"{sample.name}.png", dpi=dpi, optimize=True)
        truth = json.dumps(sample_truth(page), ensure_ascii=False, separators=(",", ":"))
        for ending, content in (("txt", sample.text), ("truth.json", truth), ("md", card(sample, page))):
            (folder / f"{sample.name}.{ending}").write_text(f"{content.rstrip()}\n", "utf-8")
    (folder / "README.md").write_text(overview(), "utf-8")


_DRAWN = "The page is drawn by the program from set values; no child wrote it."
_SCENARIO = (
    "Hobbin Brook is an invented school in the invented harbour town of Sallow Ferry. Its grade 4 copied a printed "
    f"text beside the paper in their usual way, for {SECONDS // 60} minutes. Pupils go by code."
)


def card(sample: Sample, page: Phantom) -> str:
    """Return the sample's card as Markdown."""
    counted = count_letters(sample.written)
    truth = page.truth.realised
    rows = (
        ("x-height, centre of the pen's line", f"{truth['x_height_mm']:.2f} mm"),
        ("spread of letter size (SD / mean)", f"{100 * truth['size_cv']:.0f} %"),
        ("slant (90 upright, below 90 leaning right)", f"{truth['slant_deg']:.1f} degrees"),
        ("gap between words, least between facing ink", f"{truth['word_space_mm']:.2f} mm"),
        ("letters up to the last word reached", f"{counted.letters}"),
        ("lines", f"{truth['n_lines']:.0f}"),
    )
    table = "\n".join(f"| {what} | {value} |" for what, value in rows)
    return f"""# {sample.title}: {sample.name}.png

{_DRAWN}

| | |
|---|---|
| scenario | {_SCENARIO} |
| pupil code | {sample.code} |
| task | near copy of [{sample.name}.txt]({sample.name}.txt), usual instruction |
| time | {SECONDS} s |
| last word reached | `{sample.reached}` ({counted.letters} letters) |
| paper | {sample.paper_words} |
| hand | {sample.script} |

```
{sample.command}
```

**What to look at.** {sample.look_at}

**What the page came out with** ([{sample.name}.truth.json]({sample.name}.truth.json) holds every letter, word and line)

| | drawn |
|---|---|
{table}
"""


def overview() -> str:
    """Return the folder's README as Markdown, one section a page."""
    sections = "\n".join(
        f"""## {s.title}: {s.name}.png

{s.code}, {SECONDS} s, reached `{s.reached}`. {s.paper_words}. Card: [{s.name}.md]({s.name}.md).

```
{s.command}
```
"""
        for s in SAMPLES
    )
    return f"""# Sample pages

Three pages to try the program on. They are drawn by the program from set values; no child wrote them. {_SCENARIO}

Beside each picture lie the text to copy (`.txt`), the exact truth of what was drawn (`.truth.json`, lengths in mm) and
a card (`.md`). `python -m handwriting.phantoms.samples samples` draws them all anew.

{sections}"""


if __name__ == "__main__":
    write_samples(Path(sys.argv[1] if len(sys.argv) > 1 else "samples"))
