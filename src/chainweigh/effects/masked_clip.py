"""Masked clip: lowers peaks by the change of the waveform that the programme hides best."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, from_db
from chainweigh.effects.base import Effect, Kind, Parameter, Settings
from chainweigh.kernels.limit import trim_true_peaks
from chainweigh.kernels.masked_clip import N_STAGES, least_error
from chainweigh.kernels.true_peak import true_peak_envelope
from chainweigh.measure.ear_model import EarModel, ear_model
from chainweigh.measure.frames import chunks, framed, hann

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

FULL_SCALE_DB_SPL = 92.0
FRAMES_A_WINDOW = 2  # the ear's window spans two frames
OVERLAP = 2  # frames that cover each sample
LEAD_FRAMES = 4  # frames of forward masking before the first that is needed
BATCH = 64
REACH_BEFORE_MS, REACH_AFTER_MS = 4.0, 12.0
TOLERANCE = 10 ** (0.005 / 20) - 1
LOWEST_HZ, LOW_HZ, LOW_COST = 25.0, 200.0, 10.0
TOP_HZ, TOP_COST = 17_000.0, 10.0
HIGHEST_HZ = 19_000.0


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    ceiling = from_db(float(settings["ceiling"]))
    alike = len(samples) == 2 and np.array_equal(samples[0], samples[1])
    held = _held(samples[:1] if alike else samples, sample_rate_hz, ceiling)
    return np.repeat(held, 2, axis=0) if alike else held


def _held(samples: Samples, sample_rate_hz: int, ceiling: float) -> Samples:
    over = (true_peak_envelope(samples, floor=ceiling) > 0).any(axis=0)
    out = samples.copy()
    if over.any():
        _add_errors(out, samples, over, sample_rate_hz, ceiling)
        out = trim_true_peaks(out, ceiling=ceiling, link=1.0)
    return out


def _add_errors(
    out: Samples, samples: Samples, over: NDArray[np.bool_], sample_rate_hz: int, ceiling: float
) -> None:
    model = ear_model(sample_rate_hz, FULL_SCALE_DB_SPL)
    window = len(model.window)
    length = window // FRAMES_A_WINDOW
    hop = length // OVERLAP
    pad = 2 * window + LEAD_FRAMES * hop
    wide = np.pad(samples, ((0, 0), (pad, pad)))
    gate = np.pad(_gate(over, sample_rate_hz), pad)
    weight = hann(length).astype(np.float64) * 2 / OVERLAP
    error = np.zeros(wide.shape)
    total = np.concatenate([[0], np.cumsum(np.pad(over, pad))])
    starts = np.arange(window, wide.shape[1] - 2 * window, hop)
    needed = total[starts + length] > total[starts]
    for run in _runs(needed):
        first = starts[run] - (window - length) // 2
        lead = first[0] - hop * np.arange(LEAD_FRAMES, 0, -1)
        cost = _costs(wide, np.concatenate([lead, first]), model, hop)
        for part in chunks(len(first), BATCH):
            at = first[part]
            kernels = _kernels(
                cost[:, LEAD_FRAMES:][:, part], framed(gate, window, 1)[at], sample_rate_hz
            )
            begin = starts[run][part]
            added = least_error(
                wide,
                begin,
                np.ascontiguousarray(kernels[:, :, : length << N_STAGES]),
                np.ascontiguousarray(framed(gate, length, 1)[begin]),
                ceiling=ceiling,
                tolerance=TOLERANCE,
            )
            for start, frame in zip(begin, added, strict=True):
                error[:, start : start + length] += weight * frame
    out += error[:, pad : pad + samples.shape[1]].astype(np.float32)


def _runs(needed: NDArray[np.bool_]) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], needed, [False]]).astype(np.int8)))
    return [slice(a, b) for a, b in edges.reshape(-1, 2)]


def _gate(over: NDArray[np.bool_], sample_rate_hz: int) -> Floats:
    """1 where a peak is over, falling to 0 before and after it."""
    n = len(over)
    at = np.arange(n)
    far = 10.0 * sample_rate_hz
    last = np.maximum.accumulate(np.where(over, at, -1))
    after = np.where(last >= 0, at - last, far)
    nxt = np.minimum.accumulate(np.where(over, at, 2 * n)[::-1])[::-1]
    before = np.where(nxt < n, nxt - at, far)
    rise = np.minimum(before / (REACH_BEFORE_MS / 1000 * sample_rate_hz), 1)
    fall = np.minimum(after / (REACH_AFTER_MS / 1000 * sample_rate_hz), 1)
    return np.asarray(np.cos(np.pi / 2 * np.minimum(rise, fall)) ** 2)


def _costs(wide: Samples, first: Indices, model: EarModel, hop: int) -> Floats:
    """Noise-to-mask ratio of a unit error per bin: shape (n_signals, n_frames, n_bins)."""
    from scipy.fft import rfft

    length = len(model.window)
    spectra = [rfft(framed(c, length, 1)[first] * model.window) for c in wide]
    if len(wide) == 2:
        left, right = spectra
        spectra += [0.5 * (left + right), 0.5 * (left - right)]
    frequency_hz = np.arange(length // 2 + 1) * model.sample_rate_hz / length
    return np.array([_cost(s, frequency_hz, model, hop) for s in spectra])


def _cost(
    spectra: NDArray[np.complex64], frequency_hz: Floats, model: EarModel, hop: int
) -> Floats:
    masks = model.masks(spectra, hop, np.zeros(len(model.centre_hz)))
    grouping = model.grouping
    cost = np.zeros(spectra.shape)
    offset = 0
    for band, (first, n) in enumerate(zip(grouping.first_bin, grouping.n_band_bins, strict=True)):
        share = grouping.bin_weight[first : first + n] * grouping.share[offset : offset + n]
        cost[:, first : first + n] += share / masks[:, band, None]
        offset += n
    lowest = int(np.searchsorted(frequency_hz, 90.0))
    cost[:, :lowest] = cost[:, lowest, None]
    highest = int(np.searchsorted(frequency_hz, min(TOP_HZ, model.centre_hz[-1])))
    cost[:, highest:] = TOP_COST * cost[:, highest, None]
    cost *= 1 + LOW_COST / (1 + (frequency_hz / LOW_HZ) ** 4)
    return cost


def _kernels(cost: Floats, gates: NDArray[np.float64], sample_rate_hz: int) -> Floats:
    """Inverse of the cost of a gated error, as responses over lags at the oversampled rate."""
    from scipy.fft import irfft, rfft

    window = gates.shape[-1]
    shaped = gates * hann(window)
    around = irfft(np.abs(rfft(shaped)) ** 2, window)
    around /= around[:, :1]

    def gated(values: Floats) -> Floats:
        return np.asarray(rfft(irfft(values, window) * around).real)

    frequency_hz = np.arange(window // 2 + 1) * sample_rate_hz / window
    allowed = np.minimum(frequency_hz / LOWEST_HZ, 1) ** 4 * (frequency_hz < HIGHEST_HZ)
    if len(cost) == 1:
        own = gated(cost[0])
        parts = [1 / np.maximum(own, 1e-12 * own.max(axis=1, keepdims=True))]
    else:
        middle, side = cost[2] / 4, cost[3] / 4
        left, right = gated(cost[0] + middle + side), gated(cost[1] + middle + side)
        cross = gated(middle - side)
        left = np.maximum(left, 1e-12 * left.max(axis=1, keepdims=True))
        right = np.maximum(right, 1e-12 * right.max(axis=1, keepdims=True))
        area = np.maximum(left * right - cross**2, 1e-9 * left * right)
        parts = [right / area, -cross / area, left / area]
    spectra = np.stack(parts, axis=1) * allowed
    spectra /= spectra.sum(axis=2).max(axis=1)[:, None, None]
    return np.asarray(irfft(spectra, window << N_STAGES))


EFFECT = Effect(
    name="masked_clip",
    about="Lowers peaks under a true-peak ceiling by the change that the programme hides best.",
    parameters=(
        Parameter("ceiling", Kind.LEVEL, "level no true peak passes", minimum=-80, maximum=40),
    ),
    process=_process,
    source="",
)
