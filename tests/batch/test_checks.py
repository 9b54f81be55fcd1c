"""A study looked over: each kind of trouble put into tables by hand and found, and a study without any left alone.

Robust distances are held to an independent estimate (minimum covariance determinant, scikit-learn).
"""

import csv

import numpy as np
import pytest
from scipy import stats

from handwriting.batch.checks import _far_out, check_study, robust_distance
from handwriting.batch.columns import WORDS, samples_columns
from handwriting.errors import StudyError

NAMES = [c.name for c in samples_columns(("nth",), {})]


def rows(count=80, seed=5):
    chance = np.random.default_rng(seed)
    return [
        {
            "sample": f"s{i:03d}",
            "participant": f"P{i:03d}",
            "occasion": "1",
            "outcome": "measured",
            "page": "1",
            "sha256": f"{i:064x}",
            "text_sha256": "ab" * 32,
            "mm_per_px": "0.0847",
            "claimed_dpi": "300 x 300",
            "format": "PNG",
            "scale_source": "paper",
            "ruling": "single",
            "rule_pitch_mm": f"{8 + chance.normal(0, 0.01):.4f}",
            "x_height": f"{chance.normal(3, 0.4):.4f}",
            "height_cv": f"{chance.normal(0.15, 0.02):.4f}",
            "slant": f"{chance.normal(84, 4):.4f}",
            "word_space_ratio": f"{chance.normal(2, 0.3):.4f}",
            "nth": str(count - i),
        }
        for i in range(count)
    ]


def look(folder, samples, words=(), **how):
    for name, columns, content in (("samples", NAMES, samples), ("words", [c.name for c in WORDS], words)):
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            table = csv.DictWriter(file, columns)
            table.writeheader()
            table.writerows(content)
    return check_study(folder, **how)


def test_a_study_without_trouble_is_left_alone(tmp_path):
    assert look(tmp_path, rows()) == ()


def test_the_same_file_and_the_same_writing(tmp_path):
    samples = rows()
    samples[7]["sha256"] = samples[3]["sha256"]
    chance = np.random.default_rng(2)
    words = []
    for name in ("s010", "s011", "s012"):
        if name != "s011":
            lefts = np.sort(chance.uniform(20, 180, (3, 6)), axis=1)
        for line in range(3):
            for k in range(6):
                left = lefts[line, k] + (2.5 if name == "s011" else 0) + chance.normal(0, 0.1)
                words.append({"sample": name, "line": line + 1, "word": k, "left": left, "right": left + 4})
    found = look(tmp_path, samples, words)
    assert [(f.kind, f.samples) for f in found] == [("same file", "s003 s007"), ("same writing", "s010 s011")]


def test_mixed_rulings_texts_and_tasks_name_the_few(tmp_path):
    samples = rows()
    samples[4] |= {"ruling": "", "rule_pitch_mm": ""}
    samples[5]["text_sha256"] = "cd" * 32
    samples[6]["task"] = "memory"
    found = {f.kind: f for f in look(tmp_path, samples)}
    assert found["mixed texts"].samples == "s005" and "79 pages" in found["mixed texts"].what
    assert found["mixed task"].samples == "s006"
    assert "s004" in found["mixed rulings"].samples.split() and "no rules: 1 page" in found["mixed rulings"].what


def test_dates_and_ages_that_cannot_be(tmp_path):
    samples = rows()
    pairs = [
        ("2026-03-02", "100", "2026-01-02", "98"),  # the second occasion is the earlier
        ("2026-03-02", "100", "2026-03-02", "100"),  # both on one day
        ("2026-01-02", "100", "2026-03-02", "109"),  # nine months older after two
        ("2026-01-02", "100", "2026-03-02", "101"),  # nothing wrong: a birthday may lie either way
    ]
    for i, (day1, age1, day2, age2) in enumerate(pairs):
        for j, (day, age) in enumerate(((day1, age1), (day2, age2))):
            samples[2 * i + j] |= {"participant": f"Q{i}", "occasion": str(j + 1), "date": day, "age_months": age}
    found = [(f.kind, f.samples) for f in look(tmp_path, samples)]
    assert found == [("dates", "s001 s000"), ("dates", "s002 s003"), ("dates", "s004 s005")]


def test_a_change_of_scanner_and_drift_along_the_order_of_scanning(tmp_path):
    samples = rows()
    for row in samples[50:]:
        row |= {"claimed_dpi": "200 x 200", "format": "JPEG"}
    for i, row in enumerate(samples):
        row["rule_pitch_mm"] = f"{8 + 0.002 * i:.4f}"
    found = {f.kind: f for f in look(tmp_path, samples)}
    assert found["scanner"].samples == "s050" and "from s050 on 200 x 200 JPEG" in found["scanner"].what
    assert "rule_pitch_mm moves by +0.158" in found["drift"].what
    backwards = {f.kind: f for f in look(tmp_path, samples, order="nth")}
    assert "rule_pitch_mm moves by -0.158" in backwards["drift"].what
    assert backwards["scanner"].samples == "s049"
    with pytest.raises(StudyError, match="order"):
        look(tmp_path, samples, order="colour")


def test_a_page_far_from_the_others_by_how_measures_go_together(tmp_path):
    samples = rows(200)
    for row in samples:
        row["height_cv"] = (
            f"{0.05 * float(row['x_height']) + np.random.default_rng(int(row['sample'][1:])).normal(0, 0.004):.4f}"
        )
    samples[33] |= {"x_height": "2.2", "height_cv": "0.19"}  # neither is far out by itself
    found = [f for f in look(tmp_path, samples) if f.kind == "far from the others"]
    assert found and found[0].samples == "s033"


def test_studies_without_any_such_page_seldom_name_one():
    named = [len(list(_far_out(rows(120, seed)))) for seed in range(60)]
    assert sum(n > 0 for n in named) <= 9, "a chance of 5 % each: ten or more of 60 come once in a thousand times"


def test_robust_distances_against_an_independent_estimate():
    covariance = pytest.importorskip("sklearn.covariance")
    chance = np.random.default_rng(9)
    mix = chance.normal(size=(4, 4))
    table = chance.normal(size=(600, 4)) @ mix
    table[:40] = table[:40] * 0.2 + 9 * mix[0]
    ours = robust_distance(table)
    theirs = np.sqrt(covariance.MinCovDet(random_state=0).fit(table).mahalanobis(table))
    limit = np.sqrt(stats.chi2.ppf(0.999, 4))
    assert (ours[:40] > limit).all() and (theirs[:40] > limit).all()
    assert (ours[40:] > limit).mean() < 0.01
    assert np.corrcoef(ours[40:], theirs[40:])[0, 1] > 0.99
    assert np.median(ours[40:] / theirs[40:]) == pytest.approx(1.0, abs=0.07)


def test_a_folder_without_tables(tmp_path):
    with pytest.raises(StudyError, match=r"samples\.csv"):
        check_study(tmp_path)
