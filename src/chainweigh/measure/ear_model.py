"""The basic ear model of ITU-R BS.1387: bands, weights, spreading and masking tables.

Everything is computed from the standard's formulas for the rate at hand. Energies are in units of
0 dB SPL = 1.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels.audibility import (
    BAND_FLOOR,
    BandGrouping,
    Masking,
    band_energies,
    noise_to_mask,
    smear,
    spread,
)
from chainweigh.measure.frames import frame_length
from chainweigh.once import once

Floats = NDArray[np.float64]
Spectra = NDArray[np.complex64]

LOWEST_HZ, HIGHEST_HZ = 80.0, 18_000.0
STEP_BARK = 0.25
TAU_MIN_S, TAU_100_S = 0.008, 0.030
GAMMA = 0.84971762641205  # loss of a sine at 1019.5 Hz between two bins of 2048 at 48 kHz
CALIBRATION_FRAMES = 2048


@dataclass(frozen=True)
class EarModel:
    """Tables of the model for one rate and playback level; energies in 0 dB SPL = 1.

    Attributes
    ----------
    window : float32, shape (frame length,): Hann times sqrt(8/3)
    grouping : outer-ear weighted and calibrated bins of each band
    centre_hz, internal_noise, unit_response, mask_offset : shape (n_bands,), linear
    """

    sample_rate_hz: int
    window: NDArray[np.float32]
    grouping: BandGrouping
    centre_hz: Floats
    internal_noise: Floats
    unit_response: Floats
    mask_offset: Floats

    def masks(self, spectra: Spectra, hop_frames: int, state: Floats) -> NDArray[np.float32]:
        """Masking threshold of each frame and band, shape (n_frames, n_bands).

        state is the forward masking carried from frame to frame; zeros at a start.
        """
        return self.masks_of(band_energies(spectra, self.grouping), hop_frames, state)

    def masks_of(
        self, bands: NDArray[np.float32], hop_frames: int, state: Floats
    ) -> NDArray[np.float32]:
        """The same from the bands' energies."""
        how = self._masking(hop_frames)
        bands = bands + how.internal_noise
        masks = spread(bands, how.centre_hz, how.step_bark, how.unit_response)
        smear(masks, how.keep, state)
        return masks

    def noise_to_mask(
        self,
        bands: NDArray[np.float32],
        noise: NDArray[np.float32],
        hop_frames: int,
        states: Floats,
    ) -> tuple[Floats, Floats]:
        """Mean and largest ratio over bands of a noise to the masks of the bands it comes with.

        All of several signals: bands and noise of shape (n_signals, n_frames, n_bands), states
        (n_signals, n_bands); returns two of shape (n_signals, n_frames).
        """
        return noise_to_mask(bands, noise, self._masking(hop_frames), states)

    @once
    def silence(self) -> tuple[float, float]:
        """What `noise_to_mask` finds in frames without a sound or a noise."""
        floor = np.full((1, 1, len(self.centre_hz)), BAND_FLOOR, np.float32)
        mean, largest = self.noise_to_mask(floor, floor, 1, np.zeros((1, len(self.centre_hz))))
        return float(mean[0, 0]), float(largest[0, 0])

    def _masking(self, hop_frames: int) -> Masking:
        tau_s = TAU_MIN_S + 100 / self.centre_hz * (TAU_100_S - TAU_MIN_S)
        return Masking(
            internal_noise=self.internal_noise.astype(np.float32),
            centre_hz=self.centre_hz,
            step_bark=STEP_BARK,
            # smearing keeps what it is scaled by
            unit_response=self.unit_response * self.mask_offset,
            keep=np.exp(-hop_frames / (self.sample_rate_hz * tau_s)),
        )


@lru_cache(maxsize=8)
def ear_model(sample_rate_hz: int, full_scale_db_spl: float) -> EarModel:
    """Tables for a rate; bands from 80 Hz to 18 kHz, fewer where the rate holds less."""
    length = frame_length(sample_rate_hz)
    low_hz, centre_hz, high_hz = band_edges_hz()
    inside = centre_hz < sample_rate_hz / 2
    low_hz, centre_hz, high_hz = low_hz[inside], centre_hz[inside], high_hz[inside]
    ramp = np.arange(length) / (length - 1)
    window = np.sqrt(8 / 3) * (0.5 - 0.5 * np.cos(2 * np.pi * ramp))
    offset_db = np.maximum(3.0, 0.25 * STEP_BARK * np.arange(len(centre_hz)))
    ones = np.ones(len(centre_hz))
    return EarModel(
        sample_rate_hz=sample_rate_hz,
        window=window.astype(np.float32),
        grouping=_grouping(low_hz, high_hz, sample_rate_hz, length, full_scale_db_spl),
        centre_hz=centre_hz,
        internal_noise=10 ** (0.1456 * (centre_hz / 1000) ** -0.8),
        unit_response=spread(ones[None].astype(np.float32), centre_hz, STEP_BARK, ones)[0].astype(
            np.float64
        ),
        mask_offset=10 ** (offset_db / 10),
    )


def band_edges_hz() -> tuple[Floats, Floats, Floats]:
    """Lower edges, centres and upper edges of the 109 bands, from z = 7 asinh(f / 650)."""
    low, high = (7 * np.arcsinh(f / 650) for f in (LOWEST_HZ, HIGHEST_HZ))
    edges = low + STEP_BARK * np.arange(int(np.ceil((high - low) / STEP_BARK)))
    tops = np.minimum(edges + STEP_BARK, high)
    low_hz, centre_hz, high_hz = (650 * np.sinh(z / 7) for z in (edges, (edges + tops) / 2, tops))
    return low_hz, centre_hz, high_hz


def outer_ear_db(frequency_hz: Floats) -> Floats:
    """Weight of the outer and middle ear in dB; strongly negative towards 0 Hz."""
    khz = np.maximum(frequency_hz, 1e-3) / 1000
    return np.asarray(
        -0.6 * 3.64 * khz**-0.8 + 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) - 1e-3 * khz**3.6
    )


def calibration(full_scale_db_spl: float) -> float:
    """Factor on the power of a bin at 2048 frames: a full-scale sine reads full_scale_db_spl."""
    peak = GAMMA / 4 * (CALIBRATION_FRAMES - 1)
    return float(10 ** (full_scale_db_spl / 10) / (8 / 3 * peak**2))


def _grouping(
    low_hz: Floats, high_hz: Floats, sample_rate_hz: int, length: int, full_scale_db_spl: float
) -> BandGrouping:
    n_bins = length // 2 + 1
    width = sample_rate_hz / length
    gain = calibration(full_scale_db_spl) * ((CALIBRATION_FRAMES - 1) / (length - 1)) ** 2
    weight = gain * 10 ** (outer_ear_db(width * np.arange(n_bins, dtype=np.float64)) / 10)
    first = np.floor(low_hz / width + 0.5).astype(np.int32)
    last = np.minimum(np.ceil(high_hz / width - 0.5).astype(np.int32), n_bins - 1)
    shares = []
    for low, high, start, stop in zip(low_hz, high_hz, first, last, strict=True):
        bins = np.arange(start, stop + 1)
        inside = np.minimum(high, (bins + 0.5) * width) - np.maximum(low, (bins - 0.5) * width)
        shares.append(np.maximum(inside, 0) / width)
    return BandGrouping(
        bin_weight=weight.astype(np.float32),
        first_bin=first,
        n_band_bins=(last - first + 1).astype(np.int32),
        share=np.concatenate(shares).astype(np.float32),
    )
