"""A whole study in one call: run, tables, gallery; shards made whole again; what a run would cost."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from handwriting.batch.engine import OVERLAYS, RECORDS, Progress, Run, Workers, local_workers, run
from handwriting.batch.gallery import write_gallery
from handwriting.batch.ledger import Outcome, open_ledger
from handwriting.batch.manifest import Manifest
from handwriting.batch.tables import write_tables
from handwriting.batch.work import Measure, Settings, measure_sample
from handwriting.errors import StudyError, UsageError

_TRIED = 5


def measure_study(
    manifest: Manifest,
    settings: Settings,
    study: Path,
    workers: Workers,
    *,
    resume: bool = False,
    again: bool = False,
    measure: Measure = measure_sample,
    progress: Callable[[Progress], None] = lambda _: None,
) -> Run:
    """Measure all samples of a manifest and write the tables; parameters as for `engine.run`."""
    done = run(
        manifest.samples,
        settings,
        study,
        workers,
        resume=resume,
        again=again,
        measure=measure,
        progress=progress,
    )
    finish(manifest, study, gallery=settings.overlays)
    return done


def finish(manifest: Manifest, study: Path, *, gallery: bool = False) -> None:
    """Write the tables of a study that has been run, and its gallery when asked to."""
    with open_ledger(study) as ledger:
        outcomes, about = ledger.outcomes(), ledger.about()
    write_tables(manifest, outcomes, study, about.get("settings", {}))
    if gallery:
        write_gallery(manifest, outcomes, study)


def merge(manifest: Manifest, shards: Sequence[Path], study: Path) -> Run:
    """Put the shards of a study together and write the tables, the same as those of one run.

    Parameters
    ----------
    manifest : Manifest
        The whole manifest.
    shards : sequence of Path
        The folders the shards were written to. They stay as they are.
    study : Path
        Where the whole study goes.

    Raises
    ------
    StudyError
        A shard is not finished or was measured by other settings, two shards differ about a sample, or samples are
        missing.
    """
    gathered: dict[str, tuple[Outcome, Path]] = {}
    settings: dict[str, object] | None = None
    for shard in shards:
        if shard.resolve() == study.resolve():
            raise UsageError(
                "a shard's folder cannot be the folder of the whole", where=str(shard), fix="Change --out."
            )
        with open_ledger(shard) as ledger:
            about, outcomes = ledger.about(), ledger.outcomes()
        if not about.get("complete"):
            raise StudyError("the shard is not finished", where=str(shard), fix="Run it again with --resume.")
        if settings is not None and about["settings"] != settings:
            fix = "Measure all shards by the same settings."
            raise StudyError("the shard was measured by other settings", where=str(shard), fix=fix)
        settings = about["settings"]
        for name, outcome in outcomes.items():
            before = gathered.setdefault(name, (outcome, shard))[0]
            if (before.sha256, before.refused) != (outcome.sha256, outcome.refused):
                fix = "Give each shard its own number."
                raise StudyError(f"two shards differ about the sample {name}", where=str(shard), fix=fix)
    missing = [s.name for s in manifest.samples if s.name not in gathered]
    if missing:
        fix = "Name the folders of all shards; run those that are left."
        what = f"samples in no shard: {len(missing)} (the first is {missing[0]})"
        raise StudyError(what, fix=fix)
    wanted = [gathered[s.name] for s in manifest.samples]
    with open_ledger(study, make=True) as ledger:
        ledger.note(complete=False)
        pictures = [_bring(outcome, shard, study) for outcome, shard in wanted]
        ledger.put(*(outcome for outcome, _ in wanted))
        ledger.note(settings=settings or {}, samples=len(wanted), complete=True)
    finish(manifest, study, gallery=any(pictures))
    return Run(len(wanted), 0, sum(o.refused is not None for o, _ in wanted))


def _bring(outcome: Outcome, shard: Path, study: Path) -> bool:
    """Copy (or link) a sample's files; True when it has a picture for the gallery."""
    brought = False
    for folder, ending in ((RECORDS, "json"), (OVERLAYS, "jpg")):
        source = shard / folder / f"{outcome.sample}.{ending}"
        target = study / folder / source.name
        if outcome.refused is None and source.is_file():
            brought = ending == "jpg"
            if target.exists() and target.samefile(source):
                continue  # a link from an earlier merge; renaming a file onto itself would do nothing
            target.parent.mkdir(parents=True, exist_ok=True)
            passing = target.with_name(f".{target.name}.part")
            passing.unlink(missing_ok=True)
            try:
                os.link(source, passing)
            except OSError:
                shutil.copyfile(source, passing)
            passing.replace(target)
    return brought


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a run would take, from a few pages really measured: seconds, bytes on the disk, and on what it rests."""

    pages: int
    tried: int
    refused: int
    seconds: float
    bytes: int


def estimate(
    manifest: Manifest,
    settings: Settings,
    *,
    workers: int,
    seconds: float,
    measure: Measure = measure_sample,
) -> Estimate:
    """Measure up to five pages spread over the manifest in a folder of no account, and reckon from them."""
    samples = manifest.samples
    step = max(1, len(samples) // _TRIED)
    tried = [s._replace(own=()) for s in samples[step // 2 :: step][:_TRIED]]
    with tempfile.TemporaryDirectory(prefix="handwriting-") as folder:
        study = Path(folder)
        times: list[float] = []
        starts = time.monotonic()

        def tick(_: Progress) -> None:
            times.append(time.monotonic() - starts)

        done = run(tried, settings, study, local_workers(1, seconds), measure=measure, progress=tick)
        finish(Manifest(manifest.folder, (), tuple(tried)), study, gallery=settings.overlays)
        size = sum(p.stat().st_size for p in study.rglob("*") if p.is_file())
    # The first page carries the start of the worker, unless it is the only one.
    each = (times[-1] - times[0]) / (len(times) - 1) if len(times) > 1 else times[0]
    total = each * len(samples) / max(1, min(workers, len(samples)))
    return Estimate(len(samples), len(tried), done.refused, total, round(size * len(samples) / len(tried)))
