"""The tool against raters, from two tables to every number, held to published data and to independent libraries.

Data: Shrout & Fleiss (1979), Psychological Bulletin 86, 420-428; Bland & Altman (1986), Lancet i, 307-310, read on the
authors' own page; worked values as in `tests/external`. Libraries: pingouin (ICC), statsmodels (kappa, means).
"""

import csv
import re
import warnings

import numpy as np
import pytest
from scipy import stats

from handwriting.agreement.compare import compare
from handwriting.agreement.read import read_raters, read_tool
from handwriting.agreement.write import write_agreement
from handwriting.cli import main
from handwriting.errors import ManifestError, UsageError

JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def tables(folder, tool, readings, head=("sample", "rater", "measure", "value")):
    with (folder / "tool.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(tool)
    with (folder / "raters.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, *readings])
    return read_tool(folder / "tool.csv"), read_raters(folder / "raters.csv")


def numbers(folder, comparisons):
    write_agreement(comparisons, folder)
    with (folder / "agreement.csv").open(encoding="utf-8", newline="") as file:
        return {(r["measure"], r["who"], r["statistic"]): r for r in csv.DictReader(file)}


def test_four_judges(tmp_path):
    readings = [(f"T{i}", f"J{j}", "score", v) for i, row in enumerate(JUDGES) for j, v in enumerate(row)]
    tool, raters = tables(tmp_path, [("sample", "score"), ("elsewhere", 1)], readings)
    found = numbers(tmp_path, compare(tool, raters))
    who = "raters with each other (J0, J1, J2, J3)"
    expected = {
        "ICC(1,1) = ICC(1)": (0.165742, -0.1329, 0.7226),
        "ICC(2,1) = ICC(A,1)": (0.289764, 0.0188, 0.7611),
        "ICC(3,1) = ICC(C,1)": (0.714841, 0.3425, 0.9459),
        "ICC(1,4) = ICC(k)": (0.442797, -0.8844, 0.9124),
        "ICC(2,4) = ICC(A,k)": (0.620051, 0.0711, 0.9272),
        "ICC(3,4) = ICC(C,k)": (0.909316, 0.6757, 0.9859),
    }
    for statistic, (value, low, high) in expected.items():
        row = found["score", who, statistic]
        assert float(row["value"]) == pytest.approx(value, abs=5e-7)
        assert (float(row["low"]), float(row["high"])) == pytest.approx((low, high), abs=6e-5)
        assert row["n"] == "6" and row["note"]
    for statistic, value in {
        "SEM agreement": 2.5028,
        "SEM consistency": 1.0097,
        "SDC agreement": 6.937,
        "SDC consistency": 2.799,
    }.items():
        assert float(found["score", who, statistic]["value"]) == pytest.approx(value, abs=6e-4)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pd, pingouin = pytest.importorskip("pandas"), pytest.importorskip("pingouin")
        long = pd.DataFrame(readings, columns=["page", "rater", "measure", "value"])
        peer = pingouin.intraclass_corr(long, targets="page", raters="rater", ratings="value")
    ours = [float(found["score", who, s]["value"]) for s in expected]
    assert ours == pytest.approx(list(peer["ICC"]), abs=1e-9)


def test_peak_flow_meters(tmp_path):
    tool, raters = tables(
        tmp_path,
        [("sample", "flow"), *((f"S{i}", v) for i, v in enumerate(WRIGHT))],
        [(f"S{i}", "M", "flow", v) for i, v in enumerate(MINI)],
    )
    found = numbers(tmp_path, compare(tool, raters))
    who = "tool minus M"
    expected = {
        "bias": (-2.117647, -22.0488, 17.8135),
        "lower limit of agreement": (-78.0973, -112.6190, -43.5756),
        "upper limit of agreement": (73.8620, 39.3403, 108.3837),
    }
    for statistic, ends in expected.items():
        row = found["flow", who, statistic]
        # The intervals of the limits are 1.96 SD limits with the published standard error 16.2846 and t(16) 2.119905.
        assert (float(row["value"]), float(row["low"]), float(row["high"])) == pytest.approx(ends, abs=2e-3)
        assert row["n"] == "17"
    difference, middle = np.subtract(WRIGHT, MINI), np.add(WRIGHT, MINI) / 2
    line = stats.linregress(middle, difference)
    slope = found["flow", who, "slope of difference on mean"]
    assert float(slope["value"]) == pytest.approx(line.slope, abs=1e-9)
    assert f"p = {line.pvalue:.3g}" in slope["note"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        weightstats = pytest.importorskip("statsmodels.stats.weightstats")
        low, high = weightstats.DescrStatsW(difference).tconfint_mean()
    bias = found["flow", who, "bias"]
    assert (float(bias["low"]), float(bias["high"])) == pytest.approx((low, high), abs=1e-9)


def test_ratio_limits_where_the_spread_grows_and_only_there(tmp_path):
    chance = np.random.default_rng(3)
    true = chance.uniform(1, 20, 200)
    other = true * np.exp(chance.normal(0.05, 0.1, 200))
    level = true + chance.normal(0, 0.3, 200)
    tool = [("sample", "grows", "level"), *((f"S{i}", v, v) for i, v in enumerate(true))]
    readings = [(f"S{i}", "R", a, b) for i, (a, b) in enumerate(zip(other, level, strict=True))]
    found = numbers(tmp_path, compare(*tables(tmp_path, tool, readings, ("sample", "rater", "grows", "level"))))
    ratio = found["grows", "tool over R", "ratio bias"]
    assert float(ratio["value"]) == pytest.approx(float(np.exp(np.log(true / other).mean())), abs=1e-9)
    assert float(ratio["low"]) < np.exp(-0.05) < float(ratio["high"])
    assert not [key for key in found if key[0] == "level" and "ratio" in key[2]]


def test_weighted_kappa_of_ordinal_ratings(tmp_path):
    chance = np.random.default_rng(7)
    one = chance.integers(0, 5, 60)
    two = np.clip(one + chance.integers(-1, 2, 60), 0, 4)
    readings = [
        (f"S{i}", who, "legibility", int(v)) for who, values in (("A", one), ("B", two)) for i, v in enumerate(values)
    ]
    tool, raters = tables(tmp_path, [("sample", "x_height")], readings)
    found = numbers(tmp_path, compare(tool, raters, ratings=("legibility",)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        inter_rater = pytest.importorskip("statsmodels.stats.inter_rater")
    table = np.zeros((5, 5), int)
    np.add.at(table, (one, two), 1)
    for weights in ("linear", "quadratic"):
        peer = inter_rater.cohens_kappa(table, wt=weights)
        row = found["legibility", "A and B", f"kappa, {weights} weights"]
        assert float(row["value"]) == pytest.approx(float(peer.kappa), abs=1e-9)
        assert (float(row["low"]), float(row["high"])) == pytest.approx((peer.kappa_low, peer.kappa_upp), abs=1e-9)
    assert not [k for k in found if "ICC" in k[2]]
    with pytest.raises(UsageError, match="neatness"):
        compare(tool, raters, ratings=("neatness",))


def test_readings_again_and_samples_not_everyone_read(tmp_path):
    chance = np.random.default_rng(1)
    readings = []
    for i in range(12):
        true = chance.normal(3, 0.5)
        for rater in ("R1", "R2"):
            readings += [(f"S{i}", rater, k, true + chance.normal(0, 0.1)) for k in (1, 2)]
    readings = [r for r in readings if (r[0], r[1]) != ("S3", "R2")]
    tool = [("sample", "measure", "value", "unit"), *((f"S{i}", "x_height", 3.0 + 0.1 * i, "mm") for i in range(10))]
    tool, raters = tables(tmp_path, tool, readings, ("sample", "rater", "reading", "x_height"))
    comparisons = compare(tool, raters)
    found = numbers(tmp_path, comparisons)
    row = found["x_height", "raters with each other (R1, R2)", "ICC(2,1) = ICC(A,1)"]
    assert (row["n"], row["left_out"]) == ("11", "1")
    row = found["x_height", "R1 with themself (R1 1, R1 2)", "SEM consistency"]
    assert row["unit"] == "mm" and row["n"] == "12" and 0.04 < float(row["value"]) < 0.2
    assert found["x_height", "tool with the mean of raters (tool, mean of raters)", "SEM agreement"]["n"] == "9"
    form = (tmp_path / "grras.md").read_text("utf-8")
    assert len(re.findall(r"^\d+\. \*\*", form, re.MULTILINE)) == 15
    assert "2 raters: R1, R2" in form and "R1, R2 read pages more than once" in form and "12 samples" in form
    page = (tmp_path / "agreement.html").read_text("utf-8")
    assert page.count("<svg") == 4 and "<script" not in page


def test_every_fault_of_the_raters_table(tmp_path):
    readings = [
        ("S1", "R1", "x", "3,1"),
        ("", "R1", "x", "3"),
        ("S1", "Ann Smith", "x", "3"),
        ("S2", "R1", "", "3"),
        ("S2", "tool", "x", "3"),
        ("S3", "R1", "x", "3"),
        ("S3", "R1", "x", "4"),
    ]
    with pytest.raises(ManifestError) as caught:
        tables(tmp_path, [("sample", "x")], readings)
    places = [(row, column) for row, column, _, _ in caught.value.faults]
    assert places == [(2, "value"), (3, "sample"), (4, "rater"), (5, "measure"), (6, "rater"), (8, "value")]
    with pytest.raises(ManifestError) as caught:
        tables(tmp_path, [("sample", "x")], [("S1", "R1", "x", "3")], ("page", "rater", "measure", "measure"))
    assert {column for _, column, _, _ in caught.value.faults} == {"sample", "measure", "value"}
    with pytest.raises(ManifestError, match="one fault"):
        tables(tmp_path, [("sample", "x")], [("S1", "R1", "x", "")])


def test_many_faults_of_the_raters_table_are_listed_in_a_file(tmp_path, capfd):
    with pytest.raises(ManifestError, match="90 faults"):
        tables(tmp_path, [("sample", "x"), ("S1", 3)], [("S1", "R1", "x", "three")] * 90)
    with pytest.raises(SystemExit) as ended:
        main(["agree", str(tmp_path / "tool.csv"), str(tmp_path / "raters.csv"), "--out", str(tmp_path / "out")])
    said = capfd.readouterr().err
    assert (ended.value.code, said.count("is not a number")) == (33, 40) and "and 50 more; all are listed in" in said
    assert len((tmp_path / "raters.faults.csv").read_text("utf-8").splitlines()) == 91
    assert not (tmp_path / "out").exists() and not (tmp_path / "tool.faults.csv").exists()


def test_nothing_in_common_and_columns_without_spread(tmp_path):
    with pytest.raises(UsageError, match="nothing in common"):
        compare(*tables(tmp_path, [("sample", "y"), ("S1", 3)], [("S1", "R1", "x", "3"), ("S2", "R1", "x", "3")]))
    same = [(f"S{i}", r, "x", 3) for i in range(4) for r in ("A", "B")]
    found = numbers(tmp_path, compare(*tables(tmp_path, [("sample", "y")], same)))
    row = found["x", "raters with each other (A, B)", "ICC"]
    assert row["value"] == "" and "do not differ" in row["note"]
    assert found["x", "A minus B", "limits of agreement"]["note"]


def test_on_the_command_line(tmp_path, capfd):
    readings = [(f"S{i}", "M", "flow", v) for i, v in enumerate(MINI)]
    tables(tmp_path, [("sample", "flow"), *((f"S{i}", v) for i, v in enumerate(WRIGHT))], readings)
    arguments = ["agree", str(tmp_path / "tool.csv"), str(tmp_path / "raters.csv"), "--out", str(tmp_path / "out")]
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert end.value.code == 0
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["agreement.csv", "agreement.html", "grras.md"]
    (tmp_path / "raters.csv").write_text("sample,rater,flow\nS1,R1,much\n", "utf-8")
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert end.value.code == 33
    assert "row 2, column flow: 'much' is not a number" in capfd.readouterr().err
