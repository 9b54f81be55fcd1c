"""The few colours of the outputs, as sRGB hex, chosen to stay apart for colour-blind readers and in grey print.

No colour carries meaning alone: every mark also has its own line style or shape. Text reaches a contrast of 4.5:1 on
the paper, marks 3:1 (W3C, WCAG 2.2, criteria 1.4.3 and 1.4.11).
"""

from __future__ import annotations

PAPER = "#ffffff"
PANEL = "#f3f5f7"
TEXT = "#1a1f24"
QUIET = "#4a5560"
HAIRLINE = "#7d8790"
BASELINE = "#0061a8"
BAND = "#bfe0f5"
RULE = "#7a4b9a"
MARGIN = "#b3470e"
WORD = "#8a5a00"
LETTER = "#00695c"
STATE = "#a3195b"
MINUTE = "#3d3a8c"
PRINT = "#3c444c"
RULER = "#a0256e"


def rgb(colour: str) -> tuple[int, int, int]:
    """Return a hex colour as red, green, blue from 0 to 255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour, 0 to 1 (WCAG 2.2, definition of relative luminance)."""
    parts = [c / 255 for c in rgb(colour)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2, definition of contrast ratio)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
