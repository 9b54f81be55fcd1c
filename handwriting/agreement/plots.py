"""The difference plot of two columns of readings as inline SVG: every pair, bias and limits with their intervals."""

from __future__ import annotations

from markupsafe import Markup, escape

from handwriting.agreement.compare import Pair
from handwriting.quantity import NotMeasured
from handwriting.report.charts import ticks

_W, _H, _LEFT, _RIGHT, _TOP, _BOTTOM = 620.0, 330.0, 62.0, 118.0, 14.0, 44.0
_INK, _BAND, _DOT = "#1b2127", "#bfe0f5", "#0061a8"
_FONT = 'font-family="Helvetica, Arial, sans-serif" font-size="11"'


def difference_plot(pair: Pair, unit: str) -> Markup:
    """Return the plot; empty when there are no limits to draw."""
    limits = pair.limits
    if isinstance(limits, NotMeasured):
        return Markup("")
    table = pair.group.table
    difference, middle = table[:, 0] - table[:, 1], table.mean(axis=1)
    lines = (("upper limit", limits.upper), ("bias", limits.bias), ("lower limit", limits.lower))
    across = ticks(float(middle.min()), float(middle.max()))
    up = ticks(min(float(difference.min()), limits.lower.low), max(float(difference.max()), limits.upper.high))

    def x(value: float) -> float:
        return _LEFT + (value - across[0]) / (across[-1] - across[0]) * (_W - _LEFT - _RIGHT)

    def y(value: float) -> float:
        return _H - _BOTTOM - (value - up[0]) / (up[-1] - up[0]) * (_H - _TOP - _BOTTOM)

    shapes = []
    for name, line in lines:
        top, bottom = y(line.high), y(line.low)
        place = f'x="{_LEFT}" y="{top:.1f}" width="{_W - _LEFT - _RIGHT}" height="{bottom - top:.1f}"'
        shapes.append(f'<rect {place} fill="{_BAND}"/>')
        dash = "" if name == "bias" else ' stroke-dasharray="6 4"'
        shapes.append(_line(_LEFT, y(line.value), _W - _RIGHT, y(line.value), dash))
        shapes.append(_words(_W - _RIGHT + 6, y(line.value) + 4, f"{name} {line.value:.3g}", "start"))
    shapes += [_line(_LEFT, _TOP, _LEFT, _H - _BOTTOM), _line(_LEFT, _H - _BOTTOM, _W - _RIGHT, _H - _BOTTOM)]
    for value in across:
        shapes.append(_line(x(value), _H - _BOTTOM, x(value), _H - _BOTTOM + 4))
        shapes.append(_words(x(value), _H - _BOTTOM + 16, f"{value:.6g}", "middle"))
    for value in up:
        shapes.append(_line(_LEFT - 4, y(value), _LEFT, y(value)))
        shapes.append(_words(_LEFT - 7, y(value) + 4, f"{value:.6g}", "end"))
    shapes += [
        f'<circle cx="{x(float(m)):.1f}" cy="{y(float(d)):.1f}" r="3" fill="none" stroke="{_DOT}" stroke-width="1.4"/>'
        for m, d in zip(middle, difference, strict=True)
    ]
    of = f", {unit}" if unit and unit != "1" else ""
    shapes.append(_words((_LEFT + _W - _RIGHT) / 2, _H - 8, f"mean of {pair.first} and {pair.second}{of}", "middle"))
    title = (
        f"Differences, {pair.first} minus {pair.second}{of}, against their mean for {limits.n} samples: bias "
        f"{limits.bias.value:.3g}, limits {limits.lower.value:.3g} and {limits.upper.value:.3g}"
    )
    size = f'xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_W:.0f} {_H:.0f}"'
    # Every text in it was escaped.
    return Markup(f'<svg {size} role="img" aria-label="{escape(title)}">{"".join(shapes)}</svg>')


def _line(x1: float, y1: float, x2: float, y2: float, dash: str = "") -> str:
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {ends} stroke="{_INK}" stroke-width="1"{dash}/>'


def _words(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{_INK}" {_FONT}>{escape(words)}</text>'
