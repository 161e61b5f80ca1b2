"""Distortion of the tone grid, weighted by where and how loud a programme is."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from chainweigh.errors import SignalError
from chainweigh.measure.reference_bands import ReferenceBands
from chainweigh.measure.tones import ToneResults


@dataclass(frozen=True)
class ProgrammeDistortion:
    """What the tones say about one programme; `undefined` says why a field is None.

    Attributes
    ----------
    thdn_peak_pct : 997 Hz at the programme's sample peak.
    thdn_steady_pct : the grid, weighted by the programme's blocks and bands.
    thdn_ridden_pct : tones that carry the programme's envelope.
    thdn_programme_pct : the larger of the last two, the headline.
    """

    thdn_peak_pct: float | None
    thdn_steady_pct: float | None
    thdn_ridden_pct: float | None
    thdn_programme_pct: float | None
    undefined: Mapping[str, str] = field(default_factory=dict)


def thdn_steady_pct(results: ToneResults, bands: ReferenceBands) -> float | None:
    """THD+N a programme meets, in percent: the grid weighted by block level and band energy.

    sqrt(sum e(block, f) THDN(f, peak of the block)^2 / sum e), with THDN in percent linear over dB
    between the grid's levels and held beyond them.

    Parameters
    ----------
    results : ToneResults
        Of the chain, driven at the programme's peak.
    bands : ReferenceBands
        Of the programme that reaches the chain.

    Returns
    -------
    float, or None where the programme is silent or every tone of its bands came back silent. A
    band whose tones all came back silent is left out; within a band the neighbouring levels serve.

    Raises
    ------
    SignalError
        Results and bands belong to different rates or centres.
    """
    grid = results.grid
    if (grid.sample_rate_hz, grid.centres_hz) != (bands.sample_rate_hz, bands.centres_hz):
        raise SignalError(
            f"tones at {grid.sample_rate_hz} Hz on {len(grid.centres_hz)} centres, programme at "
            f"{bands.sample_rate_hz} Hz on {len(bands.centres_hz)}; both must be the same"
        )
    levels = np.array(grid.levels_dbfs)
    distorted = weight = 0.0
    for band, row in enumerate(results.thdn_pct):
        heard = ~np.ma.getmaskarray(row)
        if heard.any():
            thdn = np.interp(bands.block_peaks_dbfs, levels[heard], row.data[heard])
            distorted += float(np.sum(bands.energies[:, band] * np.square(thdn)))
            weight += float(bands.energies[:, band].sum())
    return float(np.sqrt(distorted / weight)) if weight > 0 else None


def programme_distortion(
    results: ToneResults, bands: ReferenceBands, ridden_pct: float | None
) -> ProgrammeDistortion:
    """Headline distortion of a programme: the larger of steady and ridden, each where defined.

    Parameters
    ----------
    results, bands : as for `thdn_steady_pct`
    ridden_pct : float or None
        From `chainweigh.measure.ridden_tones.thdn_ridden_pct`.
    """
    steady_pct = thdn_steady_pct(results, bands)
    defined = [pct for pct in (steady_pct, ridden_pct) if pct is not None]
    undefined = {k: v for k, v in results.undefined.items() if k == "thdn_peak_pct"}
    if steady_pct is None:
        undefined["thdn_steady_pct"] = "the programme, or every tone in its bands, is silent"
    if ridden_pct is None:
        undefined["thdn_ridden_pct"] = "the programme, or every ridden tone, is silent"
    if not defined:
        undefined["thdn_programme_pct"] = "neither steady nor ridden tones give a reading"
    return ProgrammeDistortion(
        thdn_peak_pct=results.thdn_peak_pct,
        thdn_steady_pct=steady_pct,
        thdn_ridden_pct=ridden_pct,
        thdn_programme_pct=max(defined) if defined else None,
        undefined=undefined,
    )


def thdn_set_pct(
    energies: Sequence[float] | NDArray[np.float64],
    thdn_pct: Sequence[float] | NDArray[np.float64],
    *,
    master_pct: float = 0.0,
) -> float | None:
    """THD+N of a set of groups and a master chain in percent.

    sqrt(sum E_g thdn_g^2 / sum E_g) over groups, power-added to the master's; None when no group
    has energy.

    Raises
    ------
    SignalError
        Lengths differ, or a value is negative or not finite.
    """
    weights, values = np.asarray(energies, dtype=float), np.asarray(thdn_pct, dtype=float)
    if weights.shape != values.shape or weights.ndim != 1:
        raise SignalError(f"{weights.size} energies for {values.size} groups' thdn_pct")
    everything = np.concatenate([weights, values, [master_pct]])
    if not np.isfinite(everything).all() or (everything < 0).any():
        raise SignalError("energies and thdn_pct must be finite and not negative")
    if weights.sum() == 0:
        return None
    groups_power = float(weights @ np.square(values) / weights.sum())
    return float(np.sqrt(groups_power + master_pct**2))
