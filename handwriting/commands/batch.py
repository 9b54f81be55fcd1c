"""A study: many pages in one run, on one machine or several."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from handwriting.errors import ManifestError, UsageError

if TYPE_CHECKING:
    from handwriting.batch.engine import Progress, Workers
    from handwriting.batch.manifest import Manifest

_SHOWN = 40
_Manifest = Annotated[Path, typer.Argument(help="CSV or XLSX that names the pages.", show_default=False)]
_Folder = Annotated[Path | None, typer.Option(help="Where the files are, when not beside the manifest.")]


def batch(
    manifest: _Manifest,
    out: Annotated[Path, typer.Option(help="Folder of the study.")] = Path("study"),
    workers: Annotated[
        int | None, typer.Option(min=1, max=256, help="Processes; one a processor when left out.")
    ] = None,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with a study that is there.")] = False,
    again: Annotated[
        bool, typer.Option("--again", help="Also try the pages again that could not be measured.")
    ] = False,
    folder: _Folder = None,
    shard: Annotated[str, typer.Option(help="Measure only this part, such as 2/8; see merge.")] = "",
    scheduler: Annotated[
        str, typer.Option(help="Work on a cluster: a Dask scheduler's address, local, or slurm.")
    ] = "",
    chunk: Annotated[
        int, typer.Option(min=1, max=1000, help="Pages before each worker of the cluster: one in hand, others waiting.")
    ] = 4,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check the manifest, measure a few pages, say what all would take.")
    ] = False,
    gallery: Annotated[
        bool, typer.Option("--gallery", help="Also make a page of all overlays to look through.")
    ] = False,
    who: Annotated[str, typer.Option(help="Initials or role of the person whose corrections are used.")] = "",
    tolerance_mm: Annotated[
        float, typer.Option(min=0.05, max=5.0, help="Half-width of the band that counts as on the line.")
    ] = 0.5,
    max_pixels: Annotated[int, typer.Option(min=1, help="Largest page taken, in pixels.")] = 100_000_000,
    page_seconds: Annotated[float, typer.Option(min=1, help="Longest time one page may take.")] = 600.0,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but refusals.")] = False,
) -> None:
    """Measure all pages of a manifest into tidy tables; can be stopped and resumed.

    \b
    Columns of the manifest (others of yours are carried through):
    file, participant                     needed; participant is a code
    sample                                a name for each row, if participant and occasion do not do
    occasion, page, dpi, rule_mm, bar_mm  about the page
    text, seconds, letters, reached, age, grade, sex, date, setting, task,
    instruction, paper, tool, hand, script, country, term, effort,
    supervised, said, minutes
                                          as the options of handwriting measure
    """  # noqa: D301 - the command line library wants this very character
    from handwriting.batch import engine, study
    from handwriting.batch.methods import counted
    from handwriting.batch.work import Settings
    from handwriting.typed import read_role

    checked = _read(manifest, folder, quiet=quiet)
    by = read_role(who, "--who") if who else ""
    settings = Settings(str(checked.folder.resolve()), tolerance_mm, max_pixels, gallery, by)
    number = workers or engine.processors()
    if dry_run:
        if not quiet:
            _show_estimate(study.estimate(checked, settings, workers=number, seconds=page_seconds))
        return
    crew = _workers(scheduler, number, chunk, page_seconds)
    with _Showing(quiet) as show:
        try:
            if shard:
                part = engine.shard_of(checked.samples, *_shard(shard))
                done = engine.run(part, settings, out, crew, resume=resume, again=again, progress=show.tell)
            else:
                done = study.measure_study(checked, settings, out, crew, resume=resume, again=again, progress=show.tell)
        except KeyboardInterrupt:
            show.close()
            typer.echo(f"What is done is kept in {out}. Go on with: --resume", err=True)
            raise
    if not quiet:
        kept = f", {done.kept} kept from before" if done.kept else ""
        typer.echo(
            f"{counted(done.measured, 'page')} measured now{kept}; {done.refused} could not be measured. Study: {out}"
        )
        if done.refused and not shard:
            typer.echo(f"Why, and what to do: {out / 'failures.csv'}")


def merge(
    manifest: _Manifest,
    shards: Annotated[list[Path], typer.Argument(help="Folders of the shards.", show_default=False)],
    out: Annotated[Path, typer.Option(help="Folder of the whole study.")] = Path("study"),
    folder: _Folder = None,
) -> None:
    """Put the shards of a study together and write its tables."""
    from handwriting.batch import study
    from handwriting.batch.methods import counted

    done = study.merge(_read(manifest, folder), shards, out)
    typer.echo(f"{counted(done.measured, 'page')}; {done.refused} could not be measured. Study: {out}")


def _read(path: Path, folder: Path | None, *, quiet: bool = False) -> Manifest:
    from handwriting.batch.columns import reserved
    from handwriting.batch.manifest import read_manifest
    from handwriting.batch.methods import counted

    listing = listing_of(path)
    try:
        checked = read_manifest(path, folder=folder, reserved=reserved(), listing=listing, first=_SHOWN)
    except ManifestError as error:
        tell(error, listing)
        raise
    if not quiet:
        typer.echo(f"{path.name}: {counted(len(checked.samples), 'page')}, no faults.")
    return checked


def listing_of(path: Path) -> Path:
    """Return where the faults of a table are listed when there are many."""
    return path.with_name(f"{path.stem}.faults.csv")


def tell(error: ManifestError, listing: Path) -> None:
    """Print the faults of a table, or the first of them and where all are."""
    for fault in error.faults:
        typer.echo(str(fault), err=True)
    if more := error.count - len(error.faults):
        where = f"all are listed in {error.listed}" if error.listed else f"{listing} cannot be written"
        typer.echo(f"... and {more} more; {where}", err=True)


def _shard(given: str) -> tuple[int, int]:
    number, slash, of = given.partition("/")
    if slash and number.isdecimal() and of.isdecimal() and 1 <= int(number) <= int(of) <= 100_000:
        return int(number), int(of)
    raise UsageError(f"'{given}' is not a shard", where="--shard", fix="Write its number and how many, such as 2/8.")


def _workers(scheduler: str, number: int, chunk: int, seconds: float) -> Workers:
    from handwriting.batch.engine import local_workers

    if not scheduler:
        return local_workers(number, seconds)
    from handwriting.batch.cluster import cluster_workers

    return cluster_workers(scheduler, workers=number, chunk=chunk, seconds=seconds)


def _show_estimate(found: Any) -> None:  # noqa: ANN401 - a study's Estimate
    from handwriting.batch.methods import counted

    typer.echo(
        f"{counted(found.pages, 'page')}: about {_spell(found.seconds)} and {_size(found.bytes)} on the disk, "
        f"reckoned from {counted(found.tried, 'page')} measured now ({found.refused} of them could not be)."
    )


def _spell(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def _size(number: int) -> str:
    return f"{number / 1e9:.1f} GB" if number >= 1e9 else f"{max(number, 1) / 1e6:.1f} MB"


class _Showing:
    """Progress with rate and time left: a moving line on a terminal, a line now and then elsewhere."""

    def __init__(self, quiet: bool) -> None:
        self._quiet, self._moving = quiet, sys.stderr.isatty()
        self._next = 0.0
        self._open = False

    def __enter__(self) -> _Showing:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def tell(self, now: Progress) -> None:
        import time

        from handwriting.batch.methods import counted

        pause = 0.2 if self._moving else 30.0
        if self._quiet or (time.monotonic() < self._next and now.done < now.total):
            return
        self._next = time.monotonic() + pause
        line = (
            f"{now.done} of {counted(now.total, 'page')}, {now.refused} not measured, "
            f"{now.rate * 60:.1f} pages/min, {_spell(now.left)} left"
        )
        typer.echo(f"\r{line:<78}" if self._moving else line, nl=not self._moving, err=True)
        self._open = self._moving

    def close(self) -> None:
        if self._open:
            typer.echo("", err=True)
            self._open = False


def cluster_files(
    manifest: Annotated[Path, typer.Argument(help="The manifest, as the jobs are to name it.", show_default=False)],
    out: Annotated[Path, typer.Option(help="Folder for the job files.")] = Path(),
    study: Annotated[str, typer.Option(help="Folder of the study.")] = "study",
    shards: Annotated[int, typer.Option(min=1, max=100_000, help="Jobs: some 500 to 2,000 pages each do well.")] = 8,
    workers: Annotated[int, typer.Option(min=1, max=256, help="Processes in each job.")] = 4,
) -> None:
    """Write job files for a cluster: SLURM scripts and a Snakefile."""
    from handwriting.batch.cluster_files import write_cluster_files

    for path in write_cluster_files(manifest, out, out=study, shards=shards, workers=workers):
        typer.echo(f"Written: {path}")
