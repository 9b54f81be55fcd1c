"""Where the project's files are, for the tests of the project itself."""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "handwriting"
_PARTS = (
    ".ci",
    "CHANGELOG.md",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "pyproject.toml",
    *("handwriting", "reference", "samples", "tests", "notebooks"),
)
_TEXTS = {"", ".py", ".md", ".toml", ".csv", ".json", ".css", ".j2", ".typ", ".txt", ".ipynb"}


def modules() -> dict[str, Path]:
    """Every module of the package by its dotted name."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def text_files() -> list[Path]:
    """Every text file of the fixed layout; not the lock file, whose form is the standard's own."""
    files = []
    for part in _PARTS:
        path = ROOT / part
        files += [path] if path.is_file() else [f for f in path.rglob("*") if f.is_file()]
    return sorted(f for f in files if f.suffix in _TEXTS and "__pycache__" not in f.parts)
