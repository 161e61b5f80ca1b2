"""Loudness, peaks and levels of one file in one record."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from chainweigh.audio.array import Samples
from chainweigh.measure.levels import measure_levels, plr_db
from chainweigh.measure.loudness import LoudnessEnergies, loudness_energies, loudness_from
from chainweigh.measure.psr import least_psr_db
from chainweigh.measure.true_peak import measure_true_peak, true_peak


@dataclass(frozen=True)
class FileMeasures:
    """Loudness, peaks and levels of one audio file as written.

    `rms_db` is plain, re 1.0 (a full-scale sine reads -3.01); `rms_aes17_dbfs` is 3.01 dB higher.
    `psr_min_db` is the least true peak over short-term loudness of any 3 s, one window a second;
    `dc_offset` each channel's mean, linear and signed. Both are unknown in older records.
    """

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    lra_lu: float | None
    true_peak_dbtp: float | None
    true_peak_annex2_dbtp: float | None
    sample_peak_dbfs: float | None
    rms_db: float | None
    rms_aes17_dbfs: float | None
    rms_max_300ms_db: float | None
    crest_db: float | None
    plr_db: float | None
    psr_min_db: float | None = None
    dc_offset: tuple[float | None, ...] = ()
    undefined: Mapping[str, str] = field(default_factory=dict)


def measure_file(
    samples: Samples, sample_rate_hz: int, *, energies: LoudnessEnergies | None = None
) -> FileMeasures:
    """Loudness, peaks and levels of a whole file.

    Parameters
    ----------
    samples : shape (n_channels, n_frames)
    energies : of these samples, where they are at hand

    Raises
    ------
    SignalError
        Samples or rate break the convention.

    Notes
    -----
    A value that is not defined is None, with its reason in `undefined`. Definitions, sources and
    cost stand with `measure_loudness`, `measure_true_peak`, `measure_levels` and `measure_psr`.
    """
    energies = energies or loudness_energies(samples, sample_rate_hz)
    loudness = loudness_from(energies)
    peak = measure_true_peak(samples, sample_rate_hz)
    levels = measure_levels(samples, sample_rate_hz)
    psr_db, no_psr = least_psr_db(samples, sample_rate_hz, true_peak=true_peak, energies=energies)
    undefined = {
        **levels.undefined,
        **peak.undefined,
        **loudness.undefined,
        **({"psr_min_db": no_psr} if no_psr else {}),
    }
    plr = plr_db(peak.true_peak_dbtp, loudness.integrated_lufs)
    if plr is None:
        causes = [undefined[k] for k in ("integrated_lufs", "true_peak_dbtp") if k in undefined]
        undefined["plr_db"] = causes[0] if causes else "true peak or loudness is not defined"
    return FileMeasures(
        integrated_lufs=loudness.integrated_lufs,
        momentary_max_lufs=loudness.momentary_max_lufs,
        short_term_max_lufs=loudness.short_term_max_lufs,
        lra_lu=loudness.lra_lu,
        true_peak_dbtp=peak.true_peak_dbtp,
        true_peak_annex2_dbtp=peak.true_peak_annex2_dbtp,
        sample_peak_dbfs=levels.sample_peak_dbfs,
        rms_db=levels.rms_db,
        rms_aes17_dbfs=levels.rms_aes17_dbfs,
        rms_max_300ms_db=levels.rms_max_300ms_db,
        crest_db=levels.crest_db,
        plr_db=plr,
        psr_min_db=psr_db,
        dc_offset=levels.dc_offset,
        undefined={k: v for k, v in undefined.items() if k in FileMeasures.__annotations__},
    )
