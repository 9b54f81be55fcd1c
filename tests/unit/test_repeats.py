"""Measurement error from repeats, against the worked data of Bland & Altman and against scipy."""

import math

import numpy as np
import pytest
from pages_over_time import measured, sample

from handwriting.repeats import by_condition, errors, like, repeats_of, scanned_again

# Bland & Altman 1986, Lancet i, 307-310 (the authors' own page): Wright peak flow meter, 17 subjects twice, l/min.
WRIGHT = (
    (494, 490), (395, 397), (516, 512), (434, 401), (476, 470), (557, 611), (413, 415), (442, 431), (650, 638),
    (433, 429), (417, 420), (656, 633), (267, 275), (478, 492), (178, 165), (423, 372), (427, 421),
)  # fmt: skip


def groups_of(pairs, key="x", unit="deg", **fields):
    return [
        tuple(
            sample(day, {key: measured(v, unit)}, code=f"R{i:02d}", **fields)
            for day, v in zip(("2026-03-02", "2026-03-04", "2026-03-05"), values, strict=False)
        )
        for i, values in enumerate(pairs)
    ]


def test_pairs_give_bland_and_altmans_figures():
    found = repeats_of(groups_of(WRIGHT))["x"]
    assert (found.pupils, found.groups, found.pages, found.df) == (17, 17, 34, 17)
    assert found.sem == pytest.approx(15.3067, abs=5e-5)  # s_w of the paper: 15.3
    assert found.sdc == pytest.approx(1.959964 * math.sqrt(2) * 15.3067, abs=1e-3)
    first, second = np.array(WRIGHT).T
    assert found.agreement.bias.value == pytest.approx((first - second).mean())
    assert found.agreement.sd == pytest.approx((first - second).std(ddof=1))
    assert found.icc.form == "ICC(1,1)" and found.icc.value == pytest.approx(0.983, abs=1e-3)
    assert found.low < found.sem < found.high


def test_groups_of_unlike_sizes_are_pooled_by_their_degrees_of_freedom():
    found = errors(groups_of([(1.0, 3.0), (10.0, 10.0, 13.0)]))["x"]
    assert found.df == 3
    assert found.sd == pytest.approx(math.sqrt((2.0 + 6.0) / 3))


def test_sizes_and_gaps_stray_as_a_share_of_themselves():
    pairs = [(1.0, 1.1), (10.0, 11.0), (5.0, 5.5)]
    relative = errors(groups_of(pairs, "x_height", "mm"))["x_height"]
    assert relative.relative and relative.sd == pytest.approx(0.1 / 1.05 / math.sqrt(2))
    assert relative.at(10.0) == pytest.approx(10 * relative.sd)
    plain = errors(groups_of(pairs, "rule_distance", "mm"))["rule_distance"]
    assert not plain.relative and plain.at(10.0) == plain.sd
    assert not errors(groups_of([(0.0, 0.1), (0.2, 0.1)], "space_overlap", "1"))["space_overlap"].relative


def test_a_measure_without_any_spread_is_left_out():
    assert errors(groups_of([(1.0, 1.0), (2.0, 2.0)])) == {}


def test_units_are_never_pooled():
    mixed = groups_of([(1.0, 2.0)], "x_height", "mm") + groups_of([(10.0, 20.0)], "x_height", "px")
    assert errors(mixed)["x_height"].df == 1


def test_only_repeats_of_the_same_task_and_paper_speak():
    pen, pencil = groups_of(WRIGHT[:3]), groups_of(WRIGHT[3:5], tool="pencil")
    assert like([*pen, *pencil], sample("2026-06-01")) == tuple(pen)
    assert [len(own) for _, own in by_condition([*pencil, *pen])] == [3, 2]


def test_pages_scanned_again_are_gathered_by_their_page():
    page, other = sample("2026-03-02"), sample("2026-03-02")
    scans = [sample("2026-03-02", rescan_of=page.number) for _ in range(2)]
    assert scanned_again([other, *scans, page]) == ((page, *scans),)


def test_limits_as_ratios_where_differences_grow():
    rng = np.random.default_rng(2)
    base = rng.uniform(1, 50, 60)
    pairs = [(b * np.exp(0.1 * rng.normal()), b * np.exp(0.1 * rng.normal())) for b in base]
    found = repeats_of(groups_of(pairs, "x_height", "mm"))["x_height"]
    assert found.ratios is not None
    assert found.ratios[1].value < 1 < found.ratios[2].value
    even = repeats_of(groups_of(WRIGHT))["x"]
    assert even.ratios is None


def test_one_pair_gives_a_spread_and_no_limits():
    found = repeats_of(groups_of([(1.0, 3.0)]))["x"]
    assert found.df == 1 and found.icc is None and found.agreement is None
