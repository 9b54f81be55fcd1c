"""Runs of a study: workers that die, hang and are killed; what is kept; what is done again; who is let in."""

import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
import studies
import study_fakes

from handwriting.batch import engine, pool
from handwriting.batch.engine import local_workers, run, shard_of
from handwriting.batch.ledger import NAME, open_ledger
from handwriting.batch.study import finish, measure_study, merge
from handwriting.batch.work import Settings
from handwriting.errors import OutputError, StudyError, UsageError

RUNNER = Path(__file__).with_name("study_run.py")


def names(count):
    """Names of samples; every seventh is refused."""
    return [f"s{i:03d}{'R' if i % 7 == 3 else ''}" for i in range(count)]


def go(folder, samples, *, workers=1, fake=study_fakes.cheap, study=None, seconds=60, **how):
    manifest = studies.read(folder / "pages", samples)
    out = folder / "study" if study is None else study
    settings = Settings(str(manifest.folder), overlays=how.pop("overlays", False))
    done = measure_study(manifest, settings, out, local_workers(workers, seconds), measure=fake, **how)
    return done, out


def test_the_number_of_workers_cannot_be_seen(tmp_path):
    done, one = go(tmp_path, names(40))
    assert (done.measured, done.kept, done.refused) == (40, 0, 6)
    _, three = go(tmp_path, names(40), workers=3, fake=study_fakes.unhurried, study=tmp_path / "three")
    assert studies.tables(one) == studies.tables(three)
    assert len(list((one / "records").iterdir())) == 34


def test_a_page_that_kills_hangs_or_breaks_is_a_row_and_its_neighbours_are_measured(tmp_path):
    samples = ["a1", "a2K", "a3", "a4H", "a5X", "a6R", "a7", "a8"]
    done, study = go(tmp_path, samples, workers=2, fake=study_fakes.deadly, seconds=2)
    assert (done.measured, done.refused) == (8, 4)
    with open_ledger(study) as ledger:
        kinds = {name: o.refused.kind for name, o in ledger.outcomes().items() if o.refused}
        why = ledger.outcomes()["a5X"].refused.what
    assert kinds == {"a2K": "died", "a4H": "late", "a5X": "mistake", "a6R": "no-writing"}
    assert "study_fakes.py" in why and "ZeroDivisionError: no such luck" in why


def test_resume_measures_what_is_new_or_changed_and_nothing_else(tmp_path):
    samples = names(12)
    _, study = go(tmp_path, samples)
    with pytest.raises(StudyError, match="--resume"):
        go(tmp_path, samples)
    manifest = studies.read(tmp_path / "pages", samples)

    def again(given, **how):
        return run(
            given,
            Settings(str(manifest.folder)),
            study,
            local_workers(1, 60),
            resume=True,
            measure=study_fakes.cheap,
            **how,
        )

    def done_now(given, **how):
        ran = again(given, **how)
        return ran.measured, ran.kept

    # Writing the page files again gave them another time.
    for name in samples:
        os.utime(tmp_path / "pages" / f"{name}.png", ns=(10**18, 10**18))
    assert done_now(manifest.samples) == (12, 0)
    assert done_now(manifest.samples) == (0, 12)
    os.utime(tmp_path / "pages" / "s001.png", ns=(10**18, 2 * 10**18))
    (study / "records" / "s002.json").unlink()
    (study / "corrections").mkdir()
    (study / "corrections" / "s004.txt").write_text("letters 12\n", "utf-8")
    assert done_now(manifest.samples) == (3, 9)
    assert '"kind": "letters"' in (study / "records" / "s004.json").read_text("utf-8")
    refused = sum("R" in name for name in samples)
    assert done_now(manifest.samples, again=True) == (refused, 12 - refused)
    shorter = [s for s in manifest.samples if s.name != "s000"]
    assert done_now(shorter) == (0, 11)
    assert not (study / "records" / "s000.json").exists(), "what belongs to no row goes"


def test_a_record_that_was_changed_is_not_taken_for_the_one_measured(tmp_path):
    _, study = go(tmp_path, names(3))
    record = study / "records" / "s001.json"
    record.write_text(record.read_text("utf-8").replace("2", "3"), "utf-8")
    manifest = studies.read(tmp_path / "pages", names(3))
    with pytest.raises(StudyError, match="s001"):
        finish(manifest, study)
    assert not list(study.glob(".*"))


def test_two_runs_on_one_study_are_refused(tmp_path):
    _, study = go(tmp_path, names(2))
    with open_ledger(study), pytest.raises(StudyError, match="another run"):
        go(tmp_path, names(2), resume=True)


def test_folders_that_hold_something_else(tmp_path):
    manifest = studies.read(tmp_path / "pages", names(2))
    with pytest.raises(StudyError, match="holds no study"):
        finish(manifest, tmp_path / "nothing")
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / NAME).write_bytes(b"no ledger at all, but long enough to be one" * 100)
    with pytest.raises(StudyError, match="not whole"), open_ledger(tmp_path / "broken"):
        pass
    for version, application, what in ((9, 0x68775354, "newer"), (1, 7, "not a ledger")):
        with contextlib.closing(sqlite3.connect(tmp_path / "broken.sqlite")) as other:
            other.execute(f"PRAGMA user_version={version}")
            other.execute(f"PRAGMA application_id={application}")
        (tmp_path / "broken.sqlite").replace(tmp_path / "broken" / NAME)
        with pytest.raises(StudyError, match=what), open_ledger(tmp_path / "broken"):
            pass
    (tmp_path / "file").write_text("x", "utf-8")
    with pytest.raises(OutputError), open_ledger(tmp_path / "file" / "study", make=True):
        pass
    (tmp_path / "bytes").mkdir()
    (tmp_path / "bytes" / "corrections").mkdir()
    (tmp_path / "bytes" / "corrections" / "s000.txt").write_bytes(b"\xff\xfe\xfa")
    with pytest.raises(StudyError, match="corrections"):
        go(tmp_path, names(2), study=tmp_path / "bytes")


def test_functions_that_workers_cannot_find_are_refused(tmp_path):
    with pytest.raises(UsageError, match="cannot find"):
        go(tmp_path, names(2), fake=lambda order: study_fakes.cheap(order))  # noqa: PLW0108 - a function without a name


def test_workers_that_cannot_start_end_the_run(tmp_path):
    def lost(next_order):
        return pool.work_apart("no_such_module:work", next_order, workers=2, seconds=5)

    manifest = studies.read(tmp_path / "pages", names(4))
    with pytest.raises(StudyError, match="before they have started"):
        run(manifest.samples, Settings(str(manifest.folder)), tmp_path / "study", lost, measure=study_fakes.cheap)


def test_shards_divide_the_samples_and_merge_to_the_tables_of_one_run(tmp_path):
    samples = names(30)
    manifest = studies.read(tmp_path / "pages", samples)
    settings = Settings(str(manifest.folder), overlays=True)
    parts = [shard_of(manifest.samples, i, 3) for i in (1, 2, 3)]
    assert sorted(s.name for part in parts for s in part) == sorted(samples) and all(parts)
    assert shard_of(manifest.samples[::-1], 2, 3) == parts[1][::-1]
    crew = local_workers(1, 60)
    measure_study(manifest, settings, tmp_path / "whole", crew, measure=study_fakes.cheap)
    shards = [tmp_path / f"shard-{i}" for i in (1, 2, 3)]
    for part, folder in zip(parts[:2], shards, strict=False):
        run(part, settings, folder, crew, measure=study_fakes.cheap)
    with pytest.raises(StudyError, match="in no shard"):
        merge(manifest, shards[:2], tmp_path / "merged")
    with pytest.raises(StudyError, match="holds no study"):
        merge(manifest, shards, tmp_path / "merged")
    with pytest.raises(UsageError, match="folder of the whole"):
        merge(manifest, shards, shards[0])
    run(parts[2], Settings(str(manifest.folder), tolerance_mm=0.7), shards[2], crew, measure=study_fakes.cheap)
    with pytest.raises(StudyError, match="other settings"):
        merge(manifest, shards, tmp_path / "merged")
    run(parts[2], settings, shards[2], crew, measure=study_fakes.cheap, resume=True)
    for _ in range(2):
        merge(manifest, shards, tmp_path / "merged")
        assert studies.tables(tmp_path / "merged") == studies.tables(tmp_path / "whole")
    assert (tmp_path / "merged" / "gallery.html").read_bytes() == (tmp_path / "whole" / "gallery.html").read_bytes()
    with open_ledger(shards[1]) as ledger:
        ledger.note(complete=False)
    with pytest.raises(StudyError, match="not finished"):
        merge(manifest, shards, tmp_path / "merged")


def test_progress_tells_rate_and_time_left(tmp_path):
    told = []
    go(tmp_path, names(12), fake=study_fakes.unhurried, progress=told.append)
    assert [p.done for p in told] == list(range(1, 13))
    assert told[-1].left == 0 and told[-1].refused == 2 and told[5].rate > 0
    assert told[5].left == pytest.approx(6 / told[5].rate)
    assert engine.processors() >= 1


# --- kills --------------------------------------------------------------------------------------------------------


def children(pid):
    try:
        return [int(c) for c in Path(f"/proc/{pid}/task/{pid}/children").read_text("ascii").split()]
    except OSError:
        return []


def start(folder, study, workers=2):
    command = [sys.executable, str(RUNNER), str(folder / "pages" / "pages.csv"), str(study), str(workers), "unhurried"]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([*sys.path])}
    return subprocess.Popen(command, env=environment, stderr=subprocess.PIPE, text=True)


def kill_and_resume(folder, study, kills, seed):
    """Kill the main process or a worker at random moments, starting again whenever needed; count what was killed."""
    chance, done, process = random.Random(seed), {"main": 0, "worker": 0}, None
    while sum(done.values()) < kills:
        if process is None or process.poll() is not None:
            process = start(folder, study)
            # Most kills find work going on, some the program still starting.
            early = chance.random() < 0.1
            while not early and not children(process.pid) and process.poll() is None:
                time.sleep(0.02)
        time.sleep(chance.uniform(0.0, chance.choice((0.1, 0.5, 2.0))))
        workers = children(process.pid)
        if chance.random() < 0.3 or not workers:
            process.kill()
            process.communicate()
            done["main"] += 1
        else:
            with contextlib.suppress(ProcessLookupError):
                os.kill(chance.choice(workers), signal.SIGKILL)
                done["worker"] += 1
    if process.poll() is None:
        process.kill()
        process.communicate()
    last = start(folder, study)
    _, said = last.communicate(timeout=300)
    assert last.returncode == 0, said
    return done


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="finds workers through /proc")
def test_killed_at_random_moments_and_resumed_the_tables_are_those_of_an_undisturbed_run(tmp_path):
    samples = names(150)
    _, calm = go(tmp_path, samples, study=tmp_path / "calm")
    done = kill_and_resume(tmp_path, tmp_path / "killed", kills=10, seed=4)
    assert done["main"] and done["worker"]
    assert studies.tables(calm) == studies.tables(tmp_path / "killed")


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_ctrl_c_leaves_a_study_to_resume_and_no_worker_behind(tmp_path):
    studies.make(tmp_path / "pages", names(150))
    process = start(tmp_path, tmp_path / "study")
    # The third record means that two are in the ledger.
    while len(list((tmp_path / "study" / "records").glob("s*.json"))) < 3 and process.poll() is None:
        time.sleep(0.02)
    workers = children(process.pid)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=30)
    assert process.returncode == -signal.SIGINT
    assert workers and not any(Path(f"/proc/{pid}").exists() for pid in workers)
    with open_ledger(tmp_path / "study") as ledger:
        kept = ledger.outcomes()
    assert 2 <= len(kept) < 150
    assert not list((tmp_path / "study").rglob(".*.part"))
