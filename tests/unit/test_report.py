"""The report, table and files: complete, safe to open, accessible, two pages, whole or not at all."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import re
import shutil
import subprocess
import sys
import textwrap
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import lxml.html
import numpy as np
import pypdfium2
import pytest
from report_fixture import COUNT, comparisons, page
from rich.console import Console

from handwriting.errors import OutputError
from handwriting.flags import FLAGS
from handwriting.quantity import Measured, NotMeasured
from handwriting.record import FlagNote, load, to_json
from handwriting.report import colours, write
from handwriting.report.charts import SpeedRow, speed_chart, ticks
from handwriting.report.facts import flag_rows, provenance
from handwriting.report.html import render_html
from handwriting.report.overlay import LONGEST_PX, overlay
from handwriting.report.rounding import rounded
from handwriting.report.table import COLUMNS, measures_csv, safe
from handwriting.report.terminal import print_table
from handwriting.report.words import catalogue
from handwriting.report.write import results_of, write_files, write_report
from handwriting.task import COUNTING_RULE

NASTY = '<script>alert("x")</script>'


@pytest.fixture(scope="module")
def sample():
    return page(100)


@pytest.fixture(scope="module")
def html(sample):
    return render_html(*sample)


@pytest.fixture(scope="module")
def tree(html):
    return lxml.html.fromstring(html)


def test_the_fixture_follows_the_schema_and_survives_the_trip(sample):
    record, _ = sample
    back = load(to_json(record))
    assert back.lines[3].words == record.lines[3].words or len(back.lines) == len(record.lines)
    assert back.measures == record.measures


def test_a_report_from_the_stored_record_is_the_same(sample):
    record, picture = sample
    stored = load(to_json(record))
    assert render_html(stored, picture) == render_html(load(to_json(stored)), picture)


def test_every_measure_flag_and_caution_is_in_the_report(sample, tree):
    record, _ = sample
    text = " ".join(tree.text_content().split())
    spreads = {own.spread for own in catalogue().measures.values()}
    for key, q in record.measures.items():
        # A measure has a row of its own, or stands as the spread in the row of another.
        assert key in spreads or catalogue().measure(key).name in text, key
        if isinstance(q, Measured):
            scale = 100 if catalogue().measure(key).percent else 1
            shown = rounded(scale * q.value, scale * q.low, scale * q.high, fine=True)
            assert f"{shown.low} to {shown.high}" in text, key
    for note in record.flags:
        assert FLAGS[note.code].advice in text
    for caution in (*catalogue().cautions, catalogue().purpose):
        assert caution in text
    assert "Fewer than four lines reach the right edge." in text
    for shown in ("P07", "2026-11-03", "near copy (text on the desk)", "300 s (5:00 min)", "ballpoint", "9:4"):
        assert shown in text
    assert record.page.sha256 in text
    assert "20260901" in text


def test_what_was_not_given_is_said(sample):
    record, picture = sample
    text = render_html(replace(record, task={}), picture)
    assert text.count("<dd>not given</dd>") == 9


def test_comparisons_stand_in_chart_and_table(sample, tree):
    record, _ = sample
    held = [c for c in record.comparisons if "mean" in c]
    part = tree.xpath("//section[contains(@class,'speed')]")[0]
    assert len(part.xpath(".//tbody/tr")) == len(held) == 5
    text = " ".join(part.text_content().split())
    for c in held:
        assert c["context"] in text
        assert f"{c['mean']:.1f}" in text
        assert all(difference in text for difference in c["differences"])
    # Karlsdottir & Stefansson 2014, table 2, p. 59: grade 4, mean 71.3, SD 16.2, n 120.
    for expected in (
        "Mean of a group; Iceland, 2014",
        "16.2",
        "120",
        "read in the source",
        "−0.55 (−0.69 to −0.40)",
        "About the 29th percentile (normal approximation, computed here)",
    ):
        assert expected in text
    assert "60 to 69 and 90 to 99; this writer is 9:4." in text
    chart = part.xpath(".//div[@class='chart']/svg")[0]
    filled = [p.get("fill") for p in chart.xpath(".//polygon")]
    assert filled.count(colours.PAPER) == 2  # the standard and the aim
    assert filled.count(colours.TEXT) == 3
    # The SD bar of the one row that has an SD: the bar and its two ends.
    assert len(chart.xpath(".//line[@stroke-width='1.4']")) == 3


@pytest.mark.parametrize(
    ("label", "shown"),
    [
        ("Hiles 1924, grade 4, girls and boys together", "Hiles 1924, grade 4, girls and boys together"),
        (
            "Karlsdottir & Stefansson 2014, grade 4, end of the school year, girls",
            "Karlsdottir & Stefansson 2014, grade 4, girls",
        ),
        (
            "Karlsdottir & Stefansson 2014, grade 4 (about 9 to 10 years), end of the school year, boys",
            "Karlsdottir & Stefansson 2014, grade 4, boys",
        ),
        (
            "Karlsdottir & Stefansson 2014, grade 4, end of the school year, girls and boys together",
            "Karlsdottir & Stefansson 2014, grade 4",
        ),
        ("x" * 80, "x" * 51 + "…"),
    ],
)
def test_labels_of_the_chart_lose_what_the_table_holds_before_they_are_cut(label, shown):
    assert f">1  {shown.replace('&', '&amp;')}<" in speed_chart(
        Measured(60.0, "letters/min", 58.0, 62.0, 300), [SpeedRow(1, label, 70.0, None)], catalogue()
    )


@pytest.mark.parametrize(("language", "said"), [("en", ("1 tick)", "2 words)")), ("fr", ("1 coche)", "2 mots)"))])
def test_notes_count_in_the_readers_words(sample, language, said):
    record, _ = sample
    notes = (FlagNote("ticks-not-confirmed", "1 ticks"), FlagNote("looks-crossed-out", "2 words"))
    told = " ".join(row.meaning for row in flag_rows(replace(record, flags=notes), catalogue(language)))
    assert all(part in told for part in said)


def test_settings_are_told_in_words(sample):
    record, _ = sample
    told = dict(provenance(replace(record, software={"reader_used": True, "ruler_given": False}), catalogue()))
    assert told["Software"].startswith("reader used yes; ruler given no")


def test_what_rows_of_one_source_share_is_said_once(sample, tree):
    girls, boys = (c for c in sample[0].comparisons if c["source"] == "graham-1998")
    text = tree.text_content()
    shared = set(girls["differences"]) & set(boys["differences"])
    assert shared
    assert all(text.count(difference) >= 1 for difference in shared)
    assert "Rows 1, 2:" in text
    assert text.count("the original wording was not read; here") == 1
    assert text.count("This row is for girls only") == 1


def test_z_and_percentile_appear_only_with_an_sd(sample):
    record, picture = sample
    without = tuple(c for c in record.comparisons if not c.get("sd"))
    assert "percentile" not in render_html(replace(record, comparisons=without), picture)
    assert ">z<" not in render_html(replace(record, comparisons=without), picture)
    assert ">z<" in render_html(record, picture)


def test_speed_not_measured_has_its_reason_and_no_chart(sample):
    record, picture = sample
    found = {**record.measures, "letters_per_minute": NotMeasured("no-time", "the time taken was not given")}
    text = render_html(replace(record, measures=found, comparisons=()), picture)
    assert "could not be measured: The time taken was not given." in text
    assert 'class="chart"' not in text


def test_unknown_measures_units_and_flags_are_shown_not_dropped(sample):
    record, picture = sample
    found = {**record.measures, "loop_closure": Measured(4.2, "furlong", 4.0, 4.4, 7, (), ("new-flag",))}
    changed = replace(record, measures=found, flags=(FlagNote("newer-flag", "line 3"),))
    text = render_html(changed, picture)
    for expected in ("Loop closure", "4.20 furlong", "New flag.", "Newer flag. (line 3)"):
        assert expected in text
    assert "loop_closure" in measures_csv(changed)


def test_nothing_measured_still_makes_a_report(sample):
    record, picture = sample
    empty = replace(record, measures={}, lines=(), comparisons=(), flags=(), print_areas=(), ruling=None, letters={})
    text = render_html(empty, picture)
    assert "No measure could be made on this page." in text
    assert overlay(empty, picture).shape[:2] == picture.shape[:2]


def test_text_from_outside_is_escaped(sample):
    record, picture = sample
    hostile = replace(
        record,
        page=replace(record.page, name=NASTY),
        task={**record.task, "code": NASTY, "text": NASTY, "paper": NASTY, "tool": NASTY},
        scale=replace(record.scale, sentence=NASTY),
        measures={**record.measures, NASTY: NotMeasured(NASTY, NASTY)},
        comparisons=(
            {**comparisons()[0], "label": NASTY, "citation": NASTY, "context": NASTY, "differences": [NASTY]},
        ),
        flags=(FlagNote(NASTY, NASTY),),
        software={NASTY: NASTY},
        letters={"rule": NASTY},
    )
    text = render_html(hostile, picture)
    assert "<script" not in text
    assert text.count("&lt;script&gt;") >= 10
    lone = lxml.html.fromstring(text)
    assert not lone.xpath("//script | //iframe | //object | //link | //form")
    assert not [name for element in lone.iter() for name in element.attrib if name.startswith("on")]


def test_the_page_fetches_nothing_and_says_so(html, tree):
    policy = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
    assert policy.startswith("default-src 'none'")
    assert "script" not in policy
    for address in tree.xpath("//@src | //@href"):
        assert address.startswith("data:image/")
    assert "url(" not in html
    assert not tree.xpath("//*[@style]")


def test_the_style_is_allowed_by_its_hash(html):
    import base64
    import hashlib

    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert f"'sha256-{digest}'" in html


def test_the_report_can_be_read_without_seeing_it(tree):
    assert tree.get("lang") == "en-GB"
    assert tree.xpath("//title")[0].text == "Handwriting measures: P07"
    levels = [int(h.tag[1]) for h in tree.xpath("//h1|//h2|//h3")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    for picture in tree.xpath("//img"):
        assert "9 lines of writing" in picture.get("alt")
    for drawing in tree.xpath("//svg"):
        assert drawing.get("aria-hidden") == "true" or (drawing.get("role") == "img" and drawing.get("aria-label"))
    for table in tree.xpath("//table"):
        assert all(th.get("scope") == "col" for th in table.xpath("./thead//th"))
        assert all(row.xpath("./th[@scope='row']") for row in table.xpath("./tbody/tr"))
    assert tree.xpath("//main") and tree.xpath("//header")


def test_the_report_stays_light(tmp_path):
    random = np.random.default_rng(3)
    record, picture = page(300, lines=24, printed=False)
    noisy = np.clip(picture + random.normal(0, 12, picture.shape), 0, 255).astype(np.uint8)
    assert len(render_html(record, noisy).encode()) < 1_500_000


def _heavy(record):
    codes = ("print-set-aside", "few-words", "scale-from-file-unchecked", "skewed", "words-unsure", "short-task")
    told = {
        "term": "autumn",
        "effort": 6,
        "country": "Overmark",
        "script": "joined",
        "text": "the tide at Pellmouth " * 30,
    }
    return replace(
        record,
        task={**record.task, **told, "reached": {"text": "again", "start": 90, "end": 95, "number": 20}},
        flags=tuple(FlagNote(code) for code in codes),
        letters={"rule": COUNTING_RULE, "letters": 312, "digits": 0},
    )


def _copied(record):
    """Return the record as one laid against its text: counted by the tool, letters known, up to 24 words to look at."""
    states = iter(["misspelt?", "crossed-out?", "repeated", "added"] * 6)
    lines = tuple(
        replace(line, words=tuple(replace(word, state=next(states, word.state)) for word in line.words))
        for line in record.lines
    )
    known = {
        "known_x_height": Measured(2.9, "mm", 2.8, 3.0, 160),
        "known_height_cv": Measured(0.09, "1", 0.08, 0.11, 200),
        "known_ascender_ratio": Measured(1.9, "1", 1.8, 2.0, 40),
        "known_descender_ratio": Measured(1.1, "1", 1.0, 1.2, 12),
        "known_letter_space": Measured(0.7, "mm", 0.6, 0.8, 150),
        "shape_consistency": Measured(0.91, "1", 0.89, 0.93, 130),
    }
    letters = {**record.letters, "counted_by_tool": COUNT}
    return replace(record, lines=lines, letters=letters, measures={**record.measures, **known})


@pytest.mark.skipif(not shutil.which("chromium"), reason="no browser to print with")
@pytest.mark.parametrize(
    ("lines", "scaled", "changes", "language"),
    [
        (9, True, (), "en"),
        (24, True, (_heavy,), "en"),
        (24, False, (_heavy,), "en"),
        (9, True, (_heavy,), "en"),
        (3, True, (), "en"),
        (3, True, (_heavy, _copied), "en"),
        (9, True, (_copied,), "fr"),
        (9, True, (_heavy, _copied), "en"),
        (24, True, (_heavy, _copied), "fr"),
    ],
)
def test_it_prints_on_two_a4_pages(tmp_path, lines, scaled, changes, language):
    record, picture = page(100, lines=lines, scaled=scaled, printed=lines == 9)
    for change in changes:
        record = change(record)
    source = tmp_path / "report.html"
    source.write_text(render_html(record, picture, words=catalogue(language)), "utf-8")
    target = tmp_path / "report.pdf"
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
    profile = f"--user-data-dir={tmp_path / 'profile'}"
    command = ["chromium", *flags, profile, "--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri()]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    document = pypdfium2.PdfDocument(target)
    try:
        assert len(document) == 2
        width, height = document[0].get_size()
        assert (width * 25.4 / 72, height * 25.4 / 72) == pytest.approx((210, 297), abs=0.5)
    finally:
        document.close()


def test_csv_holds_a_row_a_measure_with_full_figures(sample):
    record, _ = sample
    text = measures_csv(record)
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert tuple(rows[0]) == COLUMNS
    assert [row["key"] for row in rows] == list(record.measures)
    by_key = {row["key"]: row for row in rows}
    assert float(by_key["x_height"]["value"]) == 2.81
    assert by_key["x_height"]["unit"] == "mm"
    assert int(by_key["x_height"]["n"]) == 190
    assert by_key["word_space"]["flags"] == "few-words"
    missing = by_key["right_margin_drift"]
    assert (missing["value"], missing["not_measured"]) == ("", "few-lines")
    assert missing["reason"] == "Fewer than four lines reach the right edge."


# The characters that start a formula in a spreadsheet: OWASP ASVS 5.0, 1.2.10.
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "\0="])
def test_text_cells_cannot_start_a_formula(sample, start):
    record, _ = sample
    bad = f"{start}cmd|' /C calc'!A0"
    found = {bad: NotMeasured(bad, bad), "drift": Measured(-3.2, "deg", -4.0, -2.0, 5)}
    rows = list(csv.reader(io.StringIO(measures_csv(replace(record, measures=found)), newline="")))
    for cell in rows[1]:
        assert not cell or cell[0] not in "=+-@\t\r\n\0"
    assert rows[2][2] == "-3.2"
    assert safe("plain") == "plain"


def test_terminal_table_is_short_and_whole(sample):
    record, _ = sample
    out = io.StringIO()
    print_table(replace(record, page=replace(record.page, name="[bold]x[/bold].png")), Console(file=out, width=100))
    text = out.getvalue()
    assert "[bold]x[/bold].png: 9 lines" in text
    assert re.search(r"Height of small letters +2\.8 mm +2\.7 to 2\.9 +190", text)
    assert "Not measured: Drift of line ends. Fewer than four lines reach the right edge." in text
    assert max(map(len, text.splitlines())) <= 100


def test_narrow_terminal_gets_two_lines_a_measure_and_whole_words(sample):
    record, _ = sample
    out = io.StringIO()
    print_table(record, Console(file=out, width=40))
    text = out.getvalue()
    assert "\nHeight of small letters\n  2.8 mm (2.7 to 2.9), n 190\n" in text
    assert max(map(len, text.splitlines())) <= 40
    told = set(re.findall(r"\w+", text))
    assert (
        not told
        - set(re.findall(r"\w+", "\n".join(v for v in _wide(record).splitlines())))
        - {"In", "brackets", "intervals"}
    )


def _wide(record):
    out = io.StringIO()
    print_table(record, Console(file=out, width=200))
    return out.getvalue()


def test_reasons_are_sentences_on_the_terminal(sample):
    record, _ = sample
    missing = [line for line in _wide(record).splitlines() if line.startswith("Not measured: ")]
    assert missing and all(re.search(r"\. [A-Z0-9].*[.!?]$", line) for line in missing)


@pytest.mark.parametrize("dpi", [150, 300, 600])
def test_overlay_marks_lie_where_the_record_says(dpi):
    record, picture = page(dpi, lines=2, printed=False)
    bare = overlay(replace(record, lines=(), ruling=None), picture, legend=False)
    drawn = overlay(record, picture, legend=False)
    per_mm = drawn.shape[1] / 210
    assert max(drawn.shape) <= LONGEST_PX
    blue = np.array(colours.rgb(colours.BASELINE))
    line = record.lines[0]
    for x, y in line.baseline[1:-1]:
        column = drawn[:, round(x * per_mm)].astype(int)
        near = np.abs(column - blue).sum(axis=1) < 40
        rows = np.flatnonzero(near[: round((y + 3) * per_mm)])
        # The dashed top of the band may also be blue here; the lowest blue is the baseline.
        assert rows.max() + 0.5 == pytest.approx(y * per_mm, abs=2.0)
    outside = drawn[round(200 * per_mm) :, : round(20 * per_mm)]
    assert (np.abs(outside.astype(int) - bare[round(200 * per_mm) :, : round(20 * per_mm)]).max(axis=2) > 40).any()


def test_overlay_in_pixels_without_a_scale_is_the_same_picture():
    with_scale, picture = page(150, lines=3)
    without, _ = page(150, lines=3, scaled=False)
    one, other = overlay(with_scale, picture), overlay(without, picture)
    assert np.mean(np.abs(one.astype(int) - other.astype(int))) < 0.2


def test_overlay_takes_colour_and_leaves_the_input_alone():
    record, grey = page(100, lines=2)
    colour = cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB)
    before = colour.copy()
    assert np.array_equal(overlay(record, colour), overlay(record, grey))
    assert np.array_equal(colour, before)


def test_legend_explains_only_what_is_there():
    record, picture = page(100, lines=2)
    with_print = render_html(record, picture)
    without = render_html(replace(record, print_areas=(), ruling=None), picture)
    assert catalogue().legend["print"] in with_print
    assert catalogue().legend["print"] not in without
    assert catalogue().legend["margin"] not in without


def test_ticks_cover_the_range_in_round_steps():
    assert ticks(52.0, 91.0) == [50, 55, 60, 65, 70, 75, 80, 85, 90, 95]
    assert ticks(0.0, 0.0)[0] == 0.0


def test_files_are_written_and_replaced(tmp_path, sample):
    record, picture = sample
    folder = tmp_path / "new" / "deep"
    paths = write_report(record, picture, folder, extra={"lines.png": b"abc"})
    names = ["record.json", "report.html", "report.pdf", "measures.csv", "overlay.png", "letters.html", "lines.png"]
    assert list(paths) == names
    assert sorted(p.name for p in folder.iterdir()) == sorted(paths)
    assert load(paths["record.json"].read_text("utf-8")).measures == record.measures
    assert json.loads(paths["record.json"].read_text("utf-8"))["schema"] == 1
    assert cv2.imread(str(paths["overlay.png"])).shape[2] == 3
    assert paths["measures.csv"].read_bytes().startswith(b"\xef\xbb\xbfkey,")
    again = write_report(replace(record, task={}), picture, folder)
    assert "P07" not in again["report.html"].read_text("utf-8")


def test_nothing_of_another_page_is_left_beside_a_new_record(tmp_path, sample):
    record, picture = sample
    deep = write.png(np.full((4, 4), 300, np.uint16))
    write_report(record, picture, tmp_path, extra={"lines.png": deep, "words-2.png": deep})
    assert (tmp_path / "letters.html").exists()
    own = write.png(np.zeros((4, 4), np.uint8))
    (tmp_path / "words.png").write_bytes(own)  # a picture of the user's, of that name
    write_report(replace(record, lines=()), picture, tmp_path)
    kept = {"lines.png", "words-2.png", "words.png"}
    assert kept <= {p.name for p in tmp_path.iterdir()}, "maps of the same page stay"
    assert not (tmp_path / "letters.html").exists()
    write_report(replace(record, page=replace(record.page, sha256="0" * 64)), picture, tmp_path)
    assert kept & {p.name for p in tmp_path.iterdir()} == {"words.png"}
    assert (tmp_path / "words.png").read_bytes() == own


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"page": 3}', '{"page": {"name": 1}}'])
def test_a_folder_with_another_record_json_is_nobodys(tmp_path, text):
    (tmp_path / "record.json").write_text(text, "utf-8")
    assert results_of(tmp_path) is None


def test_a_folder_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="could not be written") as caught:
        write_files(tmp_path / "file" / "out", {"a.txt": b"1"})
    assert "\n" not in str(caught.value)


def test_a_folder_in_the_way_is_refused(tmp_path):
    (tmp_path / "a.txt").mkdir()
    with pytest.raises(OutputError, match="folder stands"):
        write_files(tmp_path, {"b.txt": b"1", "a.txt": b"1"})
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EIO])
def test_trouble_while_storing_leaves_nothing_new_and_nothing_changed(tmp_path, monkeypatch, code):
    write_files(tmp_path, {"a.txt": b"old"})
    calls = []

    def broken(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 2:
            raise OSError(code, os.strerror(code))

    monkeypatch.setattr(write.os, "fsync", broken)
    with pytest.raises(OutputError) as caught:
        write_files(tmp_path, {"a.txt": b"new", "b.txt": b"new"})
    assert os.strerror(code).lower() in str(caught.value).lower()
    assert caught.value.exit_code == 30
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_bytes() == b"old"


@pytest.mark.skipif(os.name != "posix", reason="needs a file size limit")
def test_a_full_disk_is_one_sentence(tmp_path):
    # A real limit on file size in a process of its own stands in for a full disk: the write itself is refused.
    program = textwrap.dedent(
        """
        import resource, signal, sys
        from pathlib import Path
        from handwriting.errors import OutputError
        from handwriting.report.write import write_files
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
        try:
            write_files(Path(sys.argv[1]), {"small.txt": b"1", "large.bin": bytes(100_000)})
        except OutputError as error:
            sys.exit(error.exit_code)
        """
    )
    root = Path(__file__).parents[2]
    folder = tmp_path / "out"
    done = subprocess.run([sys.executable, "-c", program, str(folder)], cwd=root, capture_output=True, check=False)
    assert done.returncode == 30, done.stderr
    assert not folder.exists()
