"""The dry side of a comparison, measured once for all its candidates."""

from dataclasses import dataclass

from chainweigh.audio.array import Samples
from chainweigh.audio.digest import digest_samples
from chainweigh.measure.correlation import energy
from chainweigh.measure.image import Image, measure_image
from chainweigh.measure.loudness import LoudnessEnergies, LoudnessSeries, loudness_energies
from chainweigh.measure.onsets import Onsets, find_onsets
from chainweigh.measure.reference_bands import ReferenceBands, reference_bands
from chainweigh.measure.ridden_tones import RiddenTones, ridden_tones
from chainweigh.measure.spectrum import ThirdOctaves, measure_third_octaves
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.measure.tones import ToneGrid, tone_grid
from chainweigh.once import once
from chainweigh.ranking.distortion import Programme
from chainweigh.ranking.windows import Windows


class Reference:
    """What candidates of one comparison are held against.

    Parameters
    ----------
    name : the comparison: a group's name, or master
    samples : shape (2, n_frames), as long as every candidate of the run
    windows : where distortion on the programme is judged
    """

    def __init__(self, name: str, samples: Samples, windows: Windows) -> None:
        sample_rate_hz = windows.sample_rate_hz
        self.name = name
        self.windows = windows
        self.samples = samples
        self.sample_rate_hz = sample_rate_hz

    @once
    def digest(self) -> str:
        """Of samples and rate, for keys of the cache."""
        return digest_samples(self.samples, self.sample_rate_hz)

    @once
    def file(self) -> FileMeasures:
        """Loudness, peaks and levels."""
        return measure_file(self.samples, self.sample_rate_hz, energies=self.energies)

    @once
    def energies(self) -> LoudnessEnergies:
        """K-weighted energies, from which every loudness comes."""
        return loudness_energies(self.samples, self.sample_rate_hz)

    @once
    def energy(self) -> float:
        """Sum of its squares."""
        return energy(self.samples)

    @once
    def third_octaves(self) -> ThirdOctaves:
        """Its spectrum."""
        return measure_third_octaves(self.samples, self.sample_rate_hz)

    @once
    def image(self) -> Image:
        """Its stereo image."""
        return measure_image(self.samples, self.sample_rate_hz)

    @once
    def short_term(self) -> LoudnessSeries:
        """Its short-term loudness over time."""
        return self.energies.short_term()

    @once
    def onsets(self) -> Onsets:
        """Where its sounds begin."""
        return find_onsets(self.samples, self.sample_rate_hz)

    @once
    def programme(self) -> Programme:
        """What distortion on it is held against."""
        return Programme(self.samples, self.onsets, self.windows, self.energies)

    @once
    def tones(self) -> "DrivenTones":
        """Test tones at this programme's levels, and their weights."""
        return tones_of(self.samples, self.sample_rate_hz)

    def let_go(self) -> None:
        """Let go of what is worth its memory only while many candidates are weighed."""
        self.programme.let_go()
        self.__dict__.pop("tones", None)


@dataclass(frozen=True)
class DrivenTones:
    """Steady and ridden tones as a programme drives a chain, with the programme's weights."""

    grid: ToneGrid
    bands: ReferenceBands
    ridden: RiddenTones


def tones_of(samples: Samples, sample_rate_hz: int) -> DrivenTones:
    """Test tones and weights of a programme that drives a chain."""
    bands = reference_bands(samples, sample_rate_hz)
    grid = tone_grid(sample_rate_hz, float(bands.block_peaks_dbfs.max()))
    return DrivenTones(grid, bands, ridden_tones(samples, bands))
