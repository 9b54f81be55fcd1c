"""Keep freed memory at hand in the program's own processes.

The C library gives the memory of a page's pictures back to the system when a stage is done with them, and asks for it
again for the next stage; the system clears it anew each time. That takes a twentieth of a page's time. A process that
does nothing but measure pages keeps it; a program that only uses this package may have other plans and has to ask.
"""

from __future__ import annotations

import contextlib
import ctypes
import sys

# The names of the two settings in the C library's malloc.h, and the largest sizes that serve a page of 300 dpi.
_MMAP_THRESHOLD, _TRIM_THRESHOLD = -3, -1
_LARGEST, _KEPT = 32 * 1024**2, 128 * 1024**2


def keep_freed() -> None:
    """Let this process keep up to 128 MB that it has freed; nothing changes where the C library has no such setting."""
    if sys.platform != "linux":
        return
    with contextlib.suppress(OSError, AttributeError):
        library = ctypes.CDLL(None)
        library.mallopt(_MMAP_THRESHOLD, _LARGEST)
        library.mallopt(_TRIM_THRESHOLD, _KEPT)
