"""The store under load and under fire.

    python tests/benchmarks/store.py --samples 10000     how long listing and comparing take in a large store
    python tests/benchmarks/store.py --kills 200         kill a writer so often; nothing it said was kept may be lost

Times are wall-clock and processor seconds of the best of five; the large store has 25 samples of each pupil, half of
them repeats of another within days.
"""

import argparse
import datetime as dt
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "store"))

from kept_records import record_of
from killing import kill_writers

from handwriting.change import compare, occasions
from handwriting.quantity import Measured
from handwriting.repeats import errors
from handwriting.store import kept, open_store


def fill(place: Path, samples: int) -> None:
    """Keep one record, and write it again and again with other figures, 25 a pupil, in one transaction."""
    chance = np.random.default_rng(1)
    with open_store(place, create=True) as store:
        record = store.record(store.keep(record_of(code="P0000", date="2021-01-01")))
        columns, data = kept.head(record), kept.packed(record)
        columns |= {
            "kept_at": "2026-01-01T00:00:00+00:00",
            "kept_by": "",
            "keep_until": "2027-01-01",
            "rescan_of": None,
        }
        names = [*columns, "pupil"]
        adding = f"INSERT INTO sample ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
        with store._writing():
            for number in range(1, samples):
                pupil, nth = divmod(number, 25)
                store._db.execute("INSERT OR IGNORE INTO pupil (code) VALUES (?)", (f"P{pupil:04d}",))
                day = dt.date(2022, 1, 3) + dt.timedelta(days=30 * (nth // 2) + 4 * (nth % 2) + pupil % 20)
                own = {**columns, "date": day.isoformat(), "page_sha256": f"{number:064x}"}
                own["pupil"] = store._one("SELECT id FROM pupil WHERE code = ?", f"P{pupil:04d}")[0]
                new = store._db.execute(adding, tuple(own.values())).lastrowid
                drawn = {
                    key: replace(q, value=q.value * (1 + 0.03 * chance.normal())) if isinstance(q, Measured) else q
                    for key, q in record.measures.items()
                }
                store._db.execute("INSERT INTO figures VALUES (?, ?)", (new, kept.figures(drawn)))
                store._add_revision(new, "", data)


def timed(name: str, job) -> None:
    """Print the best of five runs of a job."""
    walls, cpus = [], []
    for _ in range(5):
        wall, cpu = time.perf_counter(), time.process_time()
        job()
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
    sys.stdout.write(f"{name:28} {1000 * min(walls):7.0f} ms wall {1000 * min(cpus):7.0f} ms processor\n")


def speed(folder: Path, samples: int) -> None:
    """Time opening, listing and comparing."""
    place = folder / "large.sqlite"
    fill(place, samples)

    def pupils() -> None:
        with open_store(place) as store:
            store.pupils()

    def rows() -> None:
        with open_store(place) as store:
            assert len(store.rows()) == samples

    def change() -> None:
        with open_store(place) as store:
            held = occasions(store.samples("P0007"))
            found = compare(held[0], held[-1], errors(store.repeats(held[-1].first)))
        assert found.differences and all(d.claim != "untold" for d in found.differences)

    sys.stdout.write(f"{samples} samples, {place.stat().st_size / 1e6:.0f} MB\n")
    for name, job in (("list pupils", pupils), ("list every sample", rows), ("compare one pupil", change)):
        timed(name, job)


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=0)
    parser.add_argument("--kills", type=int, default=0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if asked.samples:
            speed(Path(folder), asked.samples)
        if asked.kills:
            said = kill_writers(Path(folder), asked.kills)
            sys.stdout.write(f"{asked.kills} kills, {said} samples kept and said so, none lost, check clean\n")


if __name__ == "__main__":
    main()
