"""A name for audio that depends on its content alone."""

import hashlib

import numpy as np

from chainweigh.audio.array import Samples


def digest_samples(samples: Samples, sample_rate_hz: int) -> str:
    """BLAKE2b digest (64 hexadecimal digits) of samples, their shape and their rate.

    Notes
    -----
    Equal on every machine: samples are hashed as little-endian float32.

    References
    ----------
    RFC 7693 (2015).
    """
    n_channels, n_frames = samples.shape
    state = hashlib.blake2b(digest_size=32)
    state.update(f"{n_channels} {n_frames} {sample_rate_hz}\n".encode())
    state.update(np.ascontiguousarray(samples, dtype="<f4").data)
    return state.hexdigest()
