"""The mix's highest true peaks, and which groups make them.

Notes
-----
The mix is cut into blocks of 50 ms; those of the highest sample peaks are interpolated 16 times
as the true-peak meter does, mix and groups alike, so that shares are read at the same instant.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, to_db
from chainweigh.kernels.halfband import MARGIN_FRAMES
from chainweigh.kernels.true_peak import N_PHASES, interpolated
from chainweigh.ranking.set_results import GroupShare, PeakMoment, Peaks, PeakSection
from chainweigh.song import sum_of

N_MOMENTS = 8
N_SECTION_MOMENTS = 4
SECTION_S = 10.0
BLOCK_S = 0.05
AROUND_FRAMES = 4

Floats = NDArray[np.float64]


def attribute_peaks(parts: Mapping[str, Samples], sample_rate_hz: int) -> Peaks:
    """Who contributes how much to the highest true peaks of a mix.

    Parameters
    ----------
    parts : group -> samples, shape (2, n_frames), which sum to the mix

    Returns
    -------
    Peaks
        The eight highest moments at least 50 ms apart in the order of their height, the same for
        every 10 s by their four highest, and each group's mean share of the eight. Empty for
        silence.
    """
    mix = sum_of(list(parts.values()))
    blocks = _block_peaks(mix, sample_rate_hz)
    at_s = blocks[:, 0] / sample_rate_hz
    moments = _highest(parts, mix, blocks, sample_rate_hz, N_MOMENTS)
    sections = []
    duration_s = mix.shape[1] / sample_rate_hz
    for start_s in np.arange(0.0, duration_s, SECTION_S):
        inside = blocks[(at_s >= start_s) & (at_s < start_s + SECTION_S)]
        found = _highest(parts, mix, inside, sample_rate_hz, N_SECTION_MOMENTS)
        if found:
            end_s = min(float(start_s) + SECTION_S, duration_s)
            sections.append(
                PeakSection(float(start_s), end_s, found[0].true_peak_dbtp, _mean_shares(found))
            )
    return Peaks(moments, tuple(sections), _mean_shares(moments))


def _block_peaks(mix: Samples, sample_rate_hz: int) -> Floats:
    """Frame, channel and height of every block's sample peak, silent blocks left out."""
    width = round(BLOCK_S * sample_rate_hz)
    found = []
    for start in range(0, mix.shape[1], width):
        block = np.abs(mix[:, start : start + width])
        channel, frame = np.unravel_index(int(block.argmax()), block.shape)
        if block[channel, frame] > 0:
            found.append((start + frame, channel, block[channel, frame]))
    return np.array(found, np.float64).reshape(-1, 3)


def _highest(
    parts: Mapping[str, Samples], mix: Samples, blocks: Floats, sample_rate_hz: int, count: int
) -> tuple[PeakMoment, ...]:
    by_height = blocks[np.argsort(-blocks[:, 2], kind="stable")][: 3 * count]
    moments = [
        _moment(parts, mix, int(frame), int(channel), sample_rate_hz)
        for frame, channel, _ in by_height
    ]
    kept: list[PeakMoment] = []
    for moment in sorted(moments, key=lambda m: -m.true_peak_dbtp):
        if all(abs(moment.at_s - other.at_s) >= BLOCK_S for other in kept):
            kept.append(moment)
    return tuple(kept[:count])


def _moment(
    parts: Mapping[str, Samples], mix: Samples, frame: int, channel: int, sample_rate_hz: int
) -> PeakMoment:
    curve = _interpolated(mix[channel], frame)
    at = int(np.abs(curve).argmax())
    peak = float(curve[at])
    shares = []
    for name, samples in parts.items():
        part = _interpolated(samples[channel], frame)
        rest = float(np.abs(curve - part).max())
        fall = to_db(abs(peak) / rest) if rest > 1e-9 * abs(peak) else None
        undefined = {} if fall is not None else {"fall_db": "nothing else sounds here"}
        shares.append(GroupShare(name, float(100 * part[at] / peak), fall, undefined))
    offset = at / N_PHASES - AROUND_FRAMES
    return PeakMoment(
        at_s=round(float(frame + offset) / sample_rate_hz, 4),
        channel=channel + 1,
        true_peak_dbtp=to_db(abs(peak)),
        shares=tuple(shares),
    )


def _interpolated(channel: Samples, frame: int) -> Floats:
    """The signal at 16 times the rate, 4 frames to either side; silence beyond its ends."""
    reach = MARGIN_FRAMES + AROUND_FRAMES
    around = np.zeros(2 * reach + 1, np.float32)
    start, stop = max(frame - reach, 0), min(frame + reach + 1, channel.size)
    around[start - frame + reach : stop - frame + reach] = channel[start:stop]
    middle, aside = (MARGIN_FRAMES + reach) * N_PHASES, AROUND_FRAMES * N_PHASES
    return interpolated(around)[middle - aside : middle + aside + 1].astype(np.float64)


def _mean_shares(moments: Sequence[PeakMoment]) -> tuple[GroupShare, ...]:
    """Each group's mean over moments; the fall where it is defined at all of them."""
    if not moments:
        return ()
    means = []
    for place, share in enumerate(moments[0].shares):
        each = [moment.shares[place] for moment in moments]
        falls = [s.fall_db for s in each if s.fall_db is not None]
        whole = len(falls) == len(each)
        undefined = {} if whole else {"fall_db": "at one of the peaks nothing else sounds"}
        means.append(
            GroupShare(
                share.group,
                float(np.mean([s.share_pct for s in each])),
                float(np.mean(falls)) if whole else None,
                undefined,
            )
        )
    return tuple(means)
