"""Memory that one candidate frees and the next needs again."""

import ctypes

M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3  # of mallopt, in glibc's malloc.h
KEPT_BYTES, LARGE_BYTES = 1 << 28, 1 << 24


def keep_freed_memory() -> None:
    """Have glibc keep freed memory, up to 256 MB and arrays of 16 MB, for what comes next.

    Given back and taken anew, page by page, it costs a run 6 % of its time. Without glibc: nothing.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return
    mallopt(M_MMAP_THRESHOLD, LARGE_BYTES)
    mallopt(M_TRIM_THRESHOLD, KEPT_BYTES)
