"""Ready job files for a cluster: two scripts for SLURM and a Snakefile, made for one manifest."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

from handwriting.errors import UsageError
from handwriting.report.write import write_files

FILES = ("study.slurm", "merge.slurm", "Snakefile")
_PLAIN = re.compile(r"[\w.][\w./-]*")


def write_cluster_files(
    manifest: Path, folder: Path, *, out: str = "study", shards: int = 8, workers: int = 4
) -> list[Path]:
    """Write the job files into a folder.

    Parameters
    ----------
    manifest : Path
        As the jobs are to name it, from the folder they are submitted in.
    folder : Path
        Where the files go.
    out : str
        Folder of the study; shards go into ``<out>-shards``.
    shards, workers : int
        Jobs, and processes in each.

    Raises
    ------
    UsageError
        A name holds characters that a shell would not take as they are.
    """
    for name, given in (("manifest", str(manifest)), ("--study", out)):
        if not _PLAIN.fullmatch(given):
            fix = "Use letters, digits, and . _ - / in names of files and folders on a cluster."
            raise UsageError(f"'{given}' cannot stand in a job file", where=name, fix=fix)
    places = {"@MANIFEST@": str(manifest), "@OUT@": out, "@SHARDS@": str(shards), "@WORKERS@": str(workers)}
    contents = {}
    for file in FILES:
        text = resources.files("handwriting.batch.templates").joinpath(file).read_text("utf-8")
        for place, value in places.items():
            text = text.replace(place, value)
        contents[file] = text.encode("utf-8")
    return list(write_files(folder, contents).values())
