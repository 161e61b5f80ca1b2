"""A chain's impulse response where it is linear: frequency response and latency.

Conventions
-----------
The chain gets one impulse, in phase on both channels, so quiet that one 20 dB quieter reads the
same: that is the check that nothing in the chain works at that level. Effects that leave no tail
still ring for at least 6 s here.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, from_db
from chainweigh.measure.coherent import HIGHEST_HZ, LOWEST_HZ
from chainweigh.measure.delay import estimate_delay

LENGTH_S = 6.0
LEAD_S = 0.25  # what a filter that reaches ahead of the impulse may take
CENTRE_HZ = 1000.0
N_POINTS_PER_OCTAVE = 24
STEP_DB = 20.0
N_TRIES = 4
SAME_DB = 0.01
DEEP_DB = 100.0  # a gain this far below the largest is rounding of float32
ONE_ARRIVAL = 0.9  # share of the response's energy in one frame
PRESENT_DB = -60.0  # re the response's largest frame

Run = Callable[[Samples], Samples]
Gains = tuple[float | None, ...]


@dataclass(frozen=True)
class Response:
    """Response to an impulse.

    Attributes
    ----------
    response_level_dbfs : float or None
        Peak of the impulse; None where no level was found at which the chain is linear.
    gain_db : tuple of float or None
        At `response_frequencies_hz`; power mean over channels.
    latency_frames : int or None
    late_share_db : float or None
        Energy from 1 s after the impulse on, re all of it.
    """

    response_level_dbfs: float | None
    gain_db: Gains
    latency_frames: int | None
    late_share_db: float | None
    undefined: dict[str, str]


def response_frequencies_hz(sample_rate_hz: int) -> tuple[float, ...]:
    """Frequencies of the gain: 24 an octave about 1 kHz, from 20 Hz to 20 kHz or half the rate."""
    return tuple((_bins(sample_rate_hz) * sample_rate_hz / _n_frames(sample_rate_hz)).tolist())


def measure_response(run: Run, sample_rate_hz: int, level_dbfs: float) -> Response:
    """Small-signal gain over frequency in dB, and latency in frames, of a process.

    Parameters
    ----------
    run : callable
        The process, from samples of shape (1, n_frames) to samples of at least that length.
    level_dbfs : float
        Peak of the impulse to try first; 20 dB less where the process is not linear there.

    Notes
    -----
    Latency is the one frame that holds nine tenths of the response, or else the clear peak that
    `chainweigh.measure.delay` finds within 1 s, or else none where sound comes through at once.
    """
    for attempt in range(N_TRIES):
        level = level_dbfs - attempt * STEP_DB
        response = _impulse_response(run, sample_rate_hz, level)
        gains = _gains_db(response, sample_rate_hz)
        quieter = _impulse_response(run, sample_rate_hz, level - STEP_DB)
        if _same(gains, _gains_db(quieter, sample_rate_hz)):
            return _response(level, gains, response, sample_rate_hz)
    reason = f"the response still depends on level at {level - STEP_DB:.0f} dBFS"
    fields = ("response_level_dbfs", "gain_db", "latency_frames", "late_share_db")
    return Response(None, (None,) * len(gains), None, None, dict.fromkeys(fields, reason))


def _response(
    level: float, gains: NDArray[np.float64], response: Samples, sample_rate_hz: int
) -> Response:
    undefined = {}
    if not np.isfinite(gains).all():
        undefined["gain_db"] = (
            f"more than {DEEP_DB:g} dB below the largest gain, or nothing came back"
        )
    latency, why = _latency_frames(response, sample_rate_hz)
    if latency is None:
        undefined["latency_frames"] = why
    energy = np.square(response, dtype=np.float64).sum(axis=0)
    late = energy[_lead(sample_rate_hz) + sample_rate_hz :].sum()
    if not late:
        undefined["late_share_db"] = "nothing comes later than 1 s"
    return Response(
        response_level_dbfs=level,
        gain_db=tuple(g if np.isfinite(g) else None for g in gains.tolist()),
        latency_frames=latency,
        late_share_db=float(10 * np.log10(late / energy.sum())) if late else None,
        undefined=undefined,
    )


def _n_frames(sample_rate_hz: int) -> int:
    return 1 << int(np.ceil(np.log2(LENGTH_S * sample_rate_hz)))


def _lead(sample_rate_hz: int) -> int:
    return round(LEAD_S * sample_rate_hz)


def _bins(sample_rate_hz: int) -> NDArray[np.int64]:
    n_frames = _n_frames(sample_rate_hz)
    highest_hz = min(HIGHEST_HZ, 0.49 * sample_rate_hz)
    below, above = (
        int(N_POINTS_PER_OCTAVE * np.log2(ratio))
        for ratio in (CENTRE_HZ / LOWEST_HZ, highest_hz / CENTRE_HZ)
    )
    steps = np.arange(-below, above + 1) / N_POINTS_PER_OCTAVE
    wanted = np.concatenate([[LOWEST_HZ], CENTRE_HZ * 2**steps, [highest_hz]])
    return np.unique(np.rint(wanted * n_frames / sample_rate_hz).astype(np.int64))


def _impulse_response(run: Run, sample_rate_hz: int, level_dbfs: float) -> Samples:
    """Output for an impulse `_lead` frames in, scaled to an impulse of 1."""
    impulse = np.zeros((1, _n_frames(sample_rate_hz)), dtype=np.float32)
    level = np.float32(from_db(level_dbfs))
    impulse[0, _lead(sample_rate_hz)] = level
    return run(impulse) / level


def _gains_db(response: Samples, sample_rate_hz: int) -> NDArray[np.float64]:
    from scipy.fft import rfft

    n_frames = _n_frames(sample_rate_hz)
    whole = -(-response.shape[1] // n_frames) * n_frames
    padded = np.pad(response.astype(np.float64), ((0, 0), (0, whole - response.shape[1])))
    # a tail folded back onto the start leaves the transform's bins as they are
    folded = padded.reshape(len(response), -1, n_frames).sum(axis=1)
    spectrum = rfft(folded, axis=1)[:, _bins(sample_rate_hz)]
    with np.errstate(divide="ignore"):
        gains_db = np.asarray(10 * np.log10(np.mean(np.abs(spectrum) ** 2, axis=0)))
    gains_db[~(gains_db > gains_db.max() - DEEP_DB)] = -np.inf
    return gains_db


def _same(gains_db: NDArray[np.float64], quieter_db: NDArray[np.float64]) -> bool:
    read = np.isfinite(gains_db) & np.isfinite(quieter_db)
    if read.any() != (np.isfinite(gains_db) | np.isfinite(quieter_db)).any():
        return False
    return bool((np.abs(gains_db[read] - quieter_db[read]) <= SAME_DB).all())


def _latency_frames(response: Samples, sample_rate_hz: int) -> tuple[int | None, str]:
    lead = _lead(sample_rate_hz)
    energy = np.square(response, dtype=np.float64).sum(axis=0)
    if not energy.any():
        return None, "nothing came back"
    peak = int(np.argmax(energy))
    if energy[peak] >= ONE_ARRIVAL * energy.sum():
        return peak - lead, ""
    n_frames = _n_frames(sample_rate_hz)
    impulse = np.zeros((len(response), n_frames), dtype=np.float32)
    impulse[:, lead] = 1.0
    found = estimate_delay(
        impulse, np.ascontiguousarray(response[:, :n_frames]), sample_rate_hz=sample_rate_hz
    )
    if found.sharp:
        return found.frames, ""
    if energy[lead] >= 10 ** (PRESENT_DB / 10) * energy[peak]:
        return 0, ""
    return None, "the response is spread out and has no single clear arrival"


def lowest_level_dbfs(levels_dbfs: Sequence[float], thresholds_dbfs: Sequence[float]) -> float:
    """Level of the impulse to try first: the quietest tone, and 20 dB below every threshold."""
    return min([*levels_dbfs, *(threshold - STEP_DB for threshold in thresholds_dbfs)])
