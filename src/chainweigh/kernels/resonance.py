"""What stands out of its own smoothed spectrum, and how far it is turned down over time.

References
----------
P. Hatziantoniou, J. Mourjopoulos, "Generalized fractional-octave smoothing of audio and acoustic
responses", J. Audio Eng. Soc. 48(4), 2000.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Complex64 = NDArray[np.complex64]

LOBE_BINS = 3  # a steady tone spreads so far to each side; all of it gets one cut
LEAST_BINS = 6  # the smoothed spectrum reaches at least so far to each side
FORGOTTEN_DB = 0.01  # a release ends here
FAINT = 1e-12  # of a window's power: below lies what rounding leaves beside a tone


@dataclass(frozen=True)
class CutRules:
    """How resonances are found and turned down.

    Attributes
    ----------
    bins : the bins that may be cut; one at least lies on each side of them
    smoothing_oct : width of the surroundings a bin is held against
    margin_db : how far it may stand above their mean power
    max_cut_db : most that it is turned down
    attack, release : shares of the way to the wanted cut that a window goes
    """

    bins: range
    smoothing_oct: float
    margin_db: float
    max_cut_db: float
    attack: float
    release: float

    def surroundings(self, n_bins: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """First bin of the surroundings of each of `bins`, and the one after their last."""
        centre, half = np.array(self.bins), 2 ** (self.smoothing_oct / 2)
        low = np.minimum(np.rint(centre / half), centre - LEAST_BINS)
        high = np.maximum(np.rint(centre * half), centre + LEAST_BINS)
        return (
            np.maximum(low, 0).astype(np.int32),
            np.minimum(high + 1, n_bins).astype(np.int32),
        )


def resonance_cuts(spectra: Complex64, rules: CutRules, state_db: Float64) -> Float32 | None:
    """Cut in dB of the rules' bins in each window, shape (n_windows, n_cut); None without any.

    Parameters
    ----------
    spectra : shape (n_channels, n_windows, n_bins); the channels share their cuts
    state_db : shape (n_cut,), the cuts before the first window; left at those of the last
    """
    if not native.compiled:
        return resonance_cuts_twin(spectra, rules, state_db)
    n_channels, n_windows, n_bins = spectra.shape
    n_cut = len(rules.bins)
    low, high = rules.surroundings(n_bins)
    settings = np.array(
        [rules.margin_db, rules.max_cut_db, rules.attack, rules.release, FORGOTTEN_DB, FAINT]
    )
    scratch = np.empty(2 * n_bins + 1 + 2 * n_cut)
    cuts = np.empty((n_windows, n_cut), np.float32)
    any_cut = native.lib.cw_resonance_cuts(
        native.pointer(spectra.view(np.float32)),
        n_channels,
        n_windows,
        n_bins,
        rules.bins.start,
        n_cut,
        native.pointer(low),
        native.pointer(high),
        native.pointer(settings),
        native.pointer(state_db),
        native.pointer(scratch),
        native.pointer(cuts),
    )
    return cuts if any_cut else None


def resonance_cuts_twin(spectra: Complex64, rules: CutRules, state_db: Float64) -> Float32 | None:
    """Defines `resonance_cuts`."""
    wanted_db = _wanted_db(spectra, rules)
    for cut_db in wanted_db:  # becomes what is cut, in place
        falling = cut_db <= state_db
        cut_db[:] = state_db + np.where(falling, rules.release, rules.attack) * (cut_db - state_db)
        cut_db[falling & (cut_db < FORGOTTEN_DB)] = 0
        state_db[:] = cut_db
    return wanted_db.astype(np.float32) if wanted_db.any() else None


def _wanted_db(spectra: Complex64, rules: CutRules) -> Float64:
    """Cut each bin needs to stand no more than the margin above its surroundings."""
    from scipy.ndimage import maximum_filter1d

    power = spectra.real.astype(np.float64) ** 2 + spectra.imag.astype(np.float64) ** 2
    power = power.mean(axis=0)
    sums = np.pad(np.cumsum(power, axis=1), ((0, 0), (1, 0)))
    low, high = rules.surroundings(spectra.shape[2])
    first, stop = rules.bins.start, rules.bins.stop
    local = sum(power[:, first + d : stop + d] for d in (-1, 0, 1))
    # the three bins are among those around, whatever a difference of large sums says
    around = np.maximum(sums[:, high] - sums[:, low], local) * (3 / (high - low))
    stands = local > around * 10 ** (rules.margin_db / 10)
    stands &= local > FAINT * sums[:, -1:]
    wanted_db = np.zeros(stands.shape)
    wanted_db[stands] = 10 * np.log10(local[stands] / around[stands]) - rules.margin_db
    widest_db = maximum_filter1d(np.minimum(wanted_db, rules.max_cut_db), 2 * LOBE_BINS + 1)
    ends_db = np.pad(widest_db, ((0, 0), (1, 1)), mode="edge")
    return np.asarray((ends_db[:, :-2] + ends_db[:, 1:-1] + ends_db[:, 2:]) / 3)
