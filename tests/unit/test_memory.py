"""Freed memory is kept at hand where the C library can."""

from __future__ import annotations

import platform
import subprocess
import sys
from pathlib import Path

import pytest

# Pictures of a page are made and dropped in turn; a page fault is the system handing memory out anew.
PICTURES = """
import resource
import numpy as np
from handwriting.memory import keep_freed
if {keep}:
    keep_freed()
def stage():
    small = [np.ones(300_000, np.uint8) for _ in range(100)]
    del small
stage()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(10):
    stage()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU C library is asked")
def test_memory_that_was_freed_is_not_asked_for_again():
    faults = {}
    for keep in (False, True):
        done = subprocess.run(
            [sys.executable, "-c", PICTURES.format(keep=keep)], capture_output=True, text=True, check=True
        )
        faults[keep] = int(done.stdout)
    assert faults[True] < 0.1 * faults[False]


LARGE = """
from pathlib import Path
from handwriting.memory import keep_freed
keep_freed()
maps = Path("/proc/self/smaps").read_text()
heaps = [part.split("VmFlags:")[1].split("\\n")[0] for part in maps.split("[heap]")[1:]]
print(any(" hg" in flags for flags in heaps))
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU C library is asked")
@pytest.mark.skipif(not Path("/sys/kernel/mm/transparent_hugepage/enabled").exists(), reason="the system has none")
def test_what_is_kept_comes_in_large_pages():
    # The system's own list says so: proc(5), VmFlags, hg.
    done = subprocess.run([sys.executable, "-c", LARGE], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"
