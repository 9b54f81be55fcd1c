"""The same study on dask.distributed: a real scheduler and workers on loopback, one worker killed in mid-run."""

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import studies
import study_fakes
from test_engine import RUNNER, go, names

pytest.importorskip("distributed")

from handwriting.batch import pool
from handwriting.batch.cluster import cluster_workers
from handwriting.batch.engine import run
from handwriting.batch.study import finish
from handwriting.batch.work import Order, Settings
from handwriting.errors import MissingProgramError, UsageError


def environment():
    return os.environ | {"PYTHONPATH": os.pathsep.join(sys.path), "DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT": "60s"}


@contextlib.contextmanager
def cluster(folder, workers):
    """A scheduler and workers, each a process of its own; yields the address and the workers."""
    file = folder / "scheduler.json"
    common = {"env": environment(), "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    dask = [sys.executable, "-m", "dask"]
    command = ["scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(file)]
    scheduler = subprocess.Popen([*dask, *command], **common)
    crew = []
    try:
        deadline = time.monotonic() + 60
        while not file.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        for _ in range(workers):
            command = ["worker", "--scheduler-file", str(file), "--nthreads", "1", "--no-nanny", "--no-dashboard"]
            crew.append(subprocess.Popen([*dask, *command, "--host", "127.0.0.1"], **common))
        import json

        yield json.loads(file.read_text("utf-8"))["address"], crew
    finally:
        for process in (*crew, scheduler):
            process.kill()
            process.wait()


def test_two_workers_one_killed_at_random_give_the_same_bytes(tmp_path):
    samples = names(60)
    _, calm = go(tmp_path, samples, study=tmp_path / "calm")
    with cluster(tmp_path, 2) as (address, crew):
        arguments = [str(tmp_path / "pages" / "pages.csv"), str(tmp_path / "study"), "2", "noted", address]
        process = subprocess.Popen(
            [sys.executable, str(RUNNER), *arguments], env=environment(), stderr=subprocess.PIPE, text=True
        )
        records = tmp_path / "study" / "records"
        while len(list(records.glob("s*.json"))) < 5 and process.poll() is None:
            time.sleep(0.02)
        time.sleep(random.Random(7).uniform(0.0, 0.5))
        assert process.poll() is None, "the run must still be going when its worker is killed"
        crew[0].send_signal(signal.SIGKILL)
        _, said = process.communicate(timeout=120)
        assert process.returncode == 0, said
    begun = (tmp_path / "pages" / "begun").read_text("utf-8").split()
    # The page in hand, and those whose answers were on their way (more on a busy machine); ten were waiting.
    assert set(begun) == set(samples) and len(begun) <= len(samples) + 6
    assert studies.tables(calm) == studies.tables(tmp_path / "study")


def test_a_page_that_kills_its_process_is_named_and_the_others_are_measured(tmp_path):
    manifest = studies.read(tmp_path / "pages", ["a1", "a2K", "a3", "a4X"])
    with cluster(tmp_path, 1) as (address, _):
        workers = cluster_workers(address, workers=1, chunk=4, seconds=30)
        done = run(
            manifest.samples, Settings(str(manifest.folder)), tmp_path / "s", workers, measure=study_fakes.deadly
        )
    assert (done.measured, done.refused) == (4, 2)


def test_a_process_stays_for_the_next_page_and_leaves_when_none_comes(tmp_path, monkeypatch):
    import handwriting.batch.cluster as module

    manifest = studies.read(tmp_path / "pages", ["a1", "a2", "a3K", "a4"])
    name = pool.name_of(study_fakes.deadly)
    one, two, dead, last = (Order(s, Settings(str(manifest.folder)), name) for s in manifest.samples)

    def process():
        return {int(c) for c in Path(f"/proc/self/task/{os.getpid()}/children").read_text("ascii").split()}

    try:
        before = process()
        assert isinstance(module.measure_page(one, 30), pool.Done)
        first = process() - before
        assert isinstance(module.measure_page(two, 30), pool.Done)
        assert process() - before == first and len(first) == 1
        assert isinstance(module.measure_page(dead, 30), pool.Died)
        monkeypatch.setattr(module, "_IDLE_SECONDS", 0.2)
        assert isinstance(module.measure_page(last, 30), pool.Done)
        deadline = time.monotonic() + 20
        while process() != before and time.monotonic() < deadline:
            time.sleep(0.05)
        assert process() == before
        assert isinstance(module.measure_page(one, 30), pool.Done)
    finally:
        module._kept.apart.close()


def test_no_scheduler_at_the_address(tmp_path, monkeypatch):
    manifest = studies.read(tmp_path / "pages", ["a1"])
    import handwriting.batch.cluster as module

    monkeypatch.setattr(module, "_PATIENCE", "1s")
    workers = cluster_workers("tcp://127.0.0.1:9", workers=1, chunk=4, seconds=30)
    with pytest.raises(UsageError, match="no scheduler answers"):
        run(manifest.samples, Settings(str(manifest.folder)), tmp_path / "s", workers, measure=study_fakes.cheap)
    assert Path(tmp_path / "s").is_dir()


def test_without_dask_the_program_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MissingProgramError, match=r"handwriting\[cluster\]"):
        cluster_workers("local", workers=1, chunk=4, seconds=30)


@pytest.mark.skipif(os.name != "posix", reason="a shell script stands in for the batch system")
def test_slurm_through_dask_jobqueue(tmp_path, monkeypatch):
    """The batch system is a script that starts what it is given; everything else is real."""
    pytest.importorskip("dask_jobqueue")
    import dask

    (tmp_path / "bin").mkdir()
    log = tmp_path / "jobs"
    for name, body in (
        (
            "sbatch",
            f'grep -q "#SBATCH" "$1" && cp "$1" {log}.sh || exit 1\n'
            f"sh {log}.sh >{log} 2>&1 &\necho $! >{log}.pid\necho 7",
        ),
        ("scancel", f"kill $(cat {log}.pid)"),
    ):
        script = tmp_path / "bin" / name
        script.write_text(f"#!/bin/sh\n{body}\n", "utf-8")
        script.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(sys.path))
    settings = {"jobqueue.slurm.cores": 1, "jobqueue.slurm.memory": "2GB", "jobqueue.slurm.processes": 1}
    settings |= {
        "jobqueue.slurm.interface": None,
        "jobqueue.slurm.scheduler-options": {"host": "127.0.0.1", "dashboard": False},
    }
    samples = names(12)
    _, calm = go(tmp_path, samples, study=tmp_path / "calm")
    manifest = studies.read(tmp_path / "pages", samples)
    with dask.config.set(settings):
        workers = cluster_workers("slurm", workers=1, chunk=6, seconds=60)
        run(manifest.samples, Settings(str(manifest.folder)), tmp_path / "s", workers, measure=study_fakes.cheap)
    finish(manifest, tmp_path / "s")
    assert studies.tables(calm) == studies.tables(tmp_path / "s")
