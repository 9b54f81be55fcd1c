"""Small studies for the tests: a manifest with empty page files, and what a finished study's tables hold."""

from pathlib import Path

from handwriting.batch.manifest import Manifest, read_manifest

TABLES = ("samples", "measures", "words", "letters", "failures")


def make(folder: Path, names: list[str], own: str = "class", cell: str = "5b") -> Path:
    """Write a manifest of samples with these names, and a file for each."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = [f"sample,file,participant,occasion,seconds,{own}"]
    for name in names:
        (folder / f"{name}.png").write_bytes(name.encode())
        rows.append(f"{name},{name}.png,P{name[:4]},1,300,{cell}")
    path = folder / "pages.csv"
    path.write_text("\r\n".join(rows) + "\r\n", "utf-8", newline="")
    return path


def read(folder: Path, names: list[str], **columns: str) -> Manifest:
    return read_manifest(make(folder, names, **columns))


def tables(study: Path) -> dict[str, bytes]:
    """Every file of a study that must not depend on how it was run."""
    files = [p for p in study.iterdir() if p.is_file() and p.suffix in {".csv", ".json", ".md", ".parquet"}]
    records = sorted((study / "records").iterdir())
    return {str(p.relative_to(study)): p.read_bytes() for p in [*files, *records]}
