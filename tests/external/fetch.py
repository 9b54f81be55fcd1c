"""Fetch the outside material of the external checks: pen ink with true units and seconds, and printed fonts.

Run once at set-up (`python tests/external/fetch.py`); the checks themselves ask no network and are skipped where the
material is not there. It goes to the folder named by HANDWRITING_TEST_DATA, else to a folder of the user's own cache,
never into the project.

Sources, by package name in the Python package registry: universal-ink-library 2.1.2 (source distribution; Apache-2.0;
English pen ink), font-roboto 0.0.1, font-source-sans-pro 0.0.1 and
font-caladea 0.0.2 (each under its own open font licence).
"""

import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

INK_LINES = "ink-lines.json"
INK_PAGE = "ink-page.xml"
_INK_FILES = {
    "ink/uim_3.0.0_json/2) Digital Ink is processable 1.json": INK_LINES,
    "ink/iot/HelloInk.paper": INK_PAGE,
}
_INK = "universal-ink-library==2.1.2"
_FONTS = {
    "font-roboto==0.0.1": ("Roboto-Regular.ttf",),
    "font-source-sans-pro==0.0.1": ("SourceSansPro-Regular.ttf",),
    "font-caladea==0.0.2": ("Caladea-Regular.ttf",),
}


def folder() -> Path:
    """Return where the material lies, whether or not it is there."""
    named = os.environ.get("HANDWRITING_TEST_DATA")
    if named:
        return Path(named)
    cache = os.environ.get("XDG_CACHE_HOME")
    return (Path(cache) if cache else Path.home() / ".cache") / "handwriting-test-data"


def _download(package: str, into: Path, *options: str) -> Path:
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", *options, "--dest", str(into), package]
    subprocess.run(command, check=True, timeout=300)
    return next(into.iterdir())


def _members(archive: Path) -> dict[str, bytes]:
    if archive.suffix in {".whl", ".zip"}:
        with zipfile.ZipFile(archive) as opened:
            return {name: opened.read(name) for name in opened.namelist() if not name.endswith("/")}
    with tarfile.open(archive) as opened:
        files = [(member.name, opened.extractfile(member)) for member in opened if member.isfile()]
        return {name.partition("/")[2]: file.read() for name, file in files if file is not None}


def _place(name: str, content: bytes) -> None:
    target = folder() / name
    whole = target.with_suffix(".part")
    whole.write_bytes(content)
    whole.replace(target)
    sys.stdout.write(f"{target}\n")


def fetch() -> None:
    """Fetch what is missing."""
    folder().mkdir(parents=True, exist_ok=True)
    if not all((folder() / name).is_file() for name in _INK_FILES.values()):
        with tempfile.TemporaryDirectory() as scratch:
            # Only the source distribution carries the ink.
            members = _members(_download(_INK, Path(scratch), "--no-binary", ":all:"))
        for inside, name in _INK_FILES.items():
            _place(name, members[inside])
    for package, names in _FONTS.items():
        if all((folder() / name).is_file() for name in names):
            continue
        with tempfile.TemporaryDirectory() as scratch:
            members = _members(_download(package, Path(scratch)))
        for name in names:
            _place(name, next(content for inside, content in members.items() if inside.endswith(name)))


if __name__ == "__main__":
    fetch()
