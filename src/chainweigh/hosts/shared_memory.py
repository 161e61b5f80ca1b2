"""Memory two processes share through a file descriptor: it has no name, so none is left behind."""

import mmap
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import numpy as np

from chainweigh.audio.array import Samples

FLOAT_BYTES = 4


def new_descriptor() -> int:
    """Descriptor of a new, empty, nameless file, in memory where the system can."""
    if hasattr(os, "memfd_create"):
        return os.memfd_create("chainweigh", os.MFD_CLOEXEC)
    with tempfile.TemporaryFile() as file:
        return os.dup(file.fileno())


def copied_in(descriptor: int, samples: Samples) -> None:
    """Put samples at the start of the memory, which is made as long as they are."""
    os.ftruncate(descriptor, max(samples.nbytes, 1))
    with mapped(descriptor, 0, *samples.shape) as array:
        array[:] = samples


def copied_out(descriptor: int, start: int, n_channels: int, n_frames: int) -> Samples:
    """A copy of samples that lie `start` samples from the start; the memory is given back."""
    with mapped(descriptor, start, n_channels, n_frames) as array:
        samples = array.copy()
    os.ftruncate(descriptor, 0)
    return samples


@contextmanager
def mapped(descriptor: int, start: int, n_channels: int, n_frames: int) -> Iterator[Samples]:
    """Samples of the memory as an array, valid inside the with block."""
    n_samples = n_channels * n_frames
    end = FLOAT_BYTES * (start + n_samples)
    if os.fstat(descriptor).st_size < end:
        os.ftruncate(descriptor, max(end, 1))
    memory = mmap.mmap(descriptor, max(end, 1))
    try:
        view = np.frombuffer(memory, np.float32, n_samples, FLOAT_BYTES * start)
        yield view.reshape(n_channels, n_frames)
    finally:
        del view
        with suppress(BufferError):  # the caller's array still lives: unmapped with it
            memory.close()
