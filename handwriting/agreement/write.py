"""What a paper needs of a comparison: ``agreement.csv`` (tidy, unrounded), ``agreement.html``, ``grras.md``.

GRRAS: Kottner et al. (2011), J Clin Epidemiol 64, 96-106, fifteen items on reporting reliability and agreement; the
items are named in our own words, after a reading of its abstract and table.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import io
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

import handwriting
from handwriting.agreement.compare import Comparison, Group, Ordinal, Pair
from handwriting.agreement.plots import difference_plot
from handwriting.batch.methods import counted
from handwriting.quantity import NotMeasured
from handwriting.reliability import Agreement, Estimate
from handwriting.report.table import safe
from handwriting.report.write import write_files

COLUMNS = ("measure", "who", "statistic", "value", "low", "high", "unit", "n", "left_out", "note")


def write_agreement(comparisons: Sequence[Comparison], folder: Path) -> dict[str, Path]:
    """Write the three files into a folder, all or none."""
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(COLUMNS)
    for comparison in comparisons:
        table.writerows([_cell(v) for v in row] for row in rows(comparison))
    contents = {
        "agreement.csv": text.getvalue(),
        "agreement.html": _html(comparisons),
        "grras.md": grras(comparisons),
    }
    return write_files(folder, {name: content.encode("utf-8") for name, content in contents.items()})


Row = tuple[str, str, str, float | str, float | str, float | str, str, int, int | str, str]


def rows(comparison: Comparison) -> Iterator[Row]:
    """Yield every number of a comparison, one a row."""
    for group in comparison.groups:
        yield from _group_rows(comparison, group)
    for pair in comparison.pairs:
        yield from _pair_rows(comparison, pair)
    for ordinal in comparison.ordinal:
        yield _kappa_row(comparison, ordinal)


def _group_rows(comparison: Comparison, group: Group) -> Iterator[Row]:
    n, out, who = len(group.samples), group.left_out, f"{group.title} ({', '.join(group.columns)})"
    if isinstance(group.icc, NotMeasured):
        yield (comparison.measure, who, "ICC", "", "", "", "1", n, out, group.icc.why)
    else:
        for one in group.icc:
            statistic = f"{one.form} = {one.name}"
            yield (comparison.measure, who, statistic, one.value, one.low, one.high, "1", n, out, one.model)
    if group.error is not None:
        e = group.error
        df = f"{e.df} degrees of freedom"
        for statistic, value in (
            ("SEM agreement", e.sem_agreement),
            ("SEM consistency", e.sem_consistency),
            ("SDC agreement", e.sdc_agreement),
            ("SDC consistency", e.sdc_consistency),
        ):
            yield (comparison.measure, who, statistic, value, "", "", comparison.unit, n, out, df)


def _pair_rows(comparison: Comparison, pair: Pair) -> Iterator[Row]:
    who, n, out = f"{pair.first} minus {pair.second}", len(pair.group.samples), pair.group.left_out
    limits = pair.limits
    if isinstance(limits, NotMeasured):
        yield (comparison.measure, who, "limits of agreement", "", "", "", comparison.unit, n, out, limits.why)
        return

    def row(statistic: str, e: Estimate, unit: str, note: str = "") -> Row:
        return (comparison.measure, who, statistic, e.value, e.low, e.high, unit, n, out, note)

    yield row("bias", limits.bias, comparison.unit)
    yield (comparison.measure, who, "SD of differences", limits.sd, "", "", comparison.unit, n, out, "")
    yield row("lower limit of agreement", limits.lower, comparison.unit)
    yield row("upper limit of agreement", limits.upper, comparison.unit)
    yield row("slope of difference on mean", limits.slope, "1", f"proportional bias: p = {limits.slope_p:.3g}")
    note = f"spread growing with the mean: p = {limits.spread_p:.3g}"
    yield (comparison.measure, who, "slope of spread on mean", limits.spread_slope, "", "", "1", n, out, note)
    if isinstance(pair.ratio, tuple):
        who = f"{pair.first} over {pair.second}"
        for statistic, e in zip(("ratio bias", "lower ratio limit", "upper ratio limit"), pair.ratio, strict=True):
            yield (comparison.measure, who, statistic, e.value, e.low, e.high, "1", n, out, "because the spread grows")


def _kappa_row(comparison: Comparison, o: Ordinal) -> Row:
    who, statistic = f"{o.first} and {o.second}", f"kappa, {o.weights} weights"
    if isinstance(o.value, NotMeasured):
        return (comparison.measure, who, statistic, "", "", "", "1", o.n, "", o.value.why)
    return (comparison.measure, who, statistic, o.value.value, o.value.low, o.value.high, "1", o.n, "", "")


def _cell(value: float | str) -> str:
    return f"{value:.12g}" if isinstance(value, (int, float)) else safe(value)


def _html(comparisons: Sequence[Comparison]) -> str:
    folder = resources.files("handwriting.agreement.templates")
    style = folder.joinpath("agreement.css").read_text("utf-8")
    template = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).from_string(folder.joinpath("agreement.html.j2").read_text("utf-8"))
    shown = [
        {
            "measure": c.measure,
            "unit": "" if c.unit in {"", "1"} else c.unit,
            "rows": [tuple(_rounded(v) for v in row) for row in rows(c)],
            "plots": [_plot(pair, c.unit) for pair in c.pairs],
        }
        for c in comparisons
    ]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return template.render(
        comparisons=shown, style=style, style_hash=f"sha256-{digest}", version=handwriting.__version__
    )


def _plot(pair: Pair, unit: str) -> tuple[str, Markup, str]:
    limits = pair.limits
    said = ""
    if isinstance(limits, Agreement):
        leans = limits.slope.low > 0 or limits.slope.high < 0
        said = (
            f"The difference {'changes' if leans else 'does not show a change'} with the mean (slope "
            f"{limits.slope.value:.3g}, {limits.slope.low:.3g} to {limits.slope.high:.3g})."
        )
        if isinstance(pair.ratio, tuple):
            bias, low, high = pair.ratio
            said += (
                f" Its spread grows with the mean, so ratios suit better: {bias.value:.3g} times, limits "
                f"{low.value:.3g} to {high.value:.3g}."
            )
    return f"{pair.first} minus {pair.second}", difference_plot(pair, unit), said


def _rounded(value: float | str) -> str:
    if isinstance(value, str):
        return value
    return str(value) if isinstance(value, int) else f"{value:.3g}"


def grras(comparisons: Sequence[Comparison]) -> str:
    """Return the reporting form: filled where the data say it, marked where only the researcher can."""
    yours = "*For you to fill in.*"
    groups = [g for c in comparisons for g in c.groups]
    samples = {s for g in groups for s in g.samples}
    raters = {name for g in groups for name in g.columns} | {
        n for c in comparisons for o in c.ordinal for n in (o.first, o.second)
    }
    people = sorted(r for r in raters if r not in {"tool", "mean of raters"} and " " not in r)
    again = sorted({g.columns[0].rsplit(" ", 1)[0] for g in groups if g.title.endswith("with themself")})
    readings = f"{', '.join(again)} read pages more than once" if again else "each rater read each page once"
    statistics = (
        "ICC in six forms with F intervals (names after Shrout & Fleiss 1979, McGraw & Wong 1996), standard error of "
        "measurement of both kinds, smallest detectable change 1.96 sqrt(2) SEM, limits of agreement with intervals of "
        "bias and of both limits, slope of difference on mean, ratio limits where the spread grows with the mean"
    )
    if any(c.ordinal for c in comparisons):
        statistics += ", weighted kappa (linear and quadratic weights) for ordinal ratings"
    items = [
        ("Title and abstract say that reliability or agreement was studied", yours),
        (
            "The instrument",
            f"handwriting {handwriting.__version__}; measures: {', '.join(c.measure for c in comparisons)}.",
        ),
        ("People whose handwriting it was", yours),
        ("Raters and their training", f"{counted(len(people), 'rater')}: {', '.join(people)}. {yours}"),
        ("What was known before, and why this study", yours),
        (
            "How many samples, raters and readings, and why so many",
            f"{counted(len(samples), 'sample')}; {readings}. {yours}",
        ),
        ("How samples and raters were chosen", yours),
        ("How it was measured: setting, time between readings, blinding", yours),
        ("Were readings independent of each other", f"The program's are: it sees no rater's reading. {yours}"),
        ("Statistics", f"{statistics}."),
        (
            "Actual numbers read",
            f"{_numbers(groups)} Samples that not everyone had read were left out of a comparison and are counted.",
        ),
        ("Characteristics of samples and raters", yours),
        (
            "Reliability and agreement with uncertainty",
            "See agreement.csv: every estimate with its 95 % interval, n, and samples left out.",
        ),
        ("What it means in practice", yours),
        ("Where the details are", "agreement.csv, agreement.html, and the study's tables with their codebook."),
    ]
    lines = [
        "# Reliability and agreement: reporting form",
        "",
        "After GRRAS (Kottner et al. 2011, J Clin Epidemiol 64, 96-106).",
        "",
    ]
    for number, (item, said) in enumerate(items, start=1):
        lines += [f"{number}. **{item}.** {said}"]
    return "\n".join(lines) + "\n"


def _numbers(groups: Sequence[Group]) -> str:
    if not groups:
        return "See n in agreement.csv."
    return (
        f"Between {min(len(g.samples) for g in groups)} and {max(len(g.samples) for g in groups)} samples a comparison."
    )
