"""Coherent tones: whole cycles over the analysis length, and segments joined without a click.

Conventions
-----------
A tone sits at f0 = k * sample_rate / 65536 with k odd, so an un-windowed transform of 65536 frames
holds it in one bin, its harmonics in theirs, and images of folded harmonics never fall on a
harmonic: N is a power of two, hence every odd k is coprime to it.

Every segment holds one signal: settle, analysis window, guard. The step to the next signal comes
after the guard, so neither the ringing of the last step nor a look-ahead or linear-phase filter
that reaches ahead to the next one disturbs the window.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, check_samples
from chainweigh.errors import SignalError

N_ANALYSIS_FRAMES = 65536
SETTLE_S = 1.0
GUARD_S = 0.2  # half of a 16384-tap linear-phase filter at 44.1 kHz is 0.186 s
FADE_S = 0.02
LOWEST_HZ = 20.0
HIGHEST_HZ = 20_000.0
SILENT_SHARE = 1e-26  # of a window's power: what rounding leaves of a constant in other bins
PEAK_RANGE_DBFS = (-120.0, 40.0)
KERNEL_FRAMES = 4096  # a multiple of every block whose borders some kernel's rounding depends on


def nearest_odd_bin(frequency_hz: float, sample_rate_hz: int) -> int:
    """Odd transform bin nearest to a frequency; the lower one of two equally near."""
    exact = frequency_hz * N_ANALYSIS_FRAMES / sample_rate_hz
    return max(1, 2 * int(np.ceil((exact - 1) / 2 - 0.5)) + 1)


def bin_frequency_hz(k: int, sample_rate_hz: int) -> float:
    """Frequency of transform bin k in Hz."""
    return k * sample_rate_hz / N_ANALYSIS_FRAMES


def audio_band(sample_rate_hz: int) -> slice:
    """Bins from 20 Hz to 20 kHz, or to the last below half the rate where that is lower."""
    lowest = int(np.ceil(LOWEST_HZ * N_ANALYSIS_FRAMES / sample_rate_hz))
    highest = int(np.floor(HIGHEST_HZ * N_ANALYSIS_FRAMES / sample_rate_hz))
    return slice(lowest, min(highest, N_ANALYSIS_FRAMES // 2 - 1) + 1)


def unit_sine(k: int, n_frames: int) -> NDArray[np.float64]:
    """Sine of amplitude 1 in bin k, from phase zero; exactly periodic over the analysis length."""
    table = np.sin(2 * np.pi * np.arange(N_ANALYSIS_FRAMES) / N_ANALYSIS_FRAMES)
    table[N_ANALYSIS_FRAMES // 2] = 0.0  # so the second half is exactly the first, negated
    period = table[(k * np.arange(N_ANALYSIS_FRAMES)) % N_ANALYSIS_FRAMES]
    return np.resize(period, n_frames)


def check_peak(peak_dbfs: float) -> None:
    """Refuse a peak level that is not a number of dB a programme can have.

    Raises
    ------
    SignalError
        Not finite (a silent programme has no peak), or outside -120 to +40 dBFS.
    """
    lowest, highest = PEAK_RANGE_DBFS
    if not np.isfinite(peak_dbfs):
        raise SignalError(f"peak level {peak_dbfs} dBFS; a silent programme gives no test level")
    if not lowest <= peak_dbfs <= highest:
        raise SignalError(f"peak level {peak_dbfs} dBFS; {lowest:g} to {highest:g} dBFS is allowed")


@dataclass(frozen=True)
class SegmentPlan:
    """Where in one render the segments lie: settle, analysis window, guard, one after another.

    Attributes
    ----------
    sample_rate_hz : int
    n_segments : int
    n_lead_frames : int
        Silence before the first segment.
    n_spared_settle_frames, n_spared_guard_frames : int
        Of each segment's settle and guard, where the process needs no more.
    by_halves : bool
        Only the first half of each window is rendered; the second is the same, negated.
    """

    sample_rate_hz: int
    n_segments: int
    n_lead_frames: int = 0
    n_spared_settle_frames: int = 0
    n_spared_guard_frames: int = 0
    by_halves: bool = False

    def from_segment(self, first: int) -> "SegmentPlan":
        """Without the first so many segments; the others keep their place in kernels' blocks."""
        n_lead = (self.n_lead_frames + first * self.n_segment_frames) % KERNEL_FRAMES
        return replace(self, n_segments=self.n_segments - first, n_lead_frames=n_lead)

    def within_reach(self, n_before: int, n_after: int, *, odd: bool) -> "SegmentPlan":
        """As short as a process allows that reaches no farther; all keep their place in blocks.

        Of an odd process half a window tells the other. A process that hears more than one tone in
        a window gets all there is.
        """
        n_settle = self.n_alone_frames - n_before
        n_guard = self.n_guard_frames - n_after
        if n_settle < 0 or n_guard < 0:
            return self
        return replace(
            self,
            n_spared_settle_frames=n_settle // KERNEL_FRAMES * KERNEL_FRAMES,
            n_spared_guard_frames=n_guard // KERNEL_FRAMES * KERNEL_FRAMES,
            by_halves=odd,
        )

    def without_a_period(self) -> "SegmentPlan":
        """Each segment shorter by a period of every tone."""
        spared = self.n_spared_settle_frames + N_ANALYSIS_FRAMES
        return replace(self, n_spared_settle_frames=spared)

    def has_a_period_to_spare(self, n_before: int, n_after: int) -> bool:
        """Whether an odd process of that reach gives half a period, undisturbed, without one."""
        n_left = self.n_segment_frames - N_ANALYSIS_FRAMES - self.n_fade_frames
        return n_left >= N_ANALYSIS_FRAMES // 2 + n_before + n_after

    @property
    def n_settle_frames(self) -> int:
        """Frames before each analysis window."""
        return round(SETTLE_S * self.sample_rate_hz) - self.n_spared_settle_frames

    @property
    def n_alone_frames(self) -> int:
        """Frames before each analysis window that hold its tone alone."""
        return self.n_settle_frames - self.n_fade_frames

    @property
    def n_window_frames(self) -> int:
        """Frames rendered of each analysis window."""
        return N_ANALYSIS_FRAMES // 2 if self.by_halves else N_ANALYSIS_FRAMES

    @property
    def n_guard_frames(self) -> int:
        """Frames after each analysis window."""
        return round(GUARD_S * self.sample_rate_hz) - self.n_spared_guard_frames

    @property
    def n_fade_frames(self) -> int:
        """Frames of the cross-fade at each segment's start, and of the last fade-out."""
        return round(FADE_S * self.sample_rate_hz)

    @property
    def n_segment_frames(self) -> int:
        """Frames from one segment's start to the next."""
        return self.n_settle_frames + self.n_window_frames + self.n_guard_frames

    @property
    def n_frames(self) -> int:
        """Frames of the whole signal."""
        segments = self.n_segments * self.n_segment_frames
        return self.n_lead_frames + segments + self.n_fade_frames

    def join(self, parts: Iterable[tuple[NDArray[np.float32], float]]) -> Samples:
        """One signal, shape (1, n_frames), from n_segments pairs of a unit signal and its gain.

        Each unit signal has n_segment_frames + n_fade_frames or more. Cross-fades are raised
        cosines that add up to one: no sample exceeds the louder neighbour's peak.
        """
        length, n_fade = self.n_segment_frames, self.n_fade_frames
        joined = np.empty((1, self.n_frames), dtype=np.float32)
        joined[0, : self.n_lead_frames] = 0.0
        segments = joined[0, self.n_lead_frames :]
        rise = (0.5 - 0.5 * np.cos(np.pi * (np.arange(n_fade) + 0.5) / n_fade)).astype(np.float32)
        carried = np.zeros(n_fade, dtype=np.float32)
        for i, (unit, gain) in enumerate(parts):
            segment = segments[i * length : (i + 1) * length]
            np.multiply(unit[:length], np.float32(gain), out=segment)
            segment[:n_fade] *= rise
            segment[:n_fade] += carried
            carried = unit[length : length + n_fade] * np.float32(gain) * rise[::-1]
        segments[self.n_segments * length :] = carried
        return joined

    def with_the_period(self, output: Samples, n_after: int) -> Samples:
        """What an odd process made of `without_a_period`, and the period: half of it, negated."""
        short, half = self.n_segment_frames - N_ANALYSIS_FRAMES, N_ANALYSIS_FRAMES // 2
        lead, cut = self.n_lead_frames, short - n_after
        whole = np.empty((len(output), self.n_frames), dtype=np.float32)
        whole[:, :lead] = output[:, :lead]
        for i in range(self.n_segments):
            made = output[:, lead + i * short :]
            place = whole[:, lead + i * self.n_segment_frames :]
            place[:, :cut] = made[:, :cut]
            place[:, cut : cut + half] = -made[:, cut - half : cut]
            place[:, cut + half : cut + 2 * half] = made[:, cut - half : cut]
            place[:, cut + 2 * half : self.n_segment_frames] = made[:, cut:short]
        fade = output[:, lead + self.n_segments * short :]
        whole[:, self.n_frames - self.n_fade_frames :] = fade[:, : self.n_fade_frames]
        return whole

    def silence_outside(self, signal: Samples, n_before: int, n_after: int) -> Samples:
        """In place: silence farther from every analysis window than a process reaches."""
        first = self.n_settle_frames - n_before
        end = self.n_settle_frames + self.n_window_frames + n_after
        for i in range(self.n_segments):
            start = self.n_lead_frames + i * self.n_segment_frames
            signal[:, start : start + max(first, 0)] = 0.0
            signal[:, start + end : start + max(end, self.n_segment_frames)] = 0.0
        signal[:, self.n_frames - self.n_fade_frames :] = 0.0
        return signal

    def windows(self, output: Samples, *, what: str) -> Samples:
        """Analysis windows, or halves, of an output: a view (n_channels, n_segments, n frames).

        Raises
        ------
        SignalError
            `output` breaks the array convention or is shorter than the signal.
        """
        check_samples(output, what=what)
        if output.shape[1] < self.n_frames:
            raise SignalError(
                f"{what}: {output.shape[1]} frames; the signal that was to be rendered has "
                f"{self.n_frames} at {self.sample_rate_hz} Hz"
            )
        shape = (len(output), self.n_segments, self.n_segment_frames)
        segments = output[:, self.n_lead_frames : self.n_frames - self.n_fade_frames].reshape(shape)
        start = self.n_settle_frames
        return segments[:, :, start : start + self.n_window_frames]


def power_spectra(windows: Samples) -> NDArray[np.float64]:
    """Power in each bin, summed over channels, of windows (n_channels, n_segments, 65536).

    Or of their first halves, where the second ones are the same, negated. A sine of amplitude A in
    one bin has power A^2 / 2.
    """
    from scipy.fft import rfft  # which works on several windows at once

    if windows.shape[2] < N_ANALYSIS_FRAMES:
        windows = np.concatenate([windows, -windows], axis=2)
    spectrum = rfft(windows.astype(np.float64))
    power: NDArray[np.float64] = np.square(spectrum.real)
    power += np.square(spectrum.imag)
    power *= 2.0 / N_ANALYSIS_FRAMES**2
    return np.asarray(power.sum(axis=0)) if len(power) > 1 else power[0]
