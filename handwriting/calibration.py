"""How many millimetres a pixel is, on what evidence, or that it is not known.

A resolution stated in a file is a claim. It is believed when the paper it implies is a standard size, or when the
pitch of the printed rules it implies is a standard pitch; a claim that makes a whole sheet of an impossible size is
refused. A resolution or a pitch given by hand outranks every claim, and so does a ruler that was said to lie in the
picture. Without belief nothing is given in millimetres.

Sources: ISO 216 (A and B sizes, 1 mm tolerance class not used here), ANSI/ASME Y14.1 (letter, legal); ruling pitches
as listed with their provenance in `sheet/rulings.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handwriting.errors import UsageError
from handwriting.page import Page
from handwriting.ruler import Ruler
from handwriting.rules import Ruling
from handwriting.sheet.rulings import nearest_standard

INCH_MM = 25.4
LOWEST_DPI = 100.0
FINE_DPI = 200.0

_PAPERS = {
    "A3": (297.0, 420.0),
    "A4": (210.0, 297.0),
    "A5": (148.0, 210.0),
    "A6": (105.0, 148.0),
    "B4": (250.0, 353.0),
    "B5": (176.0, 250.0),
    "letter": (215.9, 279.4),
    "legal": (215.9, 355.6),
}
_SCANNER_DPI = (100, 150, 200, 240, 300, 400, 600, 1200)
_NEAR = 0.012

# Relative standard uncertainties. A flatbed is true to about 0.3 % (Elaksher & Ali 2018 and a measured half-page
# compression of 0.6 %, both read at second hand); a print or a pitch to about 0.5 % (common practice, no source).
_SD_STATED = 0.003
_SD_CHECKED = 0.005
_SD_UNCHECKED = 0.015
_SD_PRINT = 0.005
# A ruler 2 mm thick lies that much nearer to a camera 40 cm away than the page does (geometry; distance and thickness
# are common practice, no source).
_SD_LIFTED = 0.005


@dataclass(frozen=True, slots=True)
class Scale:
    """Millimetres to one pixel of the page as read, and why it is believed.

    `mm_per_px` is None when it is not. `relative_sd` is the standard uncertainty as a share of the scale; it is common
    to every length on the page.
    """

    mm_per_px: float | None
    relative_sd: float
    source: str
    sentence: str
    checks: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Given:
    """What the user said about the scale.

    Dots to the inch, the pitch of the paper's writing lines in mm, or that a ruler lies in the picture.
    """

    dpi: float | None = None
    rule_mm: float | None = None
    ruler: bool = False

    def __post_init__(self) -> None:
        if self.dpi is not None and not 50 <= self.dpi <= 4800:
            raise UsageError(f"--dpi {self.dpi:g} is not a scanner's resolution", fix="Give 50 to 4800")
        if self.rule_mm is not None and not 2 <= self.rule_mm <= 40:
            raise UsageError(
                f"--rule-mm {self.rule_mm:g} is not a distance between writing lines", fix="Give 2 to 40 mm"
            )
        if self.ruler and self.rule_mm is not None:
            raise UsageError("--ruler and --rule-mm both set the scale", fix="Give one of them")


def rough_px_per_mm(page: Page, given: Given) -> float | None:
    """Return a scale good to a factor of two, to set window sizes with; None when nothing hints at one."""
    if given.dpi is not None:
        return given.dpi / INCH_MM
    if page.claimed_dpi is not None and not _impossible(page):
        return page.claimed_dpi[0] / INCH_MM
    paper = _paper_resolution(page)
    return None if paper is None else paper[1] / INCH_MM


def calibrate(
    page: Page,
    ruling: Ruling | None,
    frame_px_per_page_px: float,
    given: Given,
    ruler: Ruler | None = None,
    *,
    straightened: bool = False,
) -> Scale:
    """Decide on the scale from what was given by hand, the file's claim, the paper's size and the rules' pitch.

    Parameters
    ----------
    page : Page
        As read from the file.
    ruling : Ruling or None
        Printed rules found, frame px.
    frame_px_per_page_px : float
        How many frame px one page px became (1, or less for fine scans).
    given : Given
    ruler : Ruler or None
        The ruler found, frame px.
    straightened : bool
        The picture was a photograph, straightened by the edges of the sheet.
    """
    pitch_px = None if ruling is None else ruling.pitch / frame_px_per_page_px
    if ruler is not None:
        return _from_ruler(given, page, ruler, pitch_px, frame_px_per_page_px, straightened=straightened)
    if given.rule_mm is not None:
        if pitch_px is None or ruling is None:
            raise UsageError(
                "--rule-mm was given but no printed rules were found", where=page.name, fix="Give --dpi instead"
            )
        return _from_rules(given, page, ruling, pitch_px)
    if given.dpi is not None:
        return _limited(
            INCH_MM / given.dpi,
            _SD_STATED,
            "given",
            f"The resolution was given: {given.dpi:g} dots to the inch.",
            _pitch_check(pitch_px, INCH_MM / given.dpi),
            (),
        )
    if page.claimed_dpi is not None:
        return _from_claim(page, pitch_px)
    paper = _paper_resolution(page)
    if paper is not None:
        name, dpi = paper
        sentence = (
            f"The picture has the exact size of an {name} sheet scanned whole at {dpi:.4g} dots to the inch; "
            "the file states no resolution that can be believed."
        )
        checks = _pitch_check(pitch_px, INCH_MM / dpi)
        alone = not (checks and "agrees" in checks[0])
        flags = ("scale-from-paper-size",) if alone else ()
        return _limited(INCH_MM / dpi, _SD_CHECKED, "paper size", sentence, checks, flags)
    return _none(
        "The file states no resolution that can be believed, and none was given (--dpi, --rule-mm for lined paper, or "
        "--ruler with a ruler beside the page)."
    )


def _none(sentence: str, flags: tuple[str, ...] = ()) -> Scale:
    return Scale(None, 0.0, "none", sentence, (), flags)


def _limited(
    mm_per_px: float, sd: float, source: str, sentence: str, checks: tuple[str, ...], flags: tuple[str, ...]
) -> Scale:
    """Refuse millimetres from coarse pictures, and flag middling ones."""
    dpi = INCH_MM / mm_per_px
    if dpi < LOWEST_DPI * 0.98:
        return _none(
            f"{sentence} That is too coarse for millimetres "
            f"({dpi:.0f} dots to the inch; {LOWEST_DPI:.0f} is the least).",
            ("low-resolution",),
        )
    if dpi < FINE_DPI * 0.98:
        flags = (*flags, "low-resolution")
    return Scale(mm_per_px, sd, source, sentence, checks, flags)


def _from_ruler(
    given: Given,
    page: Page,
    ruler: Ruler,
    pitch_px: float | None,
    frame_px_per_page_px: float,
    *,
    straightened: bool,
) -> Scale:
    """Take the scale from a ruler's millimetres, unless the picture's scale changes between it and the page."""
    mm_per_px = frame_px_per_page_px / ruler.px_per_mm
    shown = float(np.ptp(ruler.mm))
    sentence = f"The scale comes from {len(ruler.mm)} ticks of a ruler in the picture, {shown:.0f} mm of it"
    if ruler.slanted:
        return _none(
            f"A ruler was found, but from it to the far side of the picture the scale changes by "
            f"{100 * ruler.change:.1f} %: the page was photographed at a slant or through a lens that bends it.",
            ("ruler-at-a-slant",),
        )
    # The writing lies some way from the ruler, half as far as the furthest corner (common practice, no source).
    uneven = 0.5 * max(ruler.change, ruler.change_sd)
    sd = float(np.sqrt(ruler.relative_sd**2 + uneven**2 + (_SD_LIFTED if straightened else 0.0) ** 2))
    checks, flags = _resolution_checks(given, page, mm_per_px)
    if given.dpi is None and page.claimed_dpi is not None and _impossible(page):
        flags = ()  # a camera's 72 dots to the inch contradict nothing
    checks = (*checks, *_pitch_check(pitch_px, mm_per_px))
    return _limited(mm_per_px, sd, "ruler", f"{sentence}.", checks, flags)


def _resolution_checks(given: Given, page: Page, mm_per_px: float) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Say how a resolution given or stated fits the scale, with the flag of those that do not."""
    checks: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    for dpi, who in ((given.dpi, "given"), (page.claimed_dpi[0] if page.claimed_dpi else None, "stated in the file")):
        if dpi is not None:
            off = mm_per_px * dpi / INCH_MM - 1
            checks = (
                *checks,
                f"The resolution {who}, {dpi:.4g} dots to the inch, differs from it by {100 * off:+.1f} %.",
            )
            flags = ("scale-conflict",) if abs(off) > 0.03 else flags
    return checks, flags


def _from_rules(given: Given, page: Page, ruling: Ruling, pitch_px: float) -> Scale:
    rule_mm = given.rule_mm or 0.0
    mm_per_px = rule_mm / pitch_px
    sd = float((ruling.pitch_error / ruling.pitch) ** 2 + _SD_PRINT**2) ** 0.5
    checks, flags = _resolution_checks(given, page, mm_per_px)
    return _limited(
        mm_per_px,
        sd,
        "rule pitch",
        f"The writing lines are {rule_mm:g} mm apart, as given; the scale follows from them.",
        checks,
        flags,
    )


def _from_claim(page: Page, pitch_px: float | None) -> Scale:  # noqa: PLR0911 - one return a case
    """Believe the file's resolution when paper or rules bear it out, refuse it when the paper contradicts it."""
    if page.claimed_dpi is None:
        return _none("The file states no resolution.")
    across = page.claimed_dpi[0]
    size = _stated_size(page)
    mm_per_px = INCH_MM / across
    # The frame's pixels are square, with the resolution across.
    checks = _pitch_check(pitch_px, mm_per_px)
    sentence = f"The file states {across:.4g} dots to the inch ({page.claim_source})"
    paper = _paper_named(size)
    if paper == "A6 paper":
        return _none(
            f"{sentence}; the page would then be {paper}, which is also what A4 paper comes to when its resolution is "
            "stated double.",
            ("scale-conflict",),
        )
    if paper is not None:
        return _limited(
            mm_per_px,
            _SD_CHECKED,
            "file and paper size",
            f"{sentence}; the page is then {size[0]:.0f} by {size[1]:.0f} mm, which is {paper}.",
            checks,
            (),
        )
    if _impossible(page):
        return _none(
            f"{sentence}, but the picture would then be {size[0]:.0f} by {size[1]:.0f} mm, which no such sheet is.",
            ("scale-conflict",),
        )
    if checks and "agrees" in checks[0]:
        return _limited(
            mm_per_px, _SD_CHECKED, "file and rule pitch", f"{sentence}; {checks[0][0].lower()}{checks[0][1:]}", (), ()
        )
    if not any(abs(across / d - 1) < 0.002 for d in _SCANNER_DPI):
        return _none(f"{sentence}, which neither the paper's size nor its rules bear out.", ("scale-conflict",))
    return _limited(
        mm_per_px,
        _SD_UNCHECKED,
        "file",
        f"{sentence}; neither the paper's size nor its rules could confirm it.",
        checks,
        ("scale-from-file-unchecked",),
    )


def _pitch_check(pitch_px: float | None, mm_per_px: float) -> tuple[str, ...]:
    """Say how the pitch of the rules fits the scale."""
    if pitch_px is None:
        return ()
    pitch = pitch_px * mm_per_px
    standard = nearest_standard(pitch)
    if standard is None:
        return (f"The writing lines come out {pitch:.2f} mm apart, which is no listed pitch.",)
    if standard.printed_small:
        return (
            f"The writing lines come out {pitch:.2f} mm apart, as {standard.pitch_mm:g} mm paper does when printed to "
            "fit a shorter sheet: check with a ruler.",
        )
    return (f"The writing lines come out {pitch:.2f} mm apart, which agrees with {standard.pitch_mm:g} mm paper.",)


def _paper_named(size: tuple[float, float]) -> str | None:
    """Return the standard paper of this size (mm, either way up, 2.5 % or 4 mm either way)."""
    for name, (short, tall) in _PAPERS.items():
        for w, h in ((short, tall), (tall, short)):
            if abs(size[0] - w) < max(4.0, 0.02 * w) and abs(size[1] - h) < max(4.0, 0.025 * h):
                return f"{name} paper"
    return None


def _stated_size(page: Page) -> tuple[float, float]:
    """Return width and height in mm by the file's own claim; zero without one."""
    height, width = page.grey.shape
    across, down = page.claimed_dpi or (np.inf, np.inf)
    return float(width / across * INCH_MM), float(height / down * INCH_MM)


def _impossible(page: Page) -> bool:
    """Tell whether the claim makes the picture a sheet of no size that is written on."""
    width, height = _stated_size(page)
    named = _paper_named((width, height))
    if named is not None:
        return False
    whole = _sheet_shape(width / height)
    return (
        (whole and not 0.35 < width * height / (210 * 297) < 2.2) or max(width, height) > 450 or min(width, height) < 15
    )


def _sheet_shape(ratio: float) -> bool:
    """Tell whether width to height is that of an A or B sheet or of letter paper, either way up."""
    ratio = min(ratio, 1 / ratio)
    return any(abs(ratio * tall / short - 1) < _NEAR for short, tall in _PAPERS.values())


def _paper_resolution(page: Page) -> tuple[str, float] | None:
    """Return paper and resolution when the picture is, to a few pixels, a whole sheet at a scanner's resolution."""
    height, width = page.grey.shape
    for name in ("A4", "letter"):
        short, tall = _PAPERS[name]
        for dpi in (150, 200, 300, 400, 600):
            for w, h in ((short, tall), (tall, short)):
                if (
                    abs(width - w / INCH_MM * dpi) <= 0.004 * width
                    and abs(height - h / INCH_MM * dpi) <= 0.004 * height
                ):
                    return name, float(dpi)
    return None
