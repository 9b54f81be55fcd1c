"""Memory of the program's own processes, which do nothing but measure pages.

The C library gives the memory of a page's pictures back to the system when a stage is done with them, and asks for it
again for the next stage; the system clears it anew each time. Such a process keeps it, in large pages where the system
has them: a page of 300 dpi touches some 15,000 small ones, each with a fault of its own, and again after each fork for
decoding. Nor is what the program has loaded looked through for garbage over and over. Keeping takes 4 to 7 % off a
page's time, large pages and less collecting 3 to 7 %. A program that only uses this package may have other plans and
has to ask.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import gc
import mmap
import sys

# The names of the two settings in the C library's malloc.h, and the largest sizes that serve a page of 300 dpi.
_MMAP_THRESHOLD, _TRIM_THRESHOLD = -3, -1
_LARGEST, _KEPT = 32 * 1024**2, 128 * 1024**2
# Objects made before new ones are looked through for garbage: a page makes some thousands that live on for its sake.
_YOUNG = 20_000


@functools.cache
def keep_freed() -> None:
    """Let this process keep up to 128 MB that it has freed, and collect garbage less often.

    Only the latter happens where the C library has no such settings. To be called once all is imported.
    """
    gc.freeze()
    gc.set_threshold(_YOUNG, 10, 10)
    if sys.platform != "linux":
        return
    with contextlib.suppress(OSError, AttributeError):
        library = ctypes.CDLL(None)
        library.mallopt(_MMAP_THRESHOLD, _LARGEST)
        library.mallopt(_TRIM_THRESHOLD, _KEPT)
        _large_pages(library)


def _large_pages(library: ctypes.CDLL) -> None:
    """Let the heap grow by what is kept, and have that served in large pages; nothing of it is touched yet."""
    library.malloc.argtypes, library.malloc.restype = [ctypes.c_size_t], ctypes.c_void_p
    library.free.argtypes, library.free.restype = [ctypes.c_void_p], None
    library.sbrk.argtypes, library.sbrk.restype = [ctypes.c_ssize_t], ctypes.c_void_p
    library.madvise.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int]
    large = 2 * 1024**2
    start = library.sbrk(0)
    # Less than what is asked for apart, and all of them less than what is given back.
    held = [library.malloc(_LARGEST - 1024**2) for _ in range(_KEPT // _LARGEST)]
    end = library.sbrk(0)
    for block in held:
        library.free(block)
    first, last = -(-start // large) * large, end // large * large
    if first < last:
        library.madvise(first, last - first, mmap.MADV_HUGEPAGE)
