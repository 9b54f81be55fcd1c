"""The commands, run in this process: what they write, print and leave unsaid."""

import csv
import json
import os
import re
import subprocess
import sys

import jsonschema
import numpy as np
import pytest
from PIL import Image

from handwriting import cli
from handwriting.page import read_page
from handwriting.phantoms import ABLE, PASSAGES, Capture, Paper, draw
from handwriting.phantoms.samples import SAMPLES, draw_sample, sample_truth
from handwriting.record import load

DPI = 150
TEXT = " ".join(PASSAGES[1].split()[:45])
LINES = 4
ASKED = ("--seconds", "120", "--reached", "autumn", "--code", "HB-07", "--grade", "4")


def command(*arguments):
    with pytest.raises(SystemExit) as caught:
        cli.main([str(a) for a in arguments])
    return caught.value.code


@pytest.fixture(scope="session")
def page(tmp_path_factory):
    drawn = draw(TEXT, ABLE, Paper(), Capture(dpi=DPI), seed=6)
    assert len(drawn.truth.lines) == LINES
    path = tmp_path_factory.mktemp("page") / "page.png"
    Image.fromarray(drawn.image).save(path, dpi=(DPI, DPI))
    path.with_suffix(".txt").write_text(PASSAGES[1], "utf-8")
    return path


@pytest.fixture(scope="session")
def out(page, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    code = command("measure", page, "--text", page.with_suffix(".txt"), *ASKED, "--labels", "--quiet", "--out", folder)
    assert code == 0
    return folder


def test_all_files_are_written(out):
    files = {"record.json", "report.html", "report.pdf", "letters.html", "measures.csv", "overlay.png"}
    assert {p.name for p in out.iterdir()} == files | {"lines.png", "words.png"}


def test_the_record_follows_the_schema_and_holds_what_was_asked(out):
    record = load((out / "record.json").read_text("utf-8"))
    assert record.page.name == "page.png"
    assert record.scale.unit == "mm"
    assert record.task["code"] == "HB-07"
    # Letters up to 'autumn', counted by hand in the text: 3+6+6+2+3+4+2+6+4+2+6 = 44, in two minutes.
    assert record.measures["letters_per_minute"].value == pytest.approx(22.0)
    assert len(record.lines) == LINES


def test_the_report_says_what_was_found(out):
    html = (out / "report.html").read_text("utf-8")
    assert html.startswith("<!DOCTYPE html>")
    assert "HB-07" in html
    assert "<script" not in html


def test_the_table_has_a_row_for_every_measure(out):
    record = json.loads((out / "record.json").read_text("utf-8"))
    with (out / "measures.csv").open(encoding="utf-8-sig", newline="") as file:
        assert len(list(csv.DictReader(file))) == len(record["measures"])


def test_label_maps_number_lines_and_words_in_the_pages_own_pixels(page, out):
    grey = read_page(page).grey
    record = load((out / "record.json").read_text("utf-8"))
    words = sum(len(line.words) for line in record.lines)
    for name, count in (("lines", len(record.lines)), ("words", words)):
        with Image.open(out / f"{name}.png") as picture:
            assert picture.mode == "I;16"
            labels = np.asarray(picture)
        assert labels.shape == grey.shape
        assert set(np.unique(labels)) == set(range(count + 1))
        assert np.median(grey[labels > 0]) < 140 < np.median(grey[labels == 0])


def test_the_same_page_gives_the_same_bytes(page, out, tmp_path, capsys):
    again = ("measure", page, "--text", page.with_suffix(".txt"), *ASKED, "--labels", "--out", tmp_path, "--quiet")
    assert command(*again) == 0
    for path in out.iterdir():
        assert (tmp_path / path.name).read_bytes() == path.read_bytes(), path.name
    assert capsys.readouterr() == ("", "")


def test_json_alone_is_printed(page, tmp_path, capsys):
    assert command("measure", page, "--json", "--out", tmp_path) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out == (tmp_path / "record.json").read_text("utf-8")
    record = load(said.out)
    assert record.measures["letters_per_minute"].why
    assert "no-text" in {flag.code for flag in record.flags}


def test_the_table_is_printed(page, tmp_path, capsys):
    assert command("measure", page, "--text", TEXT, "--out", tmp_path) == 0
    said = capsys.readouterr().out
    assert f"{LINES} lines" in said
    assert "Height of small letters" in said
    assert "report.html" in said


def in_character_set(encoding, *arguments):
    start = [sys.executable, "-m", "handwriting.cli", "measure", *map(str, arguments)]
    environment = os.environ | {"PYTHONIOENCODING": encoding}
    return subprocess.run(start, capture_output=True, env=environment, check=False)


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_output_in_an_old_character_set(page, tmp_path, encoding):
    """A pipe on some systems takes neither the minus sign nor the degree sign: other signs, never an error."""
    shown = in_character_set(encoding, page, "--out", tmp_path / "out")
    assert (shown.returncode, shown.stderr) == (0, b"")
    table = shown.stdout.decode(encoding)
    assert re.search(r" -\d+\.\d+ to ", table), table
    assert "?" not in table


def test_output_for_machines_is_the_same_in_every_character_set(page, tmp_path):
    given = ("--text", "Über allen Gipfeln", "--letters", "9", "--json", "--out", tmp_path / "out")
    plain = in_character_set("ascii", page, *given)
    assert json.loads(plain.stdout.decode("utf-8"))["task"]["text"] == "Über allen Gipfeln"


@pytest.mark.parametrize("text", ["نص حكيم له سر قاطع", "我能吞下玻璃 😀"])
def test_a_text_in_another_script_costs_only_what_needs_the_text(page, tmp_path, text):
    given = ("--text", text, "--letters", "50", "--seconds", "60", "--quiet", "--out", tmp_path / "out")
    assert command("measure", page, *given) == 0
    record = load((tmp_path / "out" / "record.json").read_text("utf-8"))
    assert record.task["text"] == text
    assert "text-not-found" in [note.code for note in record.flags]
    assert record.measures["letters_per_minute"].value == 50


def test_results_of_another_page_are_replaced_with_a_word(page, tmp_path, capsys):
    other = tmp_path / "other.png"
    Image.open(page).rotate(1, fillcolor=250).save(other, dpi=(DPI, DPI))
    for scan, said in (
        (page, ""),
        (page, ""),
        (other, f"The results of page.png in {tmp_path / 'out'} were replaced."),
    ):
        assert command("measure", scan, "--out", tmp_path / "out") == 0
        assert capsys.readouterr().err.startswith(said) if said else capsys.readouterr().err == ""


def test_one_page_of_several_is_measured_and_said(page, tmp_path, capsys):
    pages = tmp_path / "pages.tif"
    with Image.open(page) as first:
        blank = Image.new("L", first.size, 255)
        blank.save(pages, save_all=True, append_images=[first], dpi=(DPI, DPI))
    assert command("measure", pages, "--page", "2", "--out", tmp_path / "out") == 0
    assert "2 pages; page 2 was measured" in capsys.readouterr().out
    assert command("measure", pages, "--out", tmp_path / "out") == 20


# The other commands


def test_figures(capsys):
    assert command("figures") == 0
    listed = capsys.readouterr().out
    assert "graham-1998" in listed
    assert command("figures", "graham-1998") == 0
    card = capsys.readouterr().out
    assert "letters/min" in card
    assert "Graham" in card
    assert command("figures", "burger-mccluskey-2011") == 0
    card = " ".join(capsys.readouterr().out.split())
    # Whoever reads a figure has to know whose it is, how it came here, who checked it and what is doubtful in it.
    for told in (
        "People: 120 healthy adults",
        "Obtained: source; Abstract",
        "Checked by: One reader",
        "the SD repeats",
    ):
        assert told in card


def test_names_of_sources_are_whole_on_a_narrow_terminal(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "50")
    assert command("figures") == 0
    assert "karlsdottir-stefansson-2014" in capsys.readouterr().out


def test_passages(capsys):
    assert command("passages") == 0
    said = capsys.readouterr().out
    for name in ("fox", "kite", "market", "lighthouse", "railway", "observatory"):
        assert name in said


def test_phantom_and_its_truth(tmp_path, capsys):
    for name in ("one", "two"):
        drawn = command("phantom", "--seed", 3, "--writer", "able", "--dpi", 100, "--out", tmp_path / f"{name}.png")
        assert drawn == 0
    truth = json.loads((tmp_path / "one.json").read_text("utf-8"))
    with Image.open(tmp_path / "one.png") as picture:
        assert picture.size == (truth["width_px"], truth["height_px"])
    assert truth["seed"] == 3
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()
    assert f"100 dots to the inch), truth in {tmp_path / 'one.json'}" in capsys.readouterr().out


@pytest.mark.parametrize("what", [("--passage", "fox"), ("--text", "The quick brown dog.", "--title", "A dog")])
def test_sheet(tmp_path, capsys, what):
    assert command("sheet", *what, "--rule", "8mm", "--out", tmp_path / "sheet.pdf") == 0
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF-")
    assert "100 mm bar" in capsys.readouterr().out


def test_a_sheet_takes_one_text_on_a_paper_it_knows(tmp_path, capsys):
    asked = ("sheet", "--out", tmp_path / "sheet.pdf")
    assert command(*asked, "--passage", "fox", "--paper", "A4") == 0
    for what, message in (
        ((), "a sheet needs --passage or --text"),
        (("--passage", "fox", "--text", "A dog."), "both set what is to be copied"),
        (("--passage", "fox", "--paper", "a3"), "--paper: 'a3'"),
    ):
        assert command(*asked, *what) == 2
        assert message in capsys.readouterr().err


def test_schema(capsys, out):
    assert command("schema") == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads((out / "record.json").read_text("utf-8")), schema)


def test_help_names_every_command(capsys):
    assert command("--help") == 0
    said = capsys.readouterr().out
    for name in ("measure", "figures", "passages", "phantom", "sheet", "schema"):
        assert name in said
    assert "no diagnosis" in said


def test_help_loads_nothing_heavy():
    """Help answers at once: no picture or number library is loaded for it."""
    script = (
        "import sys\nfrom handwriting import cli\ntry:\n    cli.main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'cv2', 'numpy', 'scipy', 'skimage', 'PIL', 'jinja2', 'jsonschema'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, env={**os.environ, "COLUMNS": "80"}
    )
    assert done.returncode == 0, done.stderr
    assert "measure" in done.stdout


# The sample pages


def near(found, stored):
    """Compare plain JSON values; numbers to a micrometre, as drawing may differ in the last digit elsewhere."""
    if isinstance(stored, dict):
        assert set(found) == set(stored)
        for key, value in stored.items():
            near(found[key], value)
    elif isinstance(stored, list):
        assert len(found) == len(stored)
        for one, other in zip(found, stored, strict=True):
            near(one, other)
    elif isinstance(stored, float):
        assert found == pytest.approx(stored, abs=1.1e-3)
    else:
        assert found == stored


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.name)
def test_samples_are_what_the_script_draws(request, sample):
    folder = request.config.rootpath / "samples"
    drawn = draw_sample(sample)
    near(
        json.loads(json.dumps(sample_truth(drawn))),
        json.loads((folder / f"{sample.name}.truth.json").read_text("utf-8")),
    )
    stored = read_page(folder / f"{sample.name}.png")
    assert stored.grey.shape == drawn.image.shape
    assert np.abs(stored.grey.astype(int) - drawn.image).mean() < 0.5
    assert stored.claimed_dpi == pytest.approx((sample.capture.dpi, sample.capture.dpi), abs=0.02)
    assert (folder / f"{sample.name}.txt").read_text("utf-8").strip() == sample.text
    assert sample.written.split() == [
        w.text for w in drawn.truth.words if w.state in {"written", "left-out", "misspelt"}
    ]
    assert sample.command in (folder / f"{sample.name}.md").read_text("utf-8")
