"""Read every file of a folder and tabulate what became of it. By hand, not part of the test run.

    python tests/robustness/corpus_check.py FOLDER [--list]

Good folders are the test files inside the source distributions of imaging libraries. Nothing may end as "ESCAPED": that
is an exception other than ours, or output on the error stream is seen while this runs.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

from handwriting.errors import HandwritingError, UsageError
from handwriting.page import count_pages, read_page


def outcome(path: Path, most: int) -> tuple[str, str]:
    """Read the first pages of a file; what became of it, in a word and a sentence."""
    try:
        pages = count_pages(path)
        shapes = []
        for number in range(1, min(pages, most) + 1):
            page = read_page(path, number)
            shapes.append("x".join(map(str, reversed(page.grey.shape))) + ("" if page.colour is None else " colour"))
    except UsageError as error:
        return "ESCAPED", f"usage: {error}"
    except HandwritingError as error:
        return type(error).__name__, str(error)
    except Exception as error:  # noqa: BLE001 - to be seen in the table
        return "ESCAPED", repr(error)
    return (
        "page",
        f"{pages} pages: {', '.join(shapes)}; {page.claimed_dpi} {page.claim_source}; {'; '.join(page.notes)}",
    )


def main() -> int:
    """Walk the folder and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--list", action="store_true", help="one line a file besides the table")
    parser.add_argument("--pages", type=int, default=3, help="pages read of each file")
    asked = parser.parse_args()
    say = sys.stdout.write
    by_kind: dict[str, Counter[str]] = defaultdict(Counter)
    times: list[tuple[float, str]] = []
    began = time.monotonic()
    for path in sorted(asked.folder.rglob("*")):
        if not path.is_file():
            continue
        start = time.monotonic()
        word, sentence = outcome(path, asked.pages)
        times.append((time.monotonic() - start, path.name))
        by_kind[path.suffix.lower() or "(none)"][word] += 1
        if asked.list or word in {"ESCAPED", "DecodeFailedError"}:
            say(f"{word:22} {path.relative_to(asked.folder)}: {sentence}\n")
    total = sum(by_kind.values(), Counter())
    words = sorted(total)
    say("\n" + "suffix".ljust(10) + "".join(word.replace("Error", "").rjust(17) for word in words) + "\n")
    for suffix in sorted(by_kind):
        say(suffix.ljust(10) + "".join(str(by_kind[suffix][word]).rjust(17) for word in words) + "\n")
    say("all".ljust(10) + "".join(str(total[word]).rjust(17) for word in words) + "\n")
    times.sort(reverse=True)
    say(f"\n{len(times)} files in {time.monotonic() - began:.0f} s; slowest: ")
    say(", ".join(f"{name} {seconds:.1f} s" for seconds, name in times[:5]) + "\n")
    own, children = (
        resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    say(f"largest memory: parent {own:.0f} MB, children {children:.0f} MB\n")
    return int(total["ESCAPED"] > 0)


if __name__ == "__main__":
    sys.exit(main())
