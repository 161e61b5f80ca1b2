"""One static gain that makes a candidate exactly as loud as its reference."""

from chainweigh.measure.loudness import LoudnessEnergies

TOLERANCE_LU = 1e-5
MAX_STEPS = 20


def level_match_db(reference: LoudnessEnergies, candidate: LoudnessEnergies) -> float | None:
    """Gain in dB that brings a candidate's integrated loudness to the reference's.

    Parameters
    ----------
    reference, candidate : K-weighted energies, from `loudness_energies`

    Returns
    -------
    The gain; None where either loudness is undefined.

    Notes
    -----
    Integrated loudness rises by just the gain unless a block crosses the absolute gate, where it
    jumps: steps end within 1e-5 LU, or at the closest gain found on either side of a jump.
    """
    target_lufs = reference.integrated_lufs()
    if target_lufs is None:
        return None
    gain_db, tried = 0.0, []
    for _ in range(MAX_STEPS):
        loudness_lufs = candidate.integrated_lufs(gain_db)
        if loudness_lufs is None:
            break
        error_lu = target_lufs - loudness_lufs
        tried.append((abs(error_lu), gain_db))
        if abs(error_lu) <= TOLERANCE_LU:
            break
        gain_db += error_lu
    return min(tried)[1] if tried else None
