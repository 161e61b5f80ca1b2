"""Memory two processes share through a file descriptor: it has no name, so none is left behind.

The parent writes and reads it like a file, which costs no page faults; the worker maps it. Both
keep what they have from one render to the next: fresh pages cost more than the copying.
"""

import mmap
import os
import tempfile

import numpy as np

from chainweigh.audio.array import Samples

FLOAT_BYTES = 4


def new_descriptor() -> int:
    """Descriptor of a new, empty, nameless file, in memory where the system can."""
    if hasattr(os, "memfd_create"):
        return os.memfd_create("chainweigh", os.MFD_CLOEXEC)
    with tempfile.TemporaryFile() as file:
        return os.dup(file.fileno())


def put(descriptor: int, samples: Samples) -> None:
    """Write samples to the start of the memory."""
    content = samples.data.cast("B")
    done = 0
    while done < len(content):
        done += os.pwrite(descriptor, content[done:], done)


def get(descriptor: int, start: int, n_channels: int, n_frames: int) -> Samples:
    """Samples that lie `start` samples from the start of the memory."""
    samples = np.empty((n_channels, n_frames), np.float32)
    content = samples.data.cast("B")
    done = 0
    while done < len(content):
        n_read = os.preadv(descriptor, [content[done:]], FLOAT_BYTES * start + done)
        if not n_read:
            raise EOFError("the shared memory ends before the samples do")
        done += n_read
    return samples


class MappedMemory:
    """The memory as the worker sees it."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._mapped: mmap.mmap | None = None

    def array(self, start: int, n_channels: int, n_frames: int) -> Samples:
        """Samples of the memory, `start` samples from its start; it grows as needed."""
        n_samples = n_channels * n_frames
        n_bytes = max(FLOAT_BYTES * (start + n_samples), 1)
        if os.fstat(self._descriptor).st_size < n_bytes:
            os.ftruncate(self._descriptor, n_bytes)
        if self._mapped is None or len(self._mapped) < n_bytes:
            self._mapped = mmap.mmap(self._descriptor, n_bytes)  # arrays keep the old one alive
        view = np.frombuffer(self._mapped, np.float32, n_samples, FLOAT_BYTES * start)
        return view.reshape(n_channels, n_frames)
