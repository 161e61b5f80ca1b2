"""Inner loops of the BS.1387 basic ear model: grouping, spreading, smear, noise to mask."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

Floats32 = NDArray[np.float32]
Floats = NDArray[np.float64]
Spectra = NDArray[np.complex64]

BAND_FLOOR = 1e-12  # of grouped energy, in the model's units (0 dB SPL = 1)
MAX_BANDS, MAX_BINS = 128, 16385


@dataclass(frozen=True)
class BandGrouping:
    """Which bins make up each band.

    Attributes
    ----------
    bin_weight : float32, shape (n_bins,), factor on each bin's power
    first_bin, n_band_bins : int32, shape (n_bands,)
    share : float32, the parts of the bins inside their band, bands one after another
    """

    bin_weight: Floats32
    first_bin: NDArray[np.int32]
    n_band_bins: NDArray[np.int32]
    share: Floats32

    def __post_init__(self) -> None:
        if len(self.first_bin) > MAX_BANDS or len(self.bin_weight) > MAX_BINS:
            raise ValueError(
                f"{len(self.first_bin)} bands of {len(self.bin_weight)} bins; "
                f"at most {MAX_BANDS} of {MAX_BINS} are allowed"
            )


@dataclass(frozen=True)
class Masking:
    """How bands hide what comes with them.

    Attributes
    ----------
    internal_noise : float32, shape (n_bands,), added to every band's energy
    centre_hz, step_bark, unit_response : as for `spread`
    keep : as for `smear`
    """

    internal_noise: Floats32
    centre_hz: Floats
    step_bark: float
    unit_response: Floats
    keep: Floats


def band_energies(spectra: Spectra, grouping: BandGrouping) -> Floats32:
    """Weighted energy of each band, at least 1e-12.

    Parameters
    ----------
    spectra : complex64, shape (n_frames, n_bins)

    Returns
    -------
    float32, shape (n_frames, n_bands)
    """
    if not native.compiled:
        return band_energies_twin(spectra, grouping)
    out = np.empty((len(spectra), len(grouping.first_bin)), dtype=np.float32)
    native.lib.cw_ear_bands(
        _complex_pointer(spectra), *spectra.shape, *_grouping(grouping), native.pointer(out)
    )
    return out


def band_energies_twin(spectra: Spectra, grouping: BandGrouping) -> Floats32:
    """Defines `band_energies`."""
    return _grouped(spectra.real**2 + spectra.imag**2, grouping)


def band_noise(reference: Spectra, candidate: Spectra, grouping: BandGrouping) -> Floats32:
    """Weighted energy of the difference of magnitudes in each band, at least 1e-12.

    Parameters
    ----------
    reference, candidate : complex64, shape (n_frames, n_bins)

    Returns
    -------
    float32, shape (n_frames, n_bands)
    """
    return _grouped((np.abs(candidate) - np.abs(reference)) ** 2, grouping)


def weighted_products(a: Spectra, b: Spectra, weight: Floats32, *, first_bin: int = 0) -> Floats:
    """Weighted sum over bins of the real part of a conj(b), for each frame; power where a is b.

    Parameters
    ----------
    a, b : complex64, shape (n_frames, n_bins)
    weight : float32, of the bins from first_bin on

    Returns
    -------
    float64, shape (n_frames,)
    """
    part = slice(first_bin, first_bin + len(weight))
    product = a.real[:, part] * b.real[:, part] + a.imag[:, part] * b.imag[:, part]
    return np.asarray(product @ weight.astype(np.float64))


def spread(bands: Floats32, centre_hz: Floats, step_bark: float, unit_response: Floats) -> Floats32:
    """Excitation: every band's energy spread over the others, added with the exponent 0.4.

    Parameters
    ----------
    bands : float32, shape (n_frames, n_bands), energies above 0
    centre_hz : shape (n_bands,)
    step_bark : distance of neighbouring bands
    unit_response : what the same spreading makes of 1 in every band; ones to find that out

    Returns
    -------
    float32, shape (n_frames, n_bands)

    Notes
    -----
    Computed in float32, by sums of up to 109 positive terms: within 1e-5 of the twin.
    """
    if not native.compiled:
        return spread_twin(bands, centre_hz, step_bark, unit_response)
    bands = np.ascontiguousarray(bands)
    out = np.empty_like(bands)
    native.lib.cw_ear_spread(
        native.pointer(bands),
        *bands.shape,
        step_bark,
        native.pointer(centre_hz),
        native.pointer(unit_response),
        native.pointer(out),
    )
    return out


def spread_twin(
    bands: Floats32, centre_hz: Floats, step_bark: float, unit_response: Floats
) -> Floats32:
    """Defines `spread`: component by component, as the standard writes it."""
    n_bands = bands.shape[1]
    total = np.zeros(bands.shape)
    for source in range(n_bands):
        energy = bands[:, source].astype(np.float64)[:, None]
        away = step_bark * (np.arange(n_bands) - source)[None, :]
        upper = -2.4 - 23 / centre_hz[source] + 0.2 * np.log10(energy)
        component = 10.0 ** np.where(away < 0, 2.7 * away, upper * away)
        total += (energy * component / component.sum(axis=1, keepdims=True)) ** 0.4
    return np.asarray(total**2.5 / unit_response, dtype=np.float32)


def smear(excitation: Floats32, keep: Floats, state: Floats) -> None:
    """In place: the larger of each frame and its exponential average over time.

    Parameters
    ----------
    excitation : float32, shape (n_frames, n_bands)
    keep : share of the average kept from frame to frame, shape (n_bands,)
    state : the average so far, float64, shape (n_bands,); carried on to the next call
    """
    if not native.compiled:
        smear_twin(excitation, keep, state)
        return
    native.lib.cw_ear_smear(
        native.pointer(excitation), *excitation.shape, native.pointer(keep), native.pointer(state)
    )


def smear_twin(excitation: Floats32, keep: Floats, state: Floats) -> None:
    """Defines `smear`."""
    for frame in excitation:
        state[:] = keep * state + (1 - keep) * frame
        np.maximum(frame, state, out=frame)


def noise_to_mask(
    bands: Floats32, noise: Floats32, masking: Masking, state: Floats
) -> tuple[Floats, Floats]:
    """Mean and largest ratio over bands of a noise to what the sound it comes with hides.

    What it hides is its bands and the ear's own noise, spread and smeared.

    Parameters
    ----------
    bands, noise : float32, shape (n_signals, n_frames, n_bands)
    state : float64, shape (n_signals, n_bands); carried on to the next call

    Returns
    -------
    Both float64, shape (n_signals, n_frames).
    """
    if not native.compiled:
        return noise_to_mask_twin(bands, noise, masking, state)
    mean, largest = np.empty(bands.shape[:2]), np.empty(bands.shape[:2])
    native.lib.cw_ear_noise_to_mask(
        native.pointer(bands),
        native.pointer(noise),
        *bands.shape,
        native.pointer(masking.internal_noise),
        masking.step_bark,
        *map(native.pointer, (masking.centre_hz, masking.unit_response, masking.keep)),
        *map(native.pointer, (state, mean, largest)),
    )
    return mean, largest


def noise_to_mask_twin(
    bands: Floats32, noise: Floats32, masking: Masking, state: Floats
) -> tuple[Floats, Floats]:
    """Defines `noise_to_mask`."""
    spreading = masking.centre_hz, masking.step_bark, masking.unit_response
    masks = [spread_twin(each, *spreading) for each in bands + masking.internal_noise]
    for mask, carried in zip(masks, state, strict=True):
        smear_twin(mask, masking.keep, carried)
    ratios = (noise / np.stack(masks)).astype(np.float64)
    return ratios.mean(axis=2), ratios.max(axis=2)


def _grouped(power: Floats32, grouping: BandGrouping) -> Floats32:
    weighted = power * grouping.bin_weight
    out = np.empty((len(power), len(grouping.first_bin)), dtype=np.float32)
    offset = 0
    bands = zip(grouping.first_bin, grouping.n_band_bins, strict=True)
    for band, (first, count) in enumerate(bands):
        share = grouping.share[offset : offset + count]
        out[:, band] = (weighted[:, first : first + count] * share).sum(axis=1)
        offset += count
    return np.maximum(out, np.float32(BAND_FLOOR))


def _grouping(grouping: BandGrouping) -> tuple[object, ...]:
    return (
        native.pointer(grouping.bin_weight),
        native.pointer(grouping.first_bin),
        native.pointer(grouping.n_band_bins),
        native.pointer(grouping.share),
        len(grouping.first_bin),
    )


def _complex_pointer(spectra: Spectra) -> object:
    return native.pointer(spectra.view(np.float32))
