"""What the command line says to pages and options it cannot work with: one sentence, its exit code, nothing written."""

import errno
import os
import struct

import cv2
import numpy as np
import pytest
from odd_files import encoded, pdf_page, pdf_scan, png, png_chunk
from PIL import Image

from handwriting import cli
from handwriting.phantoms import ABLE, PASSAGES, Capture, Paper, draw

DPI = 150
A4 = (1754, 1240)


@pytest.fixture(scope="session")
def written(tmp_path_factory):
    """A page with a few lines of writing on blank paper, its resolution stated."""
    page = draw(PASSAGES[1][:120], ABLE, Paper(rules="none", pitch_mm=14), Capture(dpi=DPI), seed=5)
    path = tmp_path_factory.mktemp("written") / "page.png"
    Image.fromarray(page.image).save(path, dpi=(DPI, DPI))
    return path


@pytest.fixture
def refused(tmp_path, capsys):
    """Run the command line on bytes, pixels or a path; what it said, after checking how it said it."""

    def run(given, exit_code, *options):
        if isinstance(given, np.ndarray):
            path = tmp_path / "given.png"
            Image.fromarray(given).save(path, dpi=(DPI, DPI))
        elif isinstance(given, bytes):
            path = tmp_path / "given.png"
            path.write_bytes(given)
        else:
            path = given
        out = tmp_path / "out"
        with pytest.raises(SystemExit) as caught:
            cli.main(["measure", str(path), "--out", str(out), *options])
        said = capsys.readouterr()
        assert caught.value.code == exit_code, said
        assert said.out == ""
        assert not out.exists()
        assert "Traceback" not in said.err
        if "Usage:" not in said.err:
            assert said.err.count("\n") == 1
            assert said.err.startswith("handwriting: ")
        return said.err

    return run


# Files


@pytest.mark.parametrize(
    ("data", "exit_code", "words"),
    [
        (b"", 11, "is empty"),
        (b"Dear Sir or Madam,\nthis is a letter.\n", 11, "not a picture or document"),
        (encoded(np.full((600, 500), 200, np.uint8), "JPEG")[:400], 12, "given.png"),
        (encoded(np.full((600, 500), 200, np.uint8), "PNG")[:-200], 12, "given.png"),
        (png(np.zeros((0, 0), np.uint8)), 12, "given.png"),
        (png(np.zeros((1, 1), np.uint8), size=(30_000, 30_000)), 13, "given.png"),
    ],
    ids=["empty", "text", "cut JPEG", "cut PNG", "no pixels", "30,000 x 30,000"],
)
def test_files(refused, data, exit_code, words):
    assert words in refused(data, exit_code)


def test_missing(refused, tmp_path):
    assert "there is no such file" in refused(tmp_path / "gone.png", 11)


def test_folder(refused, tmp_path):
    assert "is a folder" in refused(tmp_path, 11)


def test_bomb(refused):
    """Two kilobytes that say they unpack to 40,000 megapixels are refused by their header."""
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", 200_000, 200_000, 1, 0, 0, 0, 0))
    data = b"\x89PNG\r\n\x1a\n" + head + png_chunk(b"IDAT", b"\x78\x9c" + b"\0" * 2000) + png_chunk(b"IEND", b"")
    assert "pixels" in refused(data, 13)


def test_limit_of_the_users_own(refused, written):
    said = refused(written, 13, "--max-pixels", "1000000")
    assert "(--max-pixels " in said


def test_locked_pdf(refused, tmp_path):
    pikepdf = pytest.importorskip("pikepdf")
    plain = tmp_path / "plain.pdf"
    plain.write_bytes(pdf_page())
    locked = tmp_path / "locked.pdf"
    with pikepdf.open(plain) as document:
        document.save(locked, encryption=pikepdf.Encryption(owner="owner", user="user"))
    assert "password" in refused(locked, 14)


def test_page_the_file_does_not_have(refused, tmp_path):
    path = tmp_path / "one.pdf"
    path.write_bytes(pdf_scan(np.full((100, 80), 255, np.uint8), (595, 842)))
    assert "1 page" in refused(path, 2, "--page", "2")
    refused(path, 2, "--page", "0")


# Pages without writing


def fur(seed=3):
    """A blurred furry animal: soft ellipses of body, head and ears, hairs of all directions over them, blurred."""
    rng = np.random.default_rng(seed)
    height, width = A4
    picture = np.full((height, width), 150, np.uint8)
    picture[int(0.7 * height) :] = 110
    for x, y, a, b, grey in (
        (620, 1100, 400, 480, 90),
        (620, 560, 270, 240, 100),
        (440, 370, 70, 130, 85),
        (800, 370, 70, 130, 85),
    ):
        cv2.ellipse(picture, (x, y), (a, b), 0, 0, 360, grey, -1)
    for x in (520, 720):
        cv2.circle(picture, (x, 540), 38, 215, -1)
        cv2.circle(picture, (x, 540), 16, 15, -1)
    picture = cv2.GaussianBlur(picture, (0, 0), 12)
    for x, y in zip(rng.integers(150, 1090, 9000), rng.integers(250, 1600, 9000), strict=True):
        angle, length = rng.uniform(0, np.pi), rng.uniform(15, 45)
        end = (int(x + length * np.cos(angle)), int(y + length * np.sin(angle)))
        grey = int(np.clip(int(picture[y, x]) + rng.integers(-45, 45), 0, 255))
        cv2.line(picture, (int(x), int(y)), end, grey, 2, cv2.LINE_AA)
    return cv2.GaussianBlur(picture, (0, 0), 2)


def clouds(seed=1):
    """Smooth random light and dark at many scales, as a landscape out of focus."""
    rng = np.random.default_rng(seed)
    total = np.zeros(A4, np.float32)
    for cells in (4, 8, 16, 32, 64):
        part = rng.standard_normal((cells, cells)).astype(np.float32)
        total += cv2.resize(part, A4[::-1], interpolation=cv2.INTER_CUBIC) / cells**0.5
    return cv2.normalize(total, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)


def noisy(low, high):
    return np.random.default_rng(2).integers(low, high, A4).astype(np.uint8)


@pytest.mark.parametrize(
    "picture",
    [
        np.full(A4, 255, np.uint8),
        np.full(A4, 128, np.uint8),
        np.zeros(A4, np.uint8),
        noisy(0, 256),
        noisy(235, 256),
        fur(),
        clouds(),
        np.tile(np.linspace(0, 255, A4[1]).astype(np.uint8), (A4[0], 1)),
        np.full((1, 1), 0, np.uint8),
        np.full((3, 4000), 255, np.uint8),
        np.eye(8, dtype=np.uint8) * 255,
    ],
    ids=["white", "grey", "black", "noise", "faint noise", "fur", "clouds", "ramp", "one pixel", "sliver", "tiny"],
)
def test_pictures_without_writing(refused, picture):
    said = refused(picture, 20)
    assert "no writing was found" in said
    assert said.count(". ") == 1, "what happened, then how to mend it"


@pytest.mark.parametrize(
    ("name", "larger"),
    [
        *((name, 1) for name in ("chelsea", "astronaut", "camera", "coffee", "coins", "gravel", "rocket")),
        *((name, 3) for name in ("chelsea", "coins")),
    ],
)
def test_photographs(refused, name, larger):
    """Photographs that come with scikit-image; `chelsea` is a cat."""
    photograph = getattr(pytest.importorskip("skimage.data"), name)()
    shown = cv2.resize(photograph, None, fx=larger, fy=larger, interpolation=cv2.INTER_CUBIC)
    assert "no writing was found" in refused(shown, 20)


def test_page_too_dark_to_be_paper_is_not_called_blank(refused):
    assert "dark all over" in refused(np.full(A4, 20, np.uint8), 20)
    assert "the page is blank" in refused(np.full(A4, 250, np.uint8), 20)


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
def test_page_cut_through_its_letters(written, tmp_path, side):
    """Where the picture ends inside a stroke, the edges of strokes lie on its border."""
    whole = np.asarray(Image.open(written))
    inked = whole < 100
    turns = {"left": 0, "top": 1, "right": 2, "bottom": 3}[side]
    turned, ink = np.rot90(whole, turns), np.rot90(inked, turns).sum(0)
    first, last = np.flatnonzero(ink)[[0, -1]]
    early = ink[: first + (last - first) // 3]
    for i, cut in enumerate(np.argsort(-early)[:2]):
        path = tmp_path / f"cut-{i}.png"
        Image.fromarray(np.ascontiguousarray(np.rot90(turned[:, cut:], -turns))).save(path, dpi=(DPI, DPI))
        with pytest.raises(SystemExit) as caught:
            cli.main(["measure", str(path), "--quiet", "--out", str(tmp_path / "out")])
        assert caught.value.code == 0


@pytest.mark.parametrize("size", [(64, 64), (65, 4000), (4000, 65), (200, 150)])
@pytest.mark.parametrize("picture", [np.zeros, np.ones, noisy], ids=["black", "white", "noise"])
def test_small_pictures(refused, size, picture):
    pixels = picture(0, 256)[: size[0], : size[1]] if picture is noisy else picture(size, np.uint8) * 255
    assert "no writing was found" in refused(pixels, 20)


@pytest.mark.parametrize("dpi", ["50", "4800"])
def test_resolution_far_from_the_truth(written, tmp_path, capsys, dpi):
    """Whatever is said of the resolution, the page is measured or refused in a sentence."""
    with pytest.raises(SystemExit) as caught:
        cli.main(["measure", str(written), "--dpi", dpi, "--quiet", "--out", str(tmp_path / "out")])
    said = capsys.readouterr()
    assert caught.value.code in (0, 20)
    assert said.err.count("\n") == (caught.value.code == 20)


def test_lined_paper_without_writing(refused):
    paper = Paper(top_mm=20)
    page = draw("a", ABLE, paper, Capture(dpi=DPI), seed=1)
    box = page.truth.words[0].box.scaled(page.truth.px_per_mm)
    bare = page.image.copy()
    columns = slice(int(box.left) - 4, int(box.right) + 5)
    bare[int(box.top) - 4 : int(box.bottom) + 5, columns] = bare[int(box.top) - 4 : int(box.bottom) + 5, columns.stop][
        :, None
    ]
    assert "no writing was found" in refused(bare, 20)


# Options


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--dpi", "12"), "--dpi 12"),
        (("--dpi", "-300"), "--dpi -300"),
        (("--dpi", "nan"), "--dpi nan"),
        (("--dpi", "fine"), "--dpi"),
        (("--rule-mm", "0"), "--rule-mm 0"),
        (("--rule-mm", "8"), "no printed rules were found"),
        (("--ruler",), "no ruler with millimetres was found"),
        (("--ruler", "--rule-mm", "8"), "both set the scale"),
        (("--bar-mm", "100"), "no copying sheet was found"),
        (("--tolerance-mm", "99"), "--tolerance-mm"),
        (("--page", "3"), "Leave the page number out"),
        (("--letters", "many"), "--letters"),
        (("--letters", "-3"), "--letters"),
        (("--letters", "1000000"), "1000000 is out of range"),
        (("--seconds", "0"), "--seconds"),
        (("--seconds", "five"), "--seconds"),
        (("--seconds", "5", "--letters", "300"), "nobody writes 300 letters in 5 seconds"),
        (("--seconds", "1", "--text", "The cat sat on the mat.", "--reached", "mat"), "Give the time in seconds"),
        (("--seconds", "4:30"), "Write 270 for 4 minutes and 30 seconds"),
        (("--reached", "dog"), "--reached"),
        (("--reached", "dog", "--text", "The cat sat."), "--reached"),
        (("--reached", "the", "--text", "the cat and the dog"), "--reached"),
        (("--reached", "the#3", "--text", "the cat and the dog"), "--reached"),
        (("--reached", "catt", "--text", "The cat and the other cat."), "Did you mean cat?"),
        (("--text", "..."), "--text"),
        (("--grade", "ninety"), "--grade"),
        (("--age", "9:14"), "--age"),
        (("--code", "Someone Surname"), "--code"),
        (("--date", "tomorrow"), "--date"),
        (("--minute", "word 2, word 4000"), "word 4000 was given for a minute"),
        (("--minute", "1, 2, 3", "--seconds", "90"), "3 minutes were given, but the task lasted 90 seconds"),
        (("--effort", "11"), "--effort"),
        (("--blank", "top:25mm"), "--blank: this is for a record that is kept"),
        (("--until", "2040-01-01"), "--until: this is for a record that is kept"),
        (("--by", "aide"), "--by: this is for a record that is kept"),
        (("--store", "kept.sqlite"), "--store: this is for a record that is kept"),
        (("--keep", "--blank", "top"), "not a strip"),
        (("--keep", "--until", "2001-01-01"), "has passed"),
        (("--colour", "red"), "--colour"),
    ],
    ids=" ".join,
)
def test_options(refused, written, options, words):
    assert words in refused(written, 2, *options)


def test_text_file_that_is_not_there(refused, written):
    assert "there is no such text file" in refused(written, 11, "--text", "passage.txt")


# Results that cannot be written


def measured_into(path, out, capsys):
    with pytest.raises(SystemExit) as caught:
        cli.main(["measure", str(path), "--out", str(out), "--quiet"])
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err
    assert caught.value.code == 30
    return said.err


def test_out_is_a_file(written, tmp_path, capsys):
    out = tmp_path / "taken"
    out.write_text("mine", "utf-8")
    assert "taken" in measured_into(written, out, capsys)
    assert out.read_text("utf-8") == "mine"


def test_a_folder_stands_where_the_record_goes(written, tmp_path, capsys):
    (tmp_path / "out" / "record.json").mkdir(parents=True)
    assert "record.json" in measured_into(written, tmp_path / "out", capsys)
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["record.json"]


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="this user may write everywhere")
def test_folder_that_may_not_be_written(written, tmp_path, capsys):
    tmp_path.chmod(0o500)
    try:
        measured_into(written, tmp_path / "out", capsys)
    finally:
        tmp_path.chmod(0o700)


@pytest.mark.parametrize("before", [0, 2])
def test_full_disk_leaves_nothing_half_written(written, tmp_path, capsys, monkeypatch, before):
    """The disk is full when the first or the third file is stored; what stood in the folder stays as it was."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "record.json").write_text("older", "utf-8")
    stored = []

    def full(handle):
        stored.append(handle)
        if len(stored) > before:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    said = measured_into(written, out, capsys)
    assert "could not be written" in said
    assert [p.name for p in out.iterdir()] == ["record.json"]
    assert (out / "record.json").read_text("utf-8") == "older"


def test_full_disk_leaves_no_folder_behind(written, tmp_path, capsys, monkeypatch):
    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    measured_into(written, tmp_path / "deep" / "out", capsys)
    assert list(tmp_path.iterdir()) == []


def test_out_of_memory(refused, written, monkeypatch):
    def full(*args, **kwargs):
        raise MemoryError

    monkeypatch.setattr("handwriting.page.read_page", full)
    assert "memory" in refused(written, 15)


def test_a_fault_of_the_program_is_a_sentence(refused, written, monkeypatch):
    def broken(*args, **kwargs):
        return list(args)[99]

    monkeypatch.setattr("handwriting.page.read_page", broken)
    monkeypatch.delenv("HANDWRITING_TRACE", raising=False)
    assert "IndexError in test_refusals.py" in refused(written, 70)
    monkeypatch.setenv("HANDWRITING_TRACE", "1")
    with pytest.raises(IndexError):
        cli.main(["measure", str(written)])


def test_stopped_by_the_user(refused, written, monkeypatch):
    def stopped(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("handwriting.page.read_page", stopped)
    assert "stopped" in refused(written, 130)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["sheet"], "needs --passage or --text"),
        (["sheet", "--passage", "fox", "--paper", "a3"], "--paper"),
        (["sheet", "--passage", "nosuch"], "nosuch"),
        (["sheet", "--passage", "fox", "--rule", "nosuch"], "nosuch"),
        (["phantom", "--writer", "nosuch"], "nosuch"),
        (["phantom", "--dpi", "20"], "--dpi"),
        (["figures", "nosuch"], "nosuch"),
        (["nosuch"], "nosuch"),
    ],
    ids=lambda v: " ".join(v) if isinstance(v, list) else "",
)
def test_other_commands(capsys, tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as caught:
        cli.main(arguments)
    said = capsys.readouterr()
    assert caught.value.code == 2
    assert words in said.err
    assert "Traceback" not in said.err
    assert list(tmp_path.iterdir()) == []
