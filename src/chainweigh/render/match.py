"""One static gain that makes a render exactly as loud as its reference."""

from chainweigh.measure.loudness import LoudnessEnergies

TOLERANCE_LU = 1e-5
MAX_STEPS = 20


def match_gain_db(reference_lufs: float, render: LoudnessEnergies) -> float | None:
    """Gain in dB that brings a render's integrated loudness to the reference's.

    Parameters
    ----------
    reference_lufs : integrated loudness to reach
    render : K-weighted energies of the render before the gain

    Returns
    -------
    The gain; None where the render's loudness is undefined at every gain tried.

    Notes
    -----
    Integrated loudness rises by just the gain unless a block crosses the absolute gate, where it
    jumps: iterations end within 1e-5 LU, or at the closest gain found on either side of a jump.
    """
    gain_db, best = 0.0, None
    for _ in range(MAX_STEPS):
        loudness = render.integrated_lufs(gain_db)
        if loudness is None:
            return best[1] if best else None
        error_lu = reference_lufs - loudness
        if best is None or abs(error_lu) < abs(best[0]):
            best = (error_lu, gain_db)
        if abs(error_lu) <= TOLERANCE_LU:
            break
        gain_db += error_lu
    return best[1] if best else None
