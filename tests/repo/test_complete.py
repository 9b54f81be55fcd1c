"""Samples, published tables, measures and the lock file are whole."""

import hashlib
import json
import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name
from project import PACKAGE, ROOT

SAMPLES = sorted((ROOT / "samples").glob("*.png"))
REFERENCES = sorted(p for p in (ROOT / "reference").iterdir() if p.is_dir())
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
LOCK = tomllib.loads((ROOT / "uv.lock").read_text("utf-8"))


def test_there_are_three_samples():
    assert len(SAMPLES) >= 3


@pytest.mark.parametrize("path", SAMPLES, ids=lambda p: p.name)
def test_sample_has_text_truth_and_card(path):
    text = path.with_suffix(".txt").read_text("utf-8")
    truth = json.loads(path.with_suffix(".truth.json").read_text("utf-8"))
    assert truth["lines"]
    assert truth["words"]
    overview = (path.parent / "README.md").read_text("utf-8")
    for card in (path.with_suffix(".md").read_text("utf-8"), overview):
        command = re.search(rf"^handwriting measure samples/{path.stem}\.png .*$", card, re.MULTILINE)
        assert command, "the card gives the command"
        options = dict(re.findall(r"--(\w+) (\S+)", command.group()))
        assert options["text"] == f"samples/{path.stem}.txt"
        assert float(options["seconds"]) > 0
        assert options["reached"] in text
    for heading in ("scenario", "pupil code", "task", "time", "paper"):
        assert f"| {heading} |" in path.with_suffix(".md").read_text("utf-8")


@pytest.mark.parametrize("path", REFERENCES, ids=lambda p: p.name)
def test_reference_folder_is_complete(path):
    assert {p.name for p in path.iterdir()} == {"table.csv", "source.toml"}
    card = tomllib.loads((path / "source.toml").read_text("utf-8"))
    assert card["id"] == path.name
    assert card["table_sha256"] == hashlib.sha256((path / "table.csv").read_bytes()).hexdigest()
    for field in (
        "citation",
        "place",
        "people",
        "country",
        "ages",
        "task",
        "instruction",
        "script",
        "licence",
        "statistic",
    ):
        assert card[field], field
    for field in ("counting_rule", "compare_with", "obtained", "checked_by", "kind", "unit"):
        assert card[field], field


def test_every_measure_of_a_page_has_its_words():
    from handwriting.page import read_page
    from handwriting.pipeline import Options, measure_page
    from handwriting.task import read_task

    text = SAMPLES[0].with_suffix(".txt").read_text("utf-8")
    result = measure_page(read_page(SAMPLES[0]), read_task(text=text, minutes="4, 9, 14"), Options())
    catalogue = tomllib.loads((ROOT / "handwriting/report/words.en.toml").read_text("utf-8"))
    assert set(result.record.measures) == set(catalogue["measures"])


def _locked():
    return {canonicalize_name(p["name"]): p for p in LOCK["package"]}


def test_lock_follows_the_project():
    asked = {None: PROJECT["dependencies"], **PROJECT["optional-dependencies"]}
    wanted = {
        (canonicalize_name(r.name), SpecifierSet(str(r.specifier)), extra)
        for extra, lines in asked.items()
        for r in map(Requirement, lines)
    }
    held = set()
    for entry in _locked()["handwriting"]["metadata"]["requires-dist"]:
        extra = re.search(r"extra == '(\w+)'", entry.get("marker", ""))
        held.add((canonicalize_name(entry["name"]), SpecifierSet(entry["specifier"]), extra and extra.group(1)))
    assert held == wanted, "renew the lock: see DEVELOPERS.md"


def test_lock_holds_releases_the_project_allows():
    for line in PROJECT["dependencies"]:
        requirement = Requirement(line)
        assert requirement.specifier.contains(
            _locked()[canonicalize_name(requirement.name)]["version"], prereleases=True
        )


def test_lock_comes_from_the_public_registry_alone():
    text = (ROOT / "uv.lock").read_text("utf-8")
    assert "file:" not in text
    for package in LOCK["package"]:
        if package["name"] != "handwriting":
            assert set(package["source"]) == {"registry"}
            assert package["source"]["registry"].startswith("https://")
            files = package.get("wheels", []) + ([package["sdist"]] if "sdist" in package else [])
            assert files and all(f["hash"].startswith("sha256:") for f in files)


def _undescribed(node, place=""):
    """Places of properties and definitions of a JSON Schema that nothing is said of."""
    if isinstance(node, dict):
        for group in ("properties", "$defs"):
            for name, inner in node.get(group, {}).items():
                if not inner.get("description", "$ref" in inner):
                    yield f"{place}/{group}/{name}"
        for name, inner in node.items():
            yield from _undescribed(inner, f"{place}/{name}")
    elif isinstance(node, list):
        for i, inner in enumerate(node):
            yield from _undescribed(inner, f"{place}/{i}")


def test_the_records_schema_says_what_everything_in_it_is():
    assert not list(_undescribed(json.loads((PACKAGE / "record.schema.json").read_text("utf-8"))))
