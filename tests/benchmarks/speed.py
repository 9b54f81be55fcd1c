"""Time and memory of one page, as ratios within one run. Run from the repository root::

    python tests/benchmarks/speed.py PAGE ... [--rounds 3]

For every page on one thread: file to record, beside a plain decode with an adaptive threshold, and beside the layout
analysis of a general reading program where that is installed, twice: as a Python program asks for it, with
``pytesseract.image_to_data`` (``--psm 6``) on the page once it is loaded, which writes it to a file, starts the program
and reads its table; and the bare program on the page's own file, which spares all that. The rounds alternate and the
quickest of each counts, in processor time of this process and its children, because machines are noisy. Peak memory is
that of a process of its own. Last, the command line's ``--help``.
"""

from __future__ import annotations

import argparse
import os

# Before numpy is loaded: its libraries read these once.
os.environ["OMP_NUM_THREADS"] = "1"
os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ["OMP_THREAD_LIMIT"] = "1"

import resource
import shutil
import subprocess
import sys
import time
from functools import lru_cache
from pathlib import Path

import cv2
import pytesseract
from PIL import Image

from handwriting.memory import keep_freed

cv2.setNumThreads(1)

ONE_PAGE = """
import resource, sys
import cv2
cv2.setNumThreads(1)
from handwriting.calibration import Given
from handwriting.memory import keep_freed
from handwriting.page import read_page
from handwriting.pipeline import Options, measure_page
from handwriting.task import read_task
keep_freed()
measure_page(read_page(sys.argv[1]), read_task(), Options(Given(float(sys.argv[2])), read=False))
# A started process takes over the peak of the one that started it into its `ru_maxrss`, but not into this.
print(next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM")) / 1024)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)
"""


def say(text):
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def spent():
    own, others = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


def plain(path):
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    cv2.adaptiveThreshold(grey, 255, cv2.ADAPTIVE_THRESH_GAUSSIAN_C, cv2.THRESH_BINARY_INV, 51, 15)


def plain_mean(path):
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    cv2.adaptiveThreshold(grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, 51, 15)


def ours(path):
    from handwriting.calibration import Given
    from handwriting.page import read_page
    from handwriting.pipeline import Options, measure_page
    from handwriting.task import read_task

    measure_page(read_page(path), read_task(), Options(Given(300.0), read=False))


@lru_cache(maxsize=1)
def loaded(path):
    with Image.open(path) as page:
        page.load()
        return page


def through_python(path):
    pytesseract.image_to_data(loaded(path), config="--psm 6", output_type=pytesseract.Output.DICT)


def bare(path):
    subprocess.run(["tesseract", str(path), "-", "--psm", "6"], capture_output=True, check=False)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pages", nargs="+", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    # As every command does that measures.
    keep_freed()
    jobs = {"record": ours, "threshold (Gauss)": plain, "threshold (mean)": plain_mean}
    if shutil.which("tesseract"):
        jobs |= {"psm 6 through pytesseract": through_python, "psm 6, bare": bare}
    for page in asked.pages:
        ours(page)
        loaded(page)
        best = dict.fromkeys(jobs, float("inf"))
        for _ in range(asked.rounds):
            for name, job in jobs.items():
                start = spent()
                job(page)
                best[name] = min(best[name], spent() - start)
        ratios = ", ".join(f"{best['record'] / best[n]:.2f} x {n}" for n in jobs if n != "record")
        times = ", ".join(f"{n} {1000 * t:.0f} ms" for n, t in best.items())
        peak = subprocess.run(
            [sys.executable, "-c", ONE_PAGE, str(page), "300"], capture_output=True, text=True, check=True
        )
        own, child = (float(v) for v in peak.stdout.split())
        say(f"{page.name}: {times}; record = {ratios}; peak {own:.0f} MiB (decoding child {child:.0f} MiB)")
    start = time.perf_counter()
    help_ = "from handwriting.cli import main; main(['--help'])"
    subprocess.run([sys.executable, "-c", help_], capture_output=True, check=True)
    say(f"--help: {time.perf_counter() - start:.2f} s on the clock")


if __name__ == "__main__":
    main()
