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
        lines, pace = [], 0.05
        try:
            assert writer.stdout.readline() == "open\n"
            begun = time.monotonic()
            for _ in range(chance.randrange(4)):
                lines.append(writer.stdout.readline())
                begun, pace = time.monotonic(), time.monotonic() - begun
            # Then at any moment of the next write or two, however fast this machine is.
            time.sleep(chance.uniform(0.0, 1.5 * pace))
        finally:
            writer.kill()
            rest, _ = writer.communicate()
        # The last line may be cut short by the kill; a whole one is an acknowledgement.
        said += [
            tuple(map(int, line.split()))
            for line in "".join([*lines, rest]).splitlines(keepends=True)
            if line.endswith("\n")
        ]
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
