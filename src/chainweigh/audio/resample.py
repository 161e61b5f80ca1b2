"""Conversion between sample rates."""

import math

import numpy as np

from chainweigh.audio.array import Audio, check_rate, check_samples


def n_frames_resampled(n_frames: int, present_hz: int, wanted_hz: int) -> int:
    """Length after conversion: n_frames * wanted / present, rounded up."""
    return -(-n_frames * wanted_hz // present_hz)


def resample(audio: Audio, sample_rate_hz: int) -> Audio:
    """Convert audio to another sample rate, linear phase, without delay.

    Parameters
    ----------
    audio : Audio
        Samples, shape (n_channels, n_frames).
    sample_rate_hz : int
        Rate wanted, 8000 to 384000 Hz. At the rate the audio has, it comes back as it is.

    Returns
    -------
    Audio
        Length as `n_frames_resampled` says: nothing is cut at the end.

    Raises
    ------
    SignalError
        Samples that break the array convention; a rate out of range.

    Notes
    -----
    libsoxr at its quality VHQ. Measured between 44.1 and 48 kHz: a full-scale sine leaves less than
    -150 dB beside itself, and loses 0.0001 dB at 15 kHz and 0.007 dB at 20 kHz.
    Silence stays silence. Peaks between samples may become samples above +-1.0, and stay so.
    Equal channels stay equal.

    References
    ----------
    R. Sykes, The SoX Resampler library, libsoxr.
    """
    check_samples(audio.samples)
    check_rate(audio.sample_rate_hz)
    check_rate(sample_rate_hz)
    if sample_rate_hz == audio.sample_rate_hz:
        return audio
    import soxr

    n_frames = n_frames_resampled(audio.n_frames, audio.sample_rate_hz, sample_rate_hz)
    # libsoxr rounds its length to nearest; trailing zeros give it the frames to round up.
    n_zeros = math.ceil(audio.sample_rate_hz / sample_rate_hz)
    result = np.empty((audio.samples.shape[0], n_frames), dtype=np.float32)
    for channel, converted in zip(audio.samples, result, strict=True):
        longer = np.pad(channel, (0, n_zeros))
        converted[:] = soxr.resample(longer, audio.sample_rate_hz, sample_rate_hz, quality="VHQ")[
            :n_frames
        ]
    return Audio(result, sample_rate_hz)
