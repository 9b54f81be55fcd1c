"""Open-licence handwriting fonts, installed by name and turned into plain outline files.

The fonts stay outside the project: `npm install` puts the packages named here into a folder of your choice, and
`pack` joins each font's Latin parts into one file that HarfBuzz and FreeType read.
"""

from __future__ import annotations

import argparse
import logging
import subprocess
import tempfile
from pathlib import Path

from fontTools.merge import Merger
from fontTools.ttLib import TTFont, TTLibError

log = logging.getLogger(__name__)

SCOPE = "@fontsource/"
SCHOOL = tuple(
    f"playwrite-{name}"
    for name in [
        "ar",
        "at",
        "be-wal",
        "br",
        "ca",
        "cl",
        "co",
        "cu",
        "cz",
        "de-grund",
        "de-sas",
        "dk-loopet",
        "dk-uloopet",
        "es",
        "fr-moderne",
        "fr-trad",
        "hr",
        "hu",
        "id",
        "ie",
        "in",
        "is",
        "it-moderna",
        "it-trad",
        "mx",
        "ng-modern",
        "nl",
        "no",
        "nz",
        "pe",
        "pl",
        "pt",
        "ro",
        "sk",
        "tz",
        "us-modern",
        "us-trad",
        "za",
    ]
) + tuple(
    f"edu-{name}"
    for name in ["nsw-act-foundation", "qld-beginner", "sa-beginner", "tas-beginner", "vic-wa-nt-beginner"]
)
ADULT = (
    "alex-brush",
    "allura",
    "annie-use-your-telescope",
    "architects-daughter",
    "bad-script",
    "birthstone",
    "caveat",
    "caveat-brush",
    "cedarville-cursive",
    "chilanka",
    "comic-neue",
    "cookie",
    "corinthia",
    "courgette",
    "covered-by-your-grace",
    "damion",
    "dancing-script",
    "delicious-handrawn",
    "delius",
    "ephesis",
    "gaegu",
    "gloria-hallelujah",
    "gochi-hand",
    "grand-hotel",
    "great-vibes",
    "handlee",
    "happy-monkey",
    "herr-von-muellerhoff",
    "homemade-apple",
    "indie-flower",
    "italianno",
    "itim",
    "kalam",
    "kaushan-script",
    "licorice",
    "liu-jian-mao-cao",
    "long-cang",
    "mansalva",
    "marck-script",
    "montecarlo",
    "mr-de-haviland",
    "ms-madi",
    "nanum-brush-script",
    "nanum-pen-script",
    "neucha",
    "oooh-baby",
    "parisienne",
    "patrick-hand",
    "permanent-marker",
    "pinyon-script",
    "playpen-sans",
    "poor-story",
    "reenie-beanie",
    "rochester",
    "rock-salt",
    "sacramento",
    "satisfy",
    "schoolbell",
    "shadows-into-light",
    "shantell-sans",
    "short-stack",
    "sriracha",
    "sue-ellen-francisco",
    "swanky-and-moo-moo",
    "tangerine",
    "the-girl-next-door",
    "twinkle-star",
    "vibur",
    "whisper",
    "yellowtail",
    "yomogi",
    "zen-kurenaido",
    "zhi-mang-xing",
)
LIGHT = "200"


def install(folder: Path) -> None:
    """Install every font package named above into `folder` with npm."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "package.json").write_text('{"private": true}\n')
    names = [SCOPE + name for name in (*SCHOOL, *ADULT)]
    subprocess.run(["npm", "install", "--ignore-scripts", "--no-audit", "--no-fund", *names], cwd=folder, check=True)


def _as_ttf(source: Path, target: Path) -> None:
    font = TTFont(source)
    font.flavor = None
    font.save(target)


def pack(packages: Path, target: Path) -> int:
    """Write one .ttf for each font (two weights of the school hands) from the installed packages.

    Parameters
    ----------
    packages : Path
        The folder `install` was given.
    target : Path
        Folder for the .ttf files.

    Returns
    -------
    int
        How many were written.
    """
    target.mkdir(parents=True, exist_ok=True)
    written = 0
    for name in (*SCHOOL, *ADULT):
        files = packages / "node_modules" / "@fontsource" / name / "files"
        for weight in ("400", LIGHT) if name.startswith("playwrite") else ("400",):
            out = target / f"{name}-{weight}.ttf"
            latin, extended = (files / f"{name}-{part}-{weight}-normal.woff2" for part in ("latin", "latin-ext"))
            if not latin.exists():
                log.warning("%s has no Latin file of weight %s", name, weight)
                continue
            _as_ttf(latin, out)
            if extended.exists():
                _merge(out, extended)
            written += 1
    return written


def _merge(latin: Path, extended: Path) -> None:
    """Add the letters of the extended Latin file to the Latin one; on a clash the Latin one stays alone."""
    with tempfile.TemporaryDirectory() as scratch:
        second = Path(scratch) / "extended.ttf"
        _as_ttf(extended, second)
        try:
            Merger().merge([str(latin), str(second)]).save(latin)
        except (AssertionError, NotImplementedError, KeyError, AttributeError, ValueError, TTLibError) as clash:
            log.warning("%s: Latin letters only (%s)", latin.stem, clash)


def main() -> None:
    """Install and pack: `python -m handwriting.reader.train.fonts PACKAGES TARGET`."""
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    for chatty in ("fontTools.merge", "fontTools.subset", "fontTools.ttLib"):
        logging.getLogger(chatty).setLevel(logging.ERROR)
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("packages", type=Path)
    parser.add_argument("target", type=Path)
    chosen = parser.parse_args()
    if not (chosen.packages / "node_modules").exists():
        install(chosen.packages)
    log.info("%d font files", pack(chosen.packages, chosen.target))


if __name__ == "__main__":
    main()
