"""The manifest: what spreadsheets write is read, and every fault is named with row and column.

Dialects are those of RFC 4180 and of what Excel saves (UTF-8 with its mark, UTF-16 "Unicode text", semicolons, sep=).
"""

import csv
import datetime as dt
import pickle
import zipfile

import openpyxl
import pytest
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont

from handwriting.batch import xlsx
from handwriting.batch.columns import reserved
from handwriting.batch.manifest import read_manifest
from handwriting.errors import FileNotReadableError, ManifestError

HEAD = ["file", "participant", "occasion", "text", "seconds", "age", "class"]
ROW = ["scans/a.png", "P01", "1", "the tide turns at noon", "300", "9:4", "Größe 5"]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "scans").mkdir()
    for name in ("a", "b", "c"):
        (tmp_path / "scans" / f"{name}.png").touch()
    return tmp_path


def put(folder, rows, *, delimiter=",", encoding="utf-8", before="", end="\r\n"):
    quoted = [[f'"{c}"' if any(x in c for x in (delimiter, "\n", '"')) else c for c in row] for row in rows]
    text = before + end.join(delimiter.join(row) for row in quoted) + end
    path = folder / "m.csv"
    path.write_bytes(text.encode(encoding, "surrogateescape"))
    return path


def faults(folder, rows, **how):
    with pytest.raises(ManifestError) as caught:
        read_manifest(put(folder, rows, **how), reserved=reserved())
    return {(f.row, f.column): f"{f.what}. {f.fix}" for f in caught.value.faults}


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
def test_every_dialect_comes_to_the_same(folder, delimiter, encoding, end):
    path = put(folder, [HEAD, ROW], delimiter=delimiter, encoding=encoding, end=end)
    (sample,) = read_manifest(path).samples
    assert (sample.name, sample.file, sample.page, sample.own) == ("P01-1", "scans/a.png", 1, ("Größe 5",))
    assert sample.task.text == "the tide turns at noon"
    assert sample.task.seconds == 300 and sample.task.age_months == 112 and sample.task.code == "P01"


def test_sep_line_blank_rows_and_short_rows(folder):
    path = put(
        folder, [HEAD, [""] * 7, ["scans/a.png", "P01"], ["scans/b.png", *ROW[1:]]], delimiter=";", before="sep=;\r\n"
    )
    first, second = read_manifest(path).samples
    assert (first.row, first.name, second.row, second.name) == (3, "P01", 4, "P01-1")


def test_cells_may_hold_line_breaks_and_quotes_where_text_is(folder):
    text = 'the tide\nturns, "at" noon'
    row = [*ROW[:3], 'the tide\nturns, ""at"" noon', *ROW[4:]]
    after = ["scans/b.png", "P02", "", "", "no", "", ""]
    with pytest.raises(ManifestError) as caught:
        read_manifest(put(folder, [HEAD, row, after]))
    assert [(f.row, f.column) for f in caught.value.faults] == [(3, "seconds")], (
        "rows count as a spreadsheet shows them"
    )
    (sample,) = read_manifest(put(folder, [HEAD, row])).samples
    assert sample.task.text == text


def test_all_faults_at_once(folder):
    rows = [
        HEAD,
        ["scans/a.png", "P01", "1", "", "300 s", "9.4", ""],
        ["scans/A.png", "Ann Smith", "1", "missing.txt", "0", "9:13", ""],
        ["", "", "", "", "", "", ""],
        ["C:\\scans\\a.png", "P03", "1", "", "", "", ""],
        ["scans\\a.png", "P04", "1", "", "", "", ""],
        ["/data/a.png", "P05", "1", "", "", "", ""],
        ["scans", "P06", "1", "", "", "", ""],
        ["nowhere/a.png", "P07", "1", "", "", "", ""],
        ["scans/b.png", "p01", "1", "", "", "", ""],
        ["scans/a.png", "P09", "1", "", "", "", ""],
        ["=HYPERLINK(1)", "=A1", "1", "", "", "", ""],
        ["https://example.org/a.png", "P11", "a/b#", "", "", "", ""],
        ["scans/c.png", "P12", "1", "", "", "", "", "more"],
        ["", "P13", "1", "", "=B1", "", ""],
        ["scans/c\n.png", "P14", "2\n3", "", "", "", ""],
    ]
    got = faults(folder, rows)
    assert set(got) == {
        *((2, c) for c in ("seconds", "age")),
        *((3, c) for c in ("file", "participant", "text", "seconds", "age")),
        *((row, "file") for row in (5, 6, 7, 8, 9, 11, 12, 13, 15, 16)),
        (12, "participant"),
        (10, "occasion"),
        (13, "occasion"),
        (14, ""),
        (15, "seconds"),
        (16, "occasion"),
    }
    assert "300 s" in got[2, "seconds"] and "9:4" in got[2, "age"]
    assert "Did you mean a.png" in got[3, "file"] and "name" in got[3, "participant"]
    assert "Windows" in got[5, "file"] and "\\" in got[6, "file"] and "one computer" in got[7, "file"]
    assert "row 2" in got[10, "occasion"] and "row 2" in got[11, "file"]
    assert "formula" in got[12, "participant"] and "formula" in got[15, "seconds"]


def test_faults_of_the_header(folder):
    got = faults(
        folder, [["file", "particpant", "file", "", "secnds", "x_height", "=a", "ok"], ["scans/a.png"] + [""] * 7]
    )
    assert set(got) == {(1, c) for c in ("participant", "file", "no. 4", "secnds", "x_height", "=a")}
    assert "particpant" in got[1, "participant"] and "seconds" in got[1, "secnds"]


def test_faults_of_bytes_and_quotes(folder):
    rows = [
        HEAD,
        [*ROW[:6], "Gr\udcf6\udcdfe"],
        ["scans/b.png", "P02", "\x00", "", "", "", ""],
        ['"scans/c.png', "P03"],
    ]
    path = folder / "m.csv"
    text = "\n".join(",".join(r) for r in rows) + '\n"scans/c.png"x,P04\nscans/q.png,P05,1,,,,\n'
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(ManifestError) as caught:
        read_manifest(path)
    got = {(f.row, f.column): f.what for f in caught.value.faults}
    assert "not UTF-8" in got[2, "no. 7"]
    assert "control" in got[3, "no. 3"]
    assert "quote" in got[4, ""] and "quote" in got[5, ""]
    assert "no such file" in got[6, "file"], "reading goes on behind a broken quote"


def test_a_file_that_breaks_off_and_one_without_rows(folder):
    path = folder / "m.csv"
    path.write_text("file,participant,class\nscans/a.png,P01,5\nscans/b.png,P0", "utf-8")
    with pytest.raises(ManifestError, match="one fault") as caught:
        read_manifest(path)
    assert caught.value.faults[0].what == "the last row breaks off"
    path.write_text("file,participant\n", "utf-8")
    with pytest.raises(ManifestError) as caught:
        read_manifest(path)
    assert "no rows" in caught.value.faults[0].what
    copy = pickle.loads(pickle.dumps(caught.value))
    assert (copy.faults, str(copy), copy.exit_code) == (caught.value.faults, str(caught.value), 33)


@pytest.mark.parametrize("content", [b"", b" \n", b"\xd0\xcf\x11\xe0rest", b"PK\x03\x04rest"])
def test_files_that_are_no_table(folder, content):
    path = folder / "m.csv"
    path.write_bytes(content)
    with pytest.raises(FileNotReadableError):
        read_manifest(path)
    with pytest.raises(FileNotReadableError):
        read_manifest(folder / "none.csv")


def test_utf16_without_its_mark_is_a_fault(folder):
    path = folder / "m.csv"
    path.write_bytes("\r\n".join(",".join(r) for r in (HEAD, ROW)).encode("utf-16-le"))
    with pytest.raises(ManifestError) as caught:
        read_manifest(path)
    assert "UTF-16" in caught.value.faults[0].what


def test_xlsx_as_a_person_filled_it_in(folder):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append([*HEAD, "date", "page"])
    # Spreadsheets turn 9:4 into a time of day, whole numbers into floats, days into moments.
    sheet.append(["scans/a.png", "P01", 1, "the tide", 300.0, dt.time(9, 4), "=1+1", dt.datetime(2026, 3, 9), 2])  # noqa: DTZ001 - as a spreadsheet has it
    sheet.append([None] * 9)
    sheet.append(["scans/b.png", "P02", None, None, 310.5, dt.timedelta(hours=9, minutes=11), None, None, None])
    book.save(folder / "m.xlsx")
    first, second = read_manifest(folder / "m.xlsx").samples
    assert (first.name, first.page, first.task.seconds, first.task.age_months) == ("P01-1", 2, 300, 112)
    assert first.task.date == dt.date(2026, 3, 9)
    assert (second.row, second.task.seconds, second.task.age_months) == (4, 310.5, 119)
    sheet.append(["scans/c.png", "P 03", None, None, "soon"])
    book.save(folder / "m.xlsx")
    with pytest.raises(ManifestError) as caught:
        read_manifest(folder / "m.xlsx")
    assert {(f.row, f.column) for f in caught.value.faults} == {(5, "participant"), (5, "seconds")}


def shown(value):
    return "" if value is None else value


def test_xlsx_cells_are_those_an_independent_reader_finds(folder):
    """Against openpyxl: every kind of cell, gaps, runs of letters, formulas, both calendars."""
    for epoch in (openpyxl.utils.datetime.WINDOWS_EPOCH, openpyxl.utils.datetime.MAC_EPOCH):
        book = openpyxl.Workbook()
        book.epoch = epoch
        sheet = book.active
        sheet.append(["a", "b", "c", "", "e"])
        sheet["C3"] = "  Größe\n=5 <&> "
        sheet["E3"] = dt.datetime(2026, 3, 9, 14, 30)  # noqa: DTZ001 - as a spreadsheet has it
        sheet["B5"] = dt.timedelta(hours=30, minutes=4)
        sheet.append([1, 2.5, -1e-7, True, False, 10**12])
        sheet.append(["007", "=1+1", dt.date(2026, 3, 9), dt.time(9, 4)])
        sheet.append([CellRichText("run ", TextBlock(InlineFont(b=True), "bold"), " end"), None, "last"])
        sheet["A9"], sheet["A9"].number_format = 0.25, "0%"
        sheet["AB10"] = "far"
        book.save(folder / "m.xlsx")
        with zipfile.ZipFile(folder / "m.xlsx") as packed:
            got = dict(xlsx.read_rows(packed))
        theirs = openpyxl.load_workbook(folder / "m.xlsx", data_only=True).active
        for row in theirs.iter_rows():
            mine = got.get(row[0].row, [])
            mine += [None] * (len(row) - len(mine))
            assert list(map(shown, mine)) == [shown(cell.value) for cell in row]
        sheet["A11"], sheet["A11"].number_format = 1e9, "yyyy-mm-dd"  # no day of any calendar
        book.save(folder / "m.xlsx")
        with zipfile.ZipFile(folder / "m.xlsx") as packed:
            assert list(xlsx.read_rows(packed))[-1] == (11, [1e9])


def test_xlsx_parts_that_other_programs_write(folder):
    """Cells and rows without a place, text in the cell, escapes, reading aids, errors (ECMA-376 part 1, 18.3, 22.9)."""
    space = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    link = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    sheet = (
        "<row><c t='inlineStr'><is><t>file</t></is></c><c t='str'><v>participant</v></c></row>"
        "<row r='4'><c r='B4' t='s'><v>0</v></c></row><row><c t='e'><v>#REF!</v></c><c t='b'><v>1</v></c></row>"
    )
    strings = "<si><r><t>P_x0041_</t></r><rPh><t>aid</t></rPh><r><t>1_x005F_x</t></r></si>"
    parts = {
        "xl/workbook.xml": f"<workbook xmlns='{space}' xmlns:r='{link}'><sheets><sheet r:id='q'/></sheets></workbook>",
        "xl/_rels/workbook.xml.rels": "<r><s Id='q' Target='/xl/own/page.xml'/></r>",
        "xl/own/page.xml": f"<p:worksheet xmlns:p='{space}'><sheetData>{sheet}</sheetData></p:worksheet>",
        "xl/sharedStrings.xml": f"<sst xmlns='{space}'>{strings}</sst>",
    }
    path = folder / "m.xlsx"

    def pack(**changed):
        with zipfile.ZipFile(path, "w") as packed:
            for name, text in parts.items():
                packed.writestr(name, changed.get(name.rpartition("/")[2].partition(".")[0], text))
        return path

    with zipfile.ZipFile(pack()) as packed:
        rows = list(xlsx.read_rows(packed))
    assert rows == [(1, ["file", "participant"]), (4, [None, "PA1_x"]), (5, ["#REF!", True])]
    for broken in (
        {"page": "<worksheet><row"},
        {"page": f"<!DOCTYPE a [<!ENTITY b 'c'>]><worksheet xmlns='{space}'/>"},
        {"page": f"<worksheet xmlns='{space}'><row><c t='s'><v>9</v></c></row></worksheet>"},
        {"page": f"<worksheet xmlns='{space}'><row><c r='ZZZZ1'><v>9</v></c></row></worksheet>"},
        {"workbook": f"<!DOCTYPE a><workbook xmlns='{space}'/>"},
        {"workbook": f"<workbook xmlns='{space}'/>"},
    ):
        with pytest.raises(FileNotReadableError, match="not a whole XLSX"):
            read_manifest(pack(**broken))


def test_a_short_text_is_never_taken_for_a_file_of_the_working_folder(folder, monkeypatch):
    (folder / "elsewhere").mkdir()
    (folder / "elsewhere" / "boat").write_text("another text", "utf-8")
    monkeypatch.chdir(folder / "elsewhere")
    (sample,) = read_manifest(put(folder, [HEAD, [*ROW[:3], "boat", *ROW[4:]]])).samples
    assert sample.task.text == "boat"


def test_reached_is_checked_against_its_own_row(folder):
    head = ["file", "participant", "text", "reached"]
    rows = [head, ["scans/a.png", "P01", "the tide", "tide"], ["scans/b.png", "P02", "the boat", "tide"]]
    assert set(faults(folder, [*rows, ["scans/c.png", "P03", "", "tide"]])) == {(3, "reached"), (4, "reached")}


def test_a_hundred_thousand_rows_with_faults(folder):
    for i in range(1000):
        (folder / "scans" / f"p{i}.png").touch()
    rows = [HEAD]
    for i in range(100_000):
        row = [f"scans/p{i % 1000}.png", f"P{i}", str(i), "the tide turns", str(200 + i % 300), "9:4", "5b"]
        if i % 100 == 0:
            row[4] = f"{i} s"
        rows.append(row)
    path = put(folder, rows, delimiter=";", encoding="utf-8-sig")
    with pytest.raises(ManifestError) as caught:
        read_manifest(path)
    # A thousand rows name a page for the first time, the others name it again.
    assert len(caught.value.faults) == 1000 + 99_000


def test_many_faults_are_listed_in_a_file_and_the_first_are_told(folder):
    rows = [HEAD, *([f"scans/q{i}.png", f"P{i}", "1", "the tide", "=soon", "9.4", "5"] for i in range(5000))]
    path, listing = put(folder, rows), folder / "m.faults.csv"
    with pytest.raises(ManifestError, match="15000 faults") as caught:
        read_manifest(path, listing=listing, first=7)
    assert (caught.value.count, len(caught.value.faults), caught.value.listed) == (15_000, 7, listing)
    with listing.open(encoding="utf-8", newline="") as file:
        head, *cells = csv.reader(file)
    assert head == ["row", "column", "fault", "remedy"]
    with pytest.raises(ManifestError) as whole:
        read_manifest(path)
    assert cells == [[str(f.row), *f[1:]] for f in whole.value.faults]
    assert [int(c[0]) for c in cells] == sorted(int(c[0]) for c in cells)
    assert caught.value.faults == whole.value.faults[:7]
    copy = pickle.loads(pickle.dumps(caught.value))
    assert (copy.count, copy.listed, str(copy)) == (15_000, listing, str(caught.value))
    with pytest.raises(ManifestError) as caught:
        read_manifest(path, listing=folder / "no such folder" / "m.faults.csv", first=7)
    assert (caught.value.count, len(caught.value.faults), caught.value.listed) == (15_000, 7, None)
    with pytest.raises(ManifestError) as caught:
        read_manifest(put(folder, rows[:3]), listing=folder / "few.csv", first=7)
    assert caught.value.count == 6 and not (folder / "few.csv").exists()
    assert not list(folder.glob(".*"))


def test_broken_quotes_all_the_way_down_are_told_row_by_row(folder):
    """Each broken row is one fault; whole rows between them are read, and none twice."""
    path = folder / "m.csv"
    rows = [f'scans/a.png,"P{i}"x,1' if i % 2 else f"scans/q{i}.png,P{i},1" for i in range(20_000)]
    path.write_text("\n".join(["file,participant,occasion", *rows, 'scans/q.png,"P']), "utf-8")
    with pytest.raises(ManifestError) as caught:
        read_manifest(path)
    got = [(f.row, f.column) for f in caught.value.faults]
    assert got == [(i + 2, "" if i % 2 else "file") for i in range(20_000)] + [(20_002, "")]


def test_rows_that_ask_the_same_share_their_task_and_keep_their_code(folder):
    rows = [HEAD, *([f"scans/{n}.png", f"P0{i}", *ROW[2:]] for i, n in enumerate("abc"))]
    samples = read_manifest(put(folder, rows)).samples
    assert [s.task.code for s in samples] == ["P00", "P01", "P02"]
    assert samples[0].asked is samples[2].asked
    assert samples[1].task.age_months == 112 and samples[1].task.text == ROW[3]


def test_pages_of_one_sheet_stand_in_one_cell(folder):
    (sample,) = read_manifest(put(folder, [HEAD, ["scans/a.png + scans/b.png", *ROW[1:]]])).samples
    assert sample.files == ("scans/a.png", "scans/b.png") and sample.file == "scans/a.png + scans/b.png"
    rows = [
        [*HEAD, "page"],
        ["scans/a.png + scans/a.png", *ROW[1:], ""],
        ["scans/b.png + scans/q.png", "P02", *ROW[2:], "2"],
    ]
    got = faults(folder, rows)
    assert set(got) == {(2, "file"), (3, "file"), (3, "page")}
