"""Freed memory is kept at hand where the C library can."""

from __future__ import annotations

import platform
import subprocess
import sys

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
