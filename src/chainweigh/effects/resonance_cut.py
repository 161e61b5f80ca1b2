"""Resonance cut: turns down what stands out of its own smoothed spectrum."""

from math import exp, log2

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.effects.base import Effect, Kind, Parameter, Settings, check_below_nyquist
from chainweigh.errors import ChainFileError
from chainweigh.kernels.resonance import CutRules, resonance_cuts

FRAMES_AT_44_1_KHZ = 2048
OVERLAP = 4
SCALE = np.float32(2 / 3)  # Hann windows twice, four on each moment, add up to 3/2
CHUNK = 64  # transforms at a time: they stay in the cache
DB_TO_LOG = np.float32(-np.log(10) / 20)


def transform_frames(sample_rate_hz: int) -> int:
    """Frames a transform: a power of two, 32 to 47 ms long."""
    return int(2 ** int(log2(FRAMES_AT_44_1_KHZ * sample_rate_hz / 44_100)))


def _process(samples: Samples, sample_rate_hz: int, settings: Settings) -> Samples:
    """Add to the input what the gains take from it, transform by transform.

    Notes
    -----
    Hann windows of 32 to 47 ms, four on each moment, on the way in and out. Gains are real and at
    most 0 dB, the same on both sides, and each moment hears at most one window ahead; the output
    is in time with the input. Where nothing is cut every bit passes.
    """
    if settings["max_cut"] == 0 or samples.shape[1] == 0:
        return samples.copy()
    from scipy.fft import irfft, rfft

    size = transform_frames(sample_rate_hz)
    hop, lead = size // OVERLAP, size - size // OVERLAP
    window = np.sin(np.pi * np.arange(size) / size).astype(np.float32) ** 2
    rules = _rules(size, sample_rate_hz, settings)
    state_db = np.zeros(len(rules.bins))
    n_windows = -(-(samples.shape[1] + lead) // hop)
    wide = np.pad(samples, ((0, 0), (lead, n_windows * hop - samples.shape[1])))
    out = wide.copy()
    for first in range(0, n_windows, CHUNK):
        n = min(CHUNK, n_windows - first)
        spans = np.lib.stride_tricks.sliding_window_view(wide, size, axis=1)
        spectra = rfft(spans[:, first * hop : (first + n) * hop : hop] * window)
        cuts_db = resonance_cuts(spectra, rules, state_db)
        if cuts_db is not None:
            changes = np.zeros(spectra.shape[1:], np.float32)
            changes[:, rules.bins.start : rules.bins.stop] = np.exp(cuts_db * DB_TO_LOG) - 1
            _overlap_add(out[:, first * hop :], irfft(spectra * changes, size) * window)
    return np.ascontiguousarray(out[:, lead : lead + samples.shape[1]])


def _overlap_add(out: Samples, windows: Samples) -> None:
    """Add windows, shape (n_channels, n_windows, size), each a quarter later than the last."""
    n_channels, n_windows, size = windows.shape
    hop = size // OVERLAP
    for quarter in range(OVERLAP):
        place = out[:, quarter * hop :][:, : n_windows * hop].reshape(n_channels, n_windows, hop)
        place += SCALE * windows[:, :, quarter * hop : (quarter + 1) * hop]


def _rules(size: int, sample_rate_hz: int, settings: Settings) -> CutRules:
    bin_hz, hop_ms = sample_rate_hz / size, size / OVERLAP / sample_rate_hz * 1000
    first, last = (round(float(settings[edge]) / bin_hz) for edge in ("low", "high"))
    inner = size // 2 - 1  # the last bin with one on each side
    return CutRules(
        bins=range(min(max(first, 1), inner), min(last, inner) + 1),
        smoothing_oct=float(settings["smoothing"]),
        margin_db=float(settings["margin"]),
        max_cut_db=float(settings["max_cut"]),
        attack=_share(float(settings["attack"]), hop_ms),
        release=_share(float(settings["release"]), hop_ms),
    )


def _share(time_constant_ms: float, hop_ms: float) -> float:
    return 1 - exp(-hop_ms / time_constant_ms) if time_constant_ms > 0 else 1.0


def _check_at_rate(sample_rate_hz: int, settings: Settings) -> None:
    check_below_nyquist("resonance_cut", "high", sample_rate_hz, settings)
    low_hz, high_hz = float(settings["low"]), float(settings["high"])
    if low_hz >= high_hz:
        raise ChainFileError(
            f'resonance_cut: "low" is {low_hz:g} Hz; it must be below "high", {high_hz:g} Hz'
        )


EFFECT = Effect(
    name="resonance_cut",
    about="Turns down ringing and harsh spots that stand out of the sound around them.",
    parameters=(
        Parameter(
            "max_cut",
            Kind.GAIN,
            "most that anything is turned down; 0 leaves everything",
            default=6.0,
            minimum=0,
            maximum=30,
        ),
        Parameter(
            "margin",
            Kind.GAIN,
            "how far a spot may stand above its surroundings; less evens out more, below 4 dB hiss "
            "loses some as well",
            default=6.0,
            minimum=0,
            maximum=20,
        ),
        Parameter(
            "smoothing",
            Kind.OCTAVES,
            "how wide the surroundings are: narrow finds whistles, wide finds broad honk as well",
            default=1.0,
            minimum=0.2,
            maximum=4,
        ),
        Parameter(
            "attack",
            Kind.TIME,
            "time constant with which a cut sets in (63 %); short catches hits, long only what "
            "rings on",
            default=20.0,
            minimum=0,
            maximum=1000,
        ),
        Parameter(
            "release",
            Kind.TIME,
            "time constant with which a cut lets go (63 %)",
            default=80.0,
            minimum=0,
            maximum=2000,
        ),
        Parameter(
            "low",
            Kind.FREQUENCY,
            "nothing below is touched",
            default=100.0,
            minimum=20,
            maximum=20_000,
        ),
        Parameter(
            "high",
            Kind.FREQUENCY,
            "nothing above is touched",
            default=15_000.0,
            minimum=100,
            maximum=80_000,
        ),
    ),
    process=_process,
    check_at_rate=_check_at_rate,
    notes=(
        "Turns down only, by real gains that both sides share. Looks ahead by at most one window "
        "of 32 to 47 ms, in time with the input; what is not cut passes bit for bit."
    ),
    source=(
        "Short-time Fourier filtering after J. B. Allen, L. R. Rabiner, Proc. IEEE 65(11), 1977; "
        "fractional-octave smoothing after P. Hatziantoniou, J. Mourjopoulos, J. Audio Eng. Soc. "
        "48(4), 2000"
    ),
)
