"""Kill a writer again and again; see that every sample it said was kept is there and whole."""

import random
import subprocess
import sys
import time
from pathlib import Path

from kept_records import record_of

from handwriting.record import to_json
from handwriting.store import open_store

CHILD = Path(__file__).with_name("keeping.py")


def kill_writers(folder, times, seed=1):
    """Return how many samples were acknowledged over `times` killed writers, after checking that none was lost."""
    store, record = folder / "store.sqlite", folder / "record.json"
    record.write_text(to_json(record_of()), "utf-8")
    chance, said, first = random.Random(seed), [], 0
    for _ in range(times):
        command = [sys.executable, str(CHILD), str(store), str(record), str(first)]
        writer = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            assert writer.stdout.readline() == "open\n"
            # From the first write on, at any moment of one of the next few.
            time.sleep(chance.uniform(0.0, 0.25))
        finally:
            writer.kill()
            rest, _ = writer.communicate()
        lines = rest.splitlines()
        # The last line may be cut short by the kill; a whole one is an acknowledgement.
        whole = lines if rest.endswith("\n") or not rest else lines[:-1]
        said += [tuple(map(int, line.split())) for line in whole]
        # The kill may come after the commit and before it is said: the next writer starts well above.
        first += 1000
    with open_store(store, create=True) as held:
        found = {row.number for row in held.rows()}
        assert {number for number, _ in said} <= found
        checked = held.check()
        assert checked.faults == ()
        # Nothing half-written: every sample has its record, figures and picture.
        assert checked.samples == checked.revisions == checked.pictures == len(found)
        assert len(found) - len(said) <= times
        for number, mark in said:
            assert held.record(number).page.sha256 == f"{mark:064x}"
    return len(said)
