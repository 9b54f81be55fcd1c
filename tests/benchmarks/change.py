"""Claims of change against what is known: simulated pupils on phantom pages whose true change and page luck are set.

    python tests/benchmarks/change.py --quick --schools 60 --pairs 1000 --changed 400     seconds
    python tests/benchmarks/change.py --schools 12 --pairs 200 --changed 60               minutes

Every page is laid out by `handwriting.phantoms` (letters, words and lines as they fall, no picture), by a pupil whose
hand differs from page to page by a known amount beside the luck of the letters. Each school has its own repeats: two
pages by each of `pupils` pupils. Then come pairs without any true change, and pairs whose true change is twice the
smallest detectable change. Printed for each measure: how often a change is claimed where there is none, how often it
is found, and how often the interval of the difference holds the true one. With ``--quick`` the luck of a page's letters
is one normal number a measure instead of letters laid out.

What it does not do: measure pictures. The error of measuring a picture is small beside that of a new page
(tests/benchmarks/accuracy.py); here it is left out, so that 1,000 pairs can be drawn.
"""

import argparse
import datetime as dt
import sys
from collections import defaultdict
from dataclasses import replace

import numpy as np

from handwriting.bootstrap import line_bootstrap
from handwriting.change import Ruled, Sample, compare, occasions
from handwriting.phantoms import PASSAGES, Paper, Writer
from handwriting.phantoms.alphabet import BODY
from handwriting.phantoms.layout import lay_out
from handwriting.quantity import Measured
from handwriting.repeats import errors
from handwriting.statistics import CV, MEAN

PAPER = Paper()
KEYS = {"x_height": "mm", "height_cv": "1", "slant": "deg", "word_space": "mm"}
#: How far one pupil's page strays from the pupil's own hand, as SD: share of the set value, or degrees for the slant.
STRAY = {"x_height": 0.03, "height_cv": 0.10, "slant": 1.0, "word_space": 0.06}
_STATISTICS = {"x_height": MEAN, "height_cv": CV, "slant": MEAN, "word_space": MEAN}


def pupil(chance):
    """Return a pupil's own hand."""
    return Writer(
        x_height_mm=chance.uniform(2.2, 3.6),
        height_cv=chance.uniform(0.06, 0.14),
        slant_deg=chance.uniform(80, 98),
        slant_sd_deg=chance.uniform(2, 5),
        word_space_mm=chance.uniform(3.2, 5.5),
        word_space_cv=chance.uniform(0.12, 0.28),
    )


def changed(writer, by):
    """Return a hand that differs from `writer` by so much in each measure."""
    return replace(
        writer,
        x_height_mm=writer.x_height_mm + by["x_height"],
        height_cv=writer.height_cv + by["height_cv"],
        slant_deg=writer.slant_deg + by["slant"],
        word_space_mm=writer.word_space_mm + by["word_space"],
    )


def write(writer, code, day, chance):
    """Return the sample of one page by a pupil, its hand strayed for the day."""
    z = {key: size * chance.normal() for key, size in STRAY.items()}
    strayed = {
        "x_height": writer.x_height_mm * z["x_height"],
        "height_cv": writer.height_cv * z["height_cv"],
        "slant": z["slant"],
        "word_space": writer.word_space_mm * z["word_space"],
    }
    text = " ".join(PASSAGES[int(chance.integers(len(PASSAGES)))].split()[:45])
    lines, _ = lay_out(text, changed(writer, strayed), PAPER, chance)
    marks = {key: [[] for _ in lines] for key in KEYS}
    for place, line in enumerate(lines):
        for word in line.words:
            if word.gap is not None:
                marks["word_space"][place].append(word.gap)
            for letter in word.letters:
                marks["height_cv"][place].append(letter.drawn.size)
                marks["slant"][place].append(letter.drawn.slant_deg)
                if letter.char in BODY:
                    marks["x_height"][place].append(letter.core_top - letter.core_bottom)
    measures = {}
    for key, unit in KEYS.items():
        groups = [np.array(line) for line in marks[key] if line]
        flat = np.concatenate(groups)
        value = float(flat.std(ddof=1) / flat.mean()) if key == "height_cv" else float(flat.mean())
        ends = line_bootstrap(groups, _STATISTICS[key], seed=1, draws=200)
        measures[key] = Measured(value, unit, ends.low, ends.high, flat.size)
    page = f"{chance.integers(2**62):064x}"
    return Sample(code, day, page, measures, Ruled("single", 8.0), task="near-copy", instruction="usual", tool="pen")


def write_quickly(writer, code, day, chance):
    """Return a page as `write` does, its letters' luck drawn as one number a measure instead of laid out."""
    hand = {"x_height": writer.x_height_mm, "height_cv": writer.height_cv, "slant": writer.slant_deg}
    hand["word_space"] = writer.word_space_mm
    letters, words = 230, 50
    luck = {
        "x_height": writer.height_cv * writer.x_height_mm / (letters / 2) ** 0.5,
        "height_cv": writer.height_cv / (2 * letters) ** 0.5,
        "slant": writer.slant_sd_deg / letters**0.5,
        "word_space": writer.word_space_cv * writer.word_space_mm / words**0.5,
    }
    measures = {}
    for key, unit in KEYS.items():
        stray = STRAY[key] * (1 if key == "slant" else hand[key])
        value = hand[key] + stray * chance.normal() + luck[key] * chance.normal()
        measures[key] = Measured(value, unit, value - 1.96 * luck[key], value + 1.96 * luck[key], letters)
    page = f"{chance.integers(2**62):064x}"
    return Sample(code, day, page, measures, Ruled("single", 8.0), task="near-copy", instruction="usual", tool="pen")


FIRST, WITHIN, LATER = dt.date(2026, 3, 2), dt.date(2026, 3, 5), dt.date(2026, 6, 15)


def repeats(pupils, chance, write):
    """Return the repeats of a school: two pages within days by each of so many pupils."""
    found = []
    for number in range(pupils):
        hand = pupil(chance)
        found.append(tuple(write(hand, f"P{number:02d}", day, chance) for day in (FIRST, WITHIN)))
    return found


def simulate(schools, pupils, pairs, changed_pairs, seed=1, write=write):
    """Return, measure by measure, what was claimed and whether intervals held the truth, and families of claims."""
    held = [repeats(pupils, np.random.default_rng((seed, 0, n)), write) for n in range(schools)]
    error = [errors(groups) for groups in held]

    def step(hand, times):
        """Return a change of so many times the smallest detectable change, all schools' repeats taken together.

        Where the error is a share of the value, the SDC of a change is that at the middle of its two values, as the
        report prints it: b - a = times SDC((a + b) / 2).
        """
        about = {"x_height": hand.x_height_mm, "height_cv": hand.height_cv, "slant": hand.slant_deg}
        about["word_space"] = hand.word_space_mm
        found = {}
        for key, value in about.items():
            sdc = float(np.sqrt(np.mean([e[key].sdc() ** 2 for e in error])))
            half = times * sdc / 2
            found[key] = value * ((1 + half) / (1 - half) - 1) if error[0][key].relative else times * sdc
        return found

    told = {name: {key: defaultdict(int) for key in KEYS} for name in ("same", "changed")}
    families = defaultdict(int)
    for name, count, times in (("same", pairs, 0), ("changed", changed_pairs, 2)):
        for number in range(count):
            chance = np.random.default_rng((seed, 1 + (name == "changed"), number))
            hand = pupil(chance)
            by = step(hand, times)
            pages = [write(hand, "P99", FIRST, chance), write(changed(hand, by), "P99", LATER, chance)]
            found = compare(*occasions(pages), error[number % schools])
            for d in found.differences:
                counts = told[name][d.key]
                counts["n"] += 1
                counts[d.claim] += 1
                counts["held"] += d.low <= by[d.key] <= d.high
                counts["together"] += d.together
            if name == "same":
                families["n"] += 1
                families["any"] += any(d.claim == "larger" for d in found.differences)
                families["together"] += any(d.together for d in found.differences)
    return told, step(Writer(), 1), families


def main():
    """Simulate and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--schools", type=int, default=50)
    parser.add_argument("--pupils", type=int, default=12)
    parser.add_argument("--pairs", type=int, default=1000)
    parser.add_argument("--changed", type=int, default=300)
    parser.add_argument("--quick", action="store_true")
    asked = parser.parse_args()
    told, sdc, families = simulate(
        asked.schools, asked.pupils, asked.pairs, asked.changed, write=write_quickly if asked.quick else write
    )
    out = sys.stdout.write
    out(f"{asked.schools} schools with {asked.pupils} pairs of repeats each (df {asked.pupils})\n")
    out(f"{'measure':12} {'SDC':>8} {'false':>7} {'found':>7} {'holds, no change':>17} {'holds, changed':>15}\n")
    every = defaultdict(int)
    for key in KEYS:
        same, other = told["same"][key], told["changed"][key]
        for name in ("n", "larger"):
            every[name] += same[name]
        out(
            f"{key:12} {sdc[key]:8.3f} {same['larger'] / same['n']:7.1%} {other['larger'] / other['n']:7.1%}"
            f" {same['held'] / same['n']:17.1%} {other['held'] / other['n']:15.1%}\n"
        )
    out(f"all measures: false claims {every['larger'] / every['n']:.1%} of {every['n']}\n")
    out(f"pairs with any false claim: {families['any'] / families['n']:.1%}; that holds with all measures at once: ")
    out(f"{families['together'] / families['n']:.1%} of {families['n']}\n")


if __name__ == "__main__":
    main()
