"""The accuracy table is not stale: pages of it measured again come out as they did, within the errors it states."""

import importlib.util
import json
import re

import pytest
from project import ROOT

import handwriting

_ROW = re.compile(r"^\| (\w+) \| (\d+) \| ([+-][\d.]+) \| ([\d.]+) \|", re.MULTILINE)
_RENEW = "write it anew: python tests/benchmarks/accuracy.py --pages 200 --write"


def table(name):
    text = (ROOT / name).read_text("utf-8")
    return text.partition("<!-- accuracy:begin -->")[2].partition("<!-- accuracy:end -->")[0]


def benchmark():
    spec = importlib.util.spec_from_file_location("accuracy", ROOT / "tests" / "benchmarks" / "accuracy.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_both_documents_hold_the_table_of_this_version():
    assert table("README.md") == table("DEVELOPERS.md")
    assert f"Version {handwriting.__version__}," in table("README.md"), _RENEW


@pytest.fixture(scope="module")
def kept():
    return json.loads((ROOT / "tests" / "benchmarks" / "accuracy.json").read_text("utf-8"))


def test_pages_of_the_table_measured_again(kept):
    stated = {key: float(error) for key, _, _, error in _ROW.findall(table("README.md"))}
    assert len(stated) >= 8 and kept["version"] == handwriting.__version__, _RENEW
    assert len(kept["pages"]) == 3
    accuracy = benchmark()
    away = {}
    for seed, values in kept["pages"].items():
        now = {key: got[2] for key, got in accuracy.one(int(seed))["measures"].items()}
        for key, error in stated.items():
            if key in values or key in now:
                moved = abs(now.get(key, float("inf")) - values.get(key, float("inf")))
                if not moved <= error:
                    away[f"{key} of seed {seed}"] = (values.get(key), now.get(key), error)
    assert not away, f"measured before, measured now, error stated; {_RENEW}"
