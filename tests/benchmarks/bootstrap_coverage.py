"""Print how often each bootstrap interval holds the writer's value, by lines, marks, and how much lines differ.

Run ``python tests/benchmarks/bootstrap_coverage.py --pages 600``; the default interval of `line_bootstrap` was chosen
on its table. Pages have a short last line; ``between`` is the share of the variance that lies between lines.
"""

import argparse
import sys

import numpy as np

from handwriting import statistics as s
from handwriting.bootstrap import line_bootstrap

METHODS = ("small-cluster", "percentile", "expanded", "bca", "bootstrap-t")
STATISTICS = {"mean": s.MEAN, "SD": s.SD, "CV": s.CV, "median": s.MEDIAN, "robust CV": s.ROBUST_CV}
TRUE = {"mean": 1.0, "SD": 0.2, "CV": 0.2, "median": 1.0, "robust CV": 0.2}


def draw_page(rng, lines, marks, between):
    """Return the marks of one page, normal, mean 1, SD 0.2, by line."""
    sizes = [marks] * (lines - 1) + [max(2, marks // 3)]
    shift = 0.2 * np.sqrt(between) * rng.normal(size=lines)
    return [1 + shift[i] + 0.2 * np.sqrt(1 - between) * rng.normal(size=n) for i, n in enumerate(sizes)]


def main():
    """Print the table: coverage in per cent and median width for each method."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pages", type=int, default=600)
    parser.add_argument("--draws", type=int, default=600)
    parser.add_argument("--methods", nargs="+", default=METHODS[:4], choices=METHODS)
    parser.add_argument("--lines", nargs="+", type=int, default=[4, 7, 12, 15])
    parser.add_argument("--marks", type=int, default=25)
    told = parser.parse_args()
    write = sys.stdout.write
    write(f"{'lines':>5} {'between':>7} {'statistic':>10} " + " ".join(f"{m:>20}" for m in told.methods) + "\n")
    for lines in told.lines:
        for between in (0.0, 0.1, 0.3):
            pages = [
                draw_page(np.random.default_rng([lines, i]), lines, told.marks, between) for i in range(told.pages)
            ]
            for name, statistic in STATISTICS.items():
                cells = []
                for method in told.methods:
                    ends = [line_bootstrap(p, statistic, seed=1, draws=told.draws, method=method) for p in pages]
                    ends = np.array([(i.low, i.high) for i in ends if isinstance(i, s.Interval)])
                    hits = (ends[:, 0] <= TRUE[name]) & (TRUE[name] <= ends[:, 1])
                    cells.append(f"{100 * hits.mean():11.1f} ({np.median(ends[:, 1] - ends[:, 0]):.4f})")
                write(f"{lines:5d} {between:7.1f} {name:>10} " + " ".join(f"{c:>20}" for c in cells) + "\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main()
