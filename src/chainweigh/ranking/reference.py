"""The dry side of a comparison, measured once for all its candidates."""

import threading
from functools import cached_property

from chainweigh.audio.array import Samples
from chainweigh.audio.digest import digest_samples
from chainweigh.measure.reference_bands import ReferenceBands, reference_bands
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.measure.tones import ToneGrid, tone_grid


class Reference:
    """What candidates of one comparison are held against.

    Parameters
    ----------
    name : the comparison: a group's name, or master
    samples : shape (2, n_frames), as long as every candidate of the run
    """

    def __init__(self, name: str, samples: Samples, sample_rate_hz: int) -> None:
        self.name = name
        self.samples = samples
        self.sample_rate_hz = sample_rate_hz
        self.digest = digest_samples(samples, sample_rate_hz)
        self._lock = threading.Lock()

    @cached_property
    def file(self) -> FileMeasures:
        """Loudness, peaks and levels."""
        return measure_file(self.samples, self.sample_rate_hz)

    @property
    def tones(self) -> tuple[ToneGrid, ReferenceBands]:
        """The tone grid at this programme's levels, and its weights; computed on first use."""
        with self._lock:
            return self._tones

    @cached_property
    def _tones(self) -> tuple[ToneGrid, ReferenceBands]:
        return tones_of(self.samples, self.sample_rate_hz)


def tones_of(samples: Samples, sample_rate_hz: int) -> tuple[ToneGrid, ReferenceBands]:
    """Tone grid and weights of a programme that drives a chain."""
    bands = reference_bands(samples, sample_rate_hz)
    return tone_grid(sample_rate_hz, float(bands.block_peaks_dbfs.max())), bands
