"""The tables: their form by independent readers and open standards, their cells safe, their papers true.

JSON Schema 2020-12 by jsonschema; RFC 4180 by pandas; Parquet by pyarrow; the Data Package standard (version 2.0,
datapackage.org) by the fields it requires, recalled and not re-read.
"""

import hashlib
import io
import itertools
import json
from types import SimpleNamespace

import jsonschema
import pandas as pd
import pyarrow.parquet as pq
import pytest
import studies
import study_fakes

from handwriting.batch.columns import KEYS, all_columns, reserved
from handwriting.batch.engine import local_workers
from handwriting.batch.gallery import sureness
from handwriting.batch.study import estimate, measure_study
from handwriting.batch.work import Settings
from handwriting.errors import OutputError

SAMPLES = ["b2", "a1", "c3R", "d4"]


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tables")
    manifest = studies.read(folder / "pages", SAMPLES, own="mark", cell="=2+3")
    settings = Settings(str(manifest.folder), overlays=True)
    measure_study(manifest, settings, folder / "study", local_workers(1, 60), measure=study_fakes.cheap)
    return folder / "study"


def table(study, name):
    return pd.read_csv(study / f"{name}.csv", dtype={"sample": str, "participant": str})


def test_rows_and_their_order(study):
    samples, measures = table(study, "samples"), table(study, "measures")
    assert list(samples["sample"]) == SAMPLES
    assert list(samples["outcome"]) == ["measured", "measured", "refused", "measured"]
    assert list(measures["measure"]) == ["x_height", "slant"] * 3
    assert list(table(study, "failures")["reason"]) == ["no writing was found on the page"]
    assert list(table(study, "failures")["advice"]) == ["Scan the written page"]
    assert len(table(study, "words")) == 3 and len(table(study, "letters")) == 6
    wide = samples.set_index("sample")["x_height"].dropna()
    long = measures[measures["measure"] == "x_height"].set_index("sample")["value"]
    assert wide.to_dict() == long.to_dict()
    record = json.loads((study / "records" / "a1.json").read_text("utf-8"))
    assert long["a1"] == record["measures"]["x_height"]["value"]


def test_text_cells_are_safe_in_a_spreadsheet_and_numbers_stay_numbers(study):
    text = (study / "samples.csv").read_text("utf-8")
    assert text.splitlines()[1].endswith(",'=2+3") and "\r\n" in (study / "samples.csv").read_bytes().decode()
    assert ",'=a,written,0.75," in (study / "words.csv").read_text("utf-8")
    from handwriting.batch.tables import _cell

    assert [_cell(v) for v in ("-1.2", "-1,2", -1.2, "-a", "@x", "+1e3", None, 3)] == [
        *("-1.2", "-1,2", "-1.2", "'-a", "'@x", "+1e3", "", "3"),
    ]


@pytest.mark.parametrize("name", studies.TABLES)
def test_parquet_holds_what_the_csv_holds(study, name):
    stored = pq.read_table(study / f"{name}.parquet").to_pandas()
    read = table(study, name)
    assert list(stored.columns) == list(read.columns) and len(stored) == len(read)
    for column in stored.columns:
        if pd.api.types.is_numeric_dtype(stored[column]) and len(stored):
            pd.testing.assert_series_equal(
                stored[column].astype(float), read[column].astype(float), rtol=1e-5, check_names=False
            )
    if name == "samples":
        assert set(stored["mark"]) == {"=2+3"}, "guarded in CSV alone"


@pytest.mark.parametrize("name", studies.TABLES)
def test_every_row_follows_the_json_schema(study, name):
    schema = json.loads((study / "tables.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator({**schema, "$ref": f"#/$defs/{name}"})
    rows = pq.read_table(study / f"{name}.parquet").to_pylist()
    assert rows
    for row in rows:
        validator.validate(row)
    with pytest.raises(jsonschema.ValidationError):
        validator.validate({**rows[0], "another": 1})


def test_the_data_package_describes_every_file_truly(study):
    package = json.loads((study / "datapackage.json").read_text("utf-8"))
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    resources = {r["path"]: r for r in package["resources"]}
    assert set(resources) == {p.name for p in study.iterdir() if p.suffix in {".csv", ".parquet"}}
    for path, resource in resources.items():
        content = (study / path).read_bytes()
        assert resource["bytes"] == len(content)
        assert resource["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
        assert resource["name"] and resource["name"] == resource["name"].lower()
        if path.endswith(".csv"):
            frame = pd.read_csv(io.BytesIO(content), dtype=str, keep_default_na=False)
            fields = resource["schema"]["fields"]
            assert [f["name"] for f in fields] == list(frame.columns)
            assert {f["type"] for f in fields} <= {"string", "number", "integer"}
            key = resource["schema"]["primaryKey"]
            assert not frame.duplicated(key).any() and (frame[key] != "").all().all()
            for field in fields:
                values = frame[field["name"]][lambda s: s != ""]
                if field["type"] == "integer":
                    assert values.str.fullmatch(r"-?\d+").all(), field
                if field["type"] == "number":
                    pd.to_numeric(values)


def test_the_codebook_names_every_column_with_its_unit(study):
    book = pd.read_csv(study / "codebook.csv", keep_default_na=False)
    for name in KEYS:
        frame = pd.read_csv(study / f"{name}.csv", nrows=1)
        assert list(book[book["table"] == name]["column"]) == list(frame.columns)
    assert (book["meaning"] != "").all()
    units = book.set_index(["table", "column"])["unit"]
    assert units["samples", "x_height"] == units["samples", "x_height_high"] == "mm"
    assert units["samples", "seconds"] == "s"


def test_the_methods_count_what_happened(study):
    text = (study / "methods.md").read_text("utf-8")
    assert "4 pages by 4 participants on 1 occasion" in text
    assert "3 pages could be measured and 1 could not" in text
    assert "handwriting 0 (python 3, opencv 5, numpy 2, scipy 1)" in text
    assert "| no-writing | 1 |" in text and "| slant: few-letters | 3 |" in text and "| paper | 3 |" in text


def test_own_columns_cannot_take_the_name_of_one_of_the_tables():
    assert {"x_height", "x_height_low", "sample", "flags"} <= reserved()
    names = [c.name for c in all_columns(("mark",), {})["samples"]]
    assert len(names) == len(set(names)) and names[-1] == "mark"


def test_the_gallery_puts_first_what_to_look_at_first(study):
    text = (study / "gallery.html").read_text("utf-8")
    places = [text.index(f">{name}</h2>") for name in ("c3R", "b2", "a1", "d4")]
    assert places == sorted(places), "those not measured, then by sureness, then the manifest's order"
    assert "<script" not in text and "http" not in text.replace("http-equiv", "")
    assert "corrections/a1.txt" in text and 'src="gallery/a1.jpg"' in text and "c3R.jpg" not in text
    document = json.loads((study / "records" / "a1.json").read_text("utf-8"))
    assert sureness(document) == (0.5, [0.75])


def test_a_dry_run_reckons_from_pages_really_measured(tmp_path, monkeypatch):
    # A clock of the test's own, ten seconds on at every look: one at the start and one as each page is done.
    clock = itertools.count(0, 10)
    monkeypatch.setattr("handwriting.batch.study.time", SimpleNamespace(monotonic=lambda: next(clock)))
    manifest = studies.read(tmp_path / "pages", [f"s{i:02d}" for i in range(40)])
    settings = Settings(str(manifest.folder))
    found = estimate(manifest, settings, workers=2, seconds=60, measure=study_fakes.cheap)
    assert (found.pages, found.tried, found.refused) == (40, 5, 0)
    assert found.seconds == 200, "forty pages of ten seconds, two at a time"
    assert 40 * 1000 < found.bytes < 40 * 100_000
    assert {p.name for p in tmp_path.iterdir()} == {"pages"}


def test_tables_that_cannot_be_written_leave_nothing_half_written(tmp_path):
    manifest = studies.read(tmp_path / "pages", ["a1", "a2"])
    (tmp_path / "study" / "words.csv").mkdir(parents=True)
    (tmp_path / "study" / "words.csv" / "x").touch()
    with pytest.raises(OutputError, match="words"):
        measure_study(
            manifest,
            Settings(str(manifest.folder)),
            tmp_path / "study",
            local_workers(1, 60),
            measure=study_fakes.cheap,
        )
    assert not list((tmp_path / "study").glob(".*.part")) and not (tmp_path / "study" / "samples.csv").exists()
