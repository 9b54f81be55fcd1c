"""Run a study of cheap pages to its end, or until killed: ``study_run.py MANIFEST OUT WORKERS FAKE [SCHEDULER]``."""

import sys
from pathlib import Path

import study_fakes

from handwriting.batch.engine import local_workers
from handwriting.batch.manifest import read_manifest
from handwriting.batch.study import measure_study
from handwriting.batch.work import Settings


def main() -> None:
    manifest, out, number, fake, *scheduler = sys.argv[1:]
    checked = read_manifest(Path(manifest))
    if scheduler:
        from handwriting.batch.cluster import cluster_workers

        crew = cluster_workers(scheduler[0], workers=int(number), chunk=10, seconds=60)
    else:
        crew = local_workers(int(number), 60)
    measure_study(
        checked, Settings(str(checked.folder)), Path(out), crew, resume=True, measure=getattr(study_fakes, fake)
    )


if __name__ == "__main__":
    main()
