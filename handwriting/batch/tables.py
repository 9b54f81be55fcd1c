"""The tables of a study, made from its records in the order of the manifest: same study, same bytes.

CSV after RFC 4180 in UTF-8, text cells guarded against being taken for formulas; Parquet beside each where pyarrow is
installed. Records are read one at a time, so that memory does not grow with the study.

Beside the tables: ``codebook.csv``, ``tables.schema.json`` (JSON Schema 2020-12, one definition a table),
``datapackage.json`` (Data Package 2.0, an open standard: https://datapackage.org) and ``methods.md``.
"""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import handwriting
from handwriting.batch.columns import KEYS, TITLES, Column, all_columns, measure_keys
from handwriting.batch.engine import RECORDS
from handwriting.batch.ledger import Outcome
from handwriting.batch.manifest import Manifest, Sample
from handwriting.batch.methods import Counts, methods
from handwriting.errors import OutputError, StudyError
from handwriting.report.table import safe
from handwriting.report.write import refuse_folders
from handwriting.task import count_letters

Row = Sequence[Any]
_NUMBER = re.compile(r"\s*[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?\s*")
_ROWS_AT_ONCE = 20_000
_DATA_PACKAGE = "https://datapackage.org/profiles/2.0/datapackage.json"
_TABLE_SCHEMA = "https://datapackage.org/profiles/2.0/tableschema.json"


def write_tables(
    manifest: Manifest, outcomes: Mapping[str, Outcome], study: Path, settings: Mapping[str, object]
) -> dict[str, Path]:
    """Write every table and its papers into the study's folder, all or none.

    Parameters
    ----------
    manifest : Manifest
        All samples of the study.
    outcomes : mapping of sample to Outcome
        From the ledger; one for every sample.
    study : Path
        The study's folder, with the records.
    settings : mapping
        For the methods paragraph.

    Raises
    ------
    StudyError
        A sample has no outcome, or a record is not the one that was measured.
    OutputError
        Something cannot be written.
    """
    parquet = importlib.util.find_spec("pyarrow") is not None
    try:
        return _write(manifest, outcomes, study, settings, parquet=parquet)
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise OutputError(f"the tables cannot be written ({reason})", where=str(study), fix="Make room.") from error
    finally:
        for part in study.glob(".*.part"):
            part.unlink(missing_ok=True)


def _write(
    manifest: Manifest,
    outcomes: Mapping[str, Outcome],
    study: Path,
    settings: Mapping[str, object],
    *,
    parquet: bool,
) -> dict[str, Path]:
    columns = all_columns(manifest.own, {})
    counts = Counts(dict(settings))
    with ExitStack() as stack:
        tables = {
            name: stack.enter_context(_Table(study, name, columns[name], parquet=parquet))
            for name in ("samples", "measures", "words", "letters", "failures")
        }
        for sample in manifest.samples:
            document = _document(sample, outcomes, study)
            refused = None if document is not None else outcomes[sample.name].refused
            counts.add(sample, document, refused)
            tables["samples"].put([_samples_row(sample, document)])
            if document is None:
                if refused is not None:
                    tables["failures"].put(
                        [[*_who(sample), sample.file, sample.page, refused.kind, refused.what, refused.fix]]
                    )
                continue
            tables["measures"].put(_measures_rows(sample, document))
            tables["words"].put(_words_rows(sample, document))
            tables["letters"].put(_letters_rows(sample, document))
        columns = all_columns(manifest.own, counts.units)
        codebook = stack.enter_context(_Table(study, "codebook", columns["codebook"], parquet=False))
        codebook.put([name, c.name, c.type, c.unit, c.meaning] for name, group in columns.items() for c in group)
    files = [f"{name}.csv" for name in columns] + ([f"{name}.parquet" for name in tables] if parquet else [])
    papers = {
        "tables.schema.json": _json_schema(columns),
        "methods.md": methods(counts),
        "datapackage.json": _data_package(columns, {f: study / f".{f}.part" for f in files}),
    }
    for name, text in papers.items():
        (study / f".{name}.part").write_text(text, "utf-8", newline="\n")
    files += papers
    refuse_folders(study, files)
    for name in files:
        (study / f".{name}.part").replace(study / name)
    return {name: study / name for name in files}


def read_record(study: Path, outcome: Outcome) -> dict[str, Any]:
    """Return a measured sample's record as plain JSON, after seeing that it is the one the ledger names.

    Raises
    ------
    StudyError
        The file is missing or has been changed.
    """
    path = study / RECORDS / f"{outcome.sample}.json"
    try:
        content = path.read_bytes()
    except OSError:
        content = b""
    if hashlib.sha256(content).hexdigest() != outcome.sha256:
        fix = "Take the file away and run the batch again with --resume."
        raise StudyError("the record is not the one that was measured", where=str(path), fix=fix)
    document: dict[str, Any] = json.loads(content)
    return document


def _document(sample: Sample, outcomes: Mapping[str, Outcome], study: Path) -> dict[str, Any] | None:
    outcome = outcomes.get(sample.name)
    if outcome is None:
        fix = "Go on with the run by --resume."
        raise StudyError(f"the sample {sample.name} has not been measured yet", where=str(study), fix=fix)
    return None if outcome.refused else read_record(study, outcome)


# --- rows ---------------------------------------------------------------------------------------------------------


def _who(sample: Sample) -> list[str]:
    return [sample.name, sample.participant, sample.occasion]


def _samples_row(sample: Sample, document: dict[str, Any] | None) -> Row:
    task = sample.task
    text = task.text or (document["task"]["text"] if document else "")
    row: list[Any] = [
        *_who(sample),
        sample.file,
        sample.page,
        "measured" if document else "refused",
        document["page"]["sha256"] if document else None,
        count_letters(text).letters if text else None,
        hashlib.sha256(text.encode("utf-8")).hexdigest() if text else None,
        task.seconds,
        task.letters,
        task.reached.text if task.reached else None,
        task.reached.number if task.reached else None,
        task.age_months,
        task.grade,
        *(None if v == "unstated" else v for v in (task.sex,)),
        task.date.isoformat() if task.date else None,
        *(getattr(task, name) for name in ("setting", "task", "instruction", "paper", "tool")),
        *(None if v == "unstated" else v for v in (task.hand, task.script)),
        task.country,
        task.term,
        task.effort,
        task.supervised,
        task.said,
        ",".join(map(str, task.minutes)),
    ]
    row += _page_cells(document) if document else [None] * 25
    measures = document["measures"] if document else {}
    for key in measure_keys():
        quantity = measures.get(key, {})
        row += [quantity.get(part) for part in ("value", "low", "high", "n")]
    return [*row, *sample.own]


def _page_cells(document: dict[str, Any]) -> list[Any]:
    page, scale, ruling = document["page"], document["scale"], document["ruling"]
    words = [w for line in document["lines"] for w in line["words"]]
    dpi = page["claimed_dpi"]
    return [
        scale["source"],
        scale["mm_per_px"],
        scale["relative_uncertainty"] if scale["mm_per_px"] else None,
        f"{dpi[0]:g} x {dpi[1]:g}" if dpi else None,
        page["format"],
        page["width_px"],
        page["height_px"],
        ruling["kind"] if ruling else None,
        ruling["pitch"] if ruling and scale["unit"] == "mm" else None,
        len(document["lines"]),
        len(words),
        sum(len(w["letters"]) for w in words),
        *_counted(document["letters"].get("counted_by_tool")),
        " ".join(f["code"] for f in document["flags"]),
        len(document["corrections"]),
    ]


def _counted(by_tool: dict[str, Any] | None) -> list[Any]:
    """Return what the alignment counted; empty cells when there was no text."""
    if by_tool is None:
        return [None] * 11
    low, high = by_tool["interval"]
    names = ("left_out", "repeated", "added", "crossed_out", "last_word_number", "confidence", "fit")
    runs = " | ".join(run["words"] for run in by_tool["left_out_runs"])
    return [by_tool["written"], low, high, *(by_tool[name] for name in names), runs]


def _measures_rows(sample: Sample, document: dict[str, Any]) -> Iterator[Row]:
    who = _who(sample)
    for key, q in document["measures"].items():
        if "why" in q:
            yield [*who, key, None, None, None, None, None, None, q["flag"], q["why"]]
        else:
            yield [*who, key, q["value"], q["unit"], q["low"], q["high"], q["n"], " ".join(q["flags"]), None, None]


def _box(box: dict[str, float]) -> list[float]:
    return [box["left"], box["top"], box["right"], box["bottom"]]


def _words_rows(sample: Sample, document: dict[str, Any]) -> Iterator[Row]:
    unit = document["scale"]["unit"]
    for line in document["lines"]:
        for w in line["words"]:
            head = [sample.name, line["number"], w["number"], w["text"], w["state"], w["confidence"]]
            yield [*head, *_box(w["box"]), len(w["letters"]), unit]


def _letters_rows(sample: Sample, document: dict[str, Any]) -> Iterator[Row]:
    unit = document["scale"]["unit"]
    for line in document["lines"]:
        for w in line["words"]:
            for i, x in enumerate(w["letters"], start=1):
                head = [sample.name, line["number"], w["number"], i, x["text"], x["kind"], x["state"], x["confidence"]]
                yield [*head, *_box(x["box"]), x["height"], x["foot"], x["to_rule"], unit]


# --- files --------------------------------------------------------------------------------------------------------


class _Table:
    """One table being written under a passing name, as CSV and perhaps as Parquet."""

    def __init__(self, folder: Path, name: str, columns: tuple[Column, ...], *, parquet: bool) -> None:
        self._columns = columns
        self._stack = ExitStack()
        file = self._stack.enter_context((folder / f".{name}.csv.part").open("w", encoding="utf-8", newline=""))
        self._csv = csv.writer(file)
        self._csv.writerow([c.name for c in columns])
        self._parquet: Any = None
        self._rows: list[Row] = []
        if parquet:
            import pyarrow as pa
            import pyarrow.parquet as pq

            kinds = {"text": pa.string(), "number": pa.float64(), "whole": pa.int64()}
            self._schema = pa.schema([pa.field(c.name, kinds[c.type]) for c in columns])
            self._parquet = pq.ParquetWriter(folder / f".{name}.parquet.part", self._schema, compression="zstd")

    def __enter__(self) -> _Table:
        return self

    def __exit__(self, *_: object) -> None:
        if self._parquet is not None:
            self._flush()
            self._parquet.close()
        self._stack.close()

    def put(self, rows: Iterable[Row]) -> None:
        kept = list(rows)
        self._csv.writerows([_cell(value) for value in row] for row in kept)
        if self._parquet is not None:
            self._rows += kept
            if len(self._rows) >= _ROWS_AT_ONCE:
                self._flush()

    def _flush(self) -> None:
        import pyarrow as pa

        if not self._rows:
            return
        columns = zip(*self._rows, strict=True)
        arrays = [
            pa.array([_stored(v, c.type) for v in values], self._schema.field(i).type)
            for i, (c, values) in enumerate(zip(self._columns, columns, strict=True))
        ]
        self._parquet.write_table(pa.Table.from_arrays(arrays, schema=self._schema))
        self._rows = []


def _cell(value: Any) -> str:  # noqa: ANN401 - a cell of any type
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    text = str(value)
    return text if not isinstance(value, str) or _NUMBER.fullmatch(text) else safe(text)


def _stored(value: Any, kind: str) -> Any:  # noqa: ANN401 - a cell of any type
    if value is None or value == "":
        return None
    return float(value) if kind == "number" else value


def _json_schema(columns: Mapping[str, tuple[Column, ...]]) -> str:
    kinds = {"text": ["string", "null"], "number": ["number", "null"], "whole": ["integer", "null"]}
    tables = {
        name: {
            "title": TITLES[name],
            "type": "object",
            "properties": {
                c.name: {"type": kinds[c.type], "description": c.meaning, **({"unit": c.unit} if c.unit else {})}
                for c in group
            },
            "required": list(KEYS[name]),
            "additionalProperties": False,
        }
        for name, group in columns.items()
    }
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Rows of the tables", "$defs": tables}
    return json.dumps(schema, ensure_ascii=False, indent=1) + "\n"


def _data_package(columns: Mapping[str, tuple[Column, ...]], files: Mapping[str, Path]) -> str:
    kinds = {"text": "string", "number": "number", "whole": "integer"}
    resources = []
    for file, path in files.items():
        name, _, form = file.partition(".")
        resource = {
            "name": name if form == "csv" else f"{name}-{form}",
            "path": file,
            "title": TITLES[name],
            "format": form,
            "bytes": path.stat().st_size,
            "hash": f"sha256:{_sha256(path)}",
        }
        if form == "csv":
            fields = [
                {
                    "name": c.name,
                    "type": kinds[c.type],
                    "description": c.meaning,
                    **({"unit": c.unit} if c.unit else {}),
                }
                for c in columns[name]
            ]
            schema = {"$schema": _TABLE_SCHEMA, "fields": fields, "primaryKey": list(KEYS[name]), "missingValues": [""]}
            if name not in {"samples", "codebook"}:
                reference = {"resource": "samples", "fields": ["sample"]}
                schema["foreignKeys"] = [{"fields": ["sample"], "reference": reference}]
            resource |= {"type": "table", "mediatype": "text/csv", "encoding": "utf-8", "schema": schema}
        else:
            resource["mediatype"] = "application/vnd.apache.parquet"
        resources.append(resource)
    package = {
        "$schema": _DATA_PACKAGE,
        "name": "handwriting-study",
        "title": "Handwriting measured page by page",
        "description": f"handwriting {handwriting.__version__}: measurements for a qualified person to interpret.",
        "resources": resources,
    }
    return json.dumps(package, ensure_ascii=False, indent=1) + "\n"


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
