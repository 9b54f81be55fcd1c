"""Studies of real pages through the command line: workers, gallery, corrections, shards by SLURM and Snakemake."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
import studies

from handwriting.cli import main

ROOT = Path(__file__).parents[2]


def command(*arguments):
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    return end.value.code


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("real")
    manifest = studies.draw_pages(folder, 4, blank=3)
    assert command("batch", manifest, "--out", folder / "study", "--workers", 2, "-q") == 0
    return folder


def test_every_page_is_in_the_tables(whole):
    import pandas as pd

    samples = pd.read_csv(whole / "study" / "samples.csv")
    assert list(samples["sample"]) == ["P00-1", "P00-2", "P01-1", "P01-2"]
    assert list(samples["outcome"]) == ["measured", "measured", "measured", "refused"]
    good = samples[samples["outcome"] == "measured"]
    assert good["letters_per_minute"].round(6).eq(58).all()
    assert good["x_height"].between(1, 6).all() and good["class"].eq("5b").all()
    assert (good["lines"] >= 2).all()
    failures = pd.read_csv(whole / "study" / "failures.csv")
    assert list(failures["kind"]) == ["no-writing"]
    from handwriting.record import load

    for name in good["sample"]:
        load((whole / "study" / "records" / f"{name}.json").read_text("utf-8"))


def test_a_record_is_the_one_that_measuring_a_single_page_gives(whole):
    text = whole / "tide.txt"
    out = whole / "single"
    code = command(
        *("measure", whole / "p2.png", "--text", text, "--seconds", 60, "--letters", 58, "--code", "P01", "--dpi", 150),
        *("--out", out, "-q"),
    )
    assert code == 0
    single = json.loads((out / "record.json").read_text("utf-8"))
    batch = json.loads((whole / "study" / "records" / "P01-1.json").read_text("utf-8"))
    assert batch == single


def test_gallery_and_corrections_are_picked_up_by_the_next_run(whole):
    manifest, study = whole / "pages.csv", whole / "reviewed"
    assert command("batch", manifest, "--out", study, "--workers", 1, "--gallery", "-q") == 0
    pictures = sorted(p.name for p in (study / "gallery").iterdir())
    assert pictures == ["P00-1.jpg", "P00-2.jpg", "P01-1.jpg"]
    before = json.loads((study / "records" / "P00-1.json").read_text("utf-8"))
    (study / "corrections").mkdir()
    (study / "corrections" / "P00-1.txt").write_text("letters 40\nword 2 set aside\n", "utf-8")
    assert command("batch", manifest, "--out", study, "--gallery", "--resume", "--who", "kb", "-q") == 0
    after = json.loads((study / "records" / "P00-1.json").read_text("utf-8"))
    assert after["measures"]["letters_per_minute"]["value"] == 40
    assert {c["who"] for c in after["corrections"]} == {"kb"}
    assert sum(len(x["words"]) for x in after["lines"]) == sum(len(x["words"]) for x in before["lines"]) - 1
    assert "<dt>Corrections in use</dt><dd>2</dd>" in (study / "gallery.html").read_text("utf-8")
    (study / "corrections" / "P00-1.txt").write_text("word 999 set aside\n", "utf-8")
    assert command("batch", manifest, "--out", study, "--resume", "--who", "kb", "-q") == 0
    assert "no word 999" in (study / "failures.csv").read_text("utf-8")


def test_dry_run_faults_and_refusals_on_the_command_line(whole, capfd):
    manifest = whole / "pages.csv"
    assert command("batch", manifest, "--dry-run", "--out", whole / "none") == 0
    assert "4 pages: about" in capfd.readouterr().out
    assert not (whole / "none").exists()
    assert command("batch", manifest, "--out", whole / "study") == 34
    assert command("batch", manifest, "--out", whole / "x", "--shard", "3/2") == 2
    assert command("check-study", whole / "study") == 0
    assert "mixed" not in capfd.readouterr().out
    broken = whole / "broken.csv"
    lines = [f"x{i}.png,P{i}" for i in range(60)]
    broken.write_text("file,participant\n" + "\n".join(lines), "utf-8")
    assert command("batch", broken, "--out", whole / "x") == 33
    said = capfd.readouterr().err
    assert said.count("there is no such file") == 40 and "and 20 more" in said
    assert len((whole / "broken.faults.csv").read_text("utf-8").splitlines()) == 61
    assert not (whole / "x").exists()


@pytest.fixture
def programs(tmp_path, monkeypatch):
    """Put a ``handwriting`` that runs this very program on the path, as an installed one is."""
    (tmp_path / "bin").mkdir()
    script = tmp_path / "bin" / "handwriting"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m handwriting.cli "$@"\n', "utf-8")
    script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{script.parent}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    return tmp_path


def cluster_files(whole, folder):
    studies.draw_pages(folder, 4, blank=3)
    assert command("cluster-files", "pages.csv", "--out", folder, "--shards", 2, "--workers", 1) == 0
    for page in whole.glob("p*.png"):
        assert (folder / page.name).read_bytes() == page.read_bytes()


@pytest.mark.skipif(os.name != "posix", reason="a shell script")
def test_the_slurm_scripts_run_by_a_local_executor(whole, programs):
    folder = programs / "slurm"
    cluster_files(whole, folder)
    for number in ("1", "2"):
        environment = os.environ | {"SLURM_ARRAY_TASK_ID": number, "SLURM_SUBMIT_DIR": str(folder)}
        subprocess.run(["bash", folder / "study.slurm"], env=environment, check=True, cwd=programs)
    subprocess.run(["bash", folder / "merge.slurm"], check=True, cwd=folder)
    assert studies.tables(folder / "study") == studies.tables(whole / "study")


@pytest.mark.skipif(os.name != "posix", reason="a shell script")
def test_the_snakefile_run_by_a_local_executor(whole, programs):
    pytest.importorskip("snakemake")
    folder = programs / "snakemake"
    cluster_files(whole, folder)
    done = subprocess.run(
        [sys.executable, "-m", "snakemake", "--cores", "2", "--nocolor"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"XDG_CACHE_HOME": str(folder / "cache")},
    )
    assert done.returncode == 0, done.stderr
    assert studies.tables(folder / "study") == studies.tables(whole / "study")


def test_names_a_shell_would_not_take_are_refused(tmp_path):
    assert command("cluster-files", "my pages.csv", "--out", tmp_path) == 2
    assert command("cluster-files", "pages.csv", "--study", "a;b", "--out", tmp_path) == 2
    assert not list(tmp_path.iterdir())


def test_what_the_alignment_counted_is_in_the_samples(whole):
    import pandas as pd

    samples = pd.read_csv(whole / "study" / "samples.csv").set_index("sample")
    for name in ("P00-1", "P00-2", "P01-1"):
        record = json.loads((whole / "study" / "records" / f"{name}.json").read_text("utf-8"))
        counted = record["letters"]["counted_by_tool"]
        row = samples.loc[name]
        assert row["tool_letters"] == counted["written"]
        assert [row["tool_letters_low"], row["tool_letters_high"]] == counted["interval"]
        assert row["tool_left_out"] == counted["left_out"] and row["text_fit"] == pytest.approx(counted["fit"])


def test_words_left_out_are_named(tmp_path):
    import cv2
    import pandas as pd

    from handwriting.phantoms import ABLE, Capture, Paper, draw

    text = "the tide turns at noon and the grey boats lean on the sand until it comes back"
    page = draw(text.replace("grey boats ", ""), ABLE, Paper(width_mm=210, height_mm=148), Capture(dpi=150), 5)
    cv2.imwrite(str(tmp_path / "a.png"), page.image)
    manifest = tmp_path / "m.csv"
    manifest.write_text(f"file,participant,text,dpi\na.png,P01,{text},150\n", "utf-8")
    assert command("batch", manifest, "--out", tmp_path / "study", "-q") == 0
    row = pd.read_csv(tmp_path / "study" / "samples.csv").iloc[0]
    assert row["left_out_text"] == "grey boats" and row["tool_left_out"] == 9
