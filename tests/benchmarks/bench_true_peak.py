"""True peak against libebur128 (pyebur128) on a minute of stereo programme."""

import numpy as np
import pyebur128
from loud_programme import RATE_HZ, best_ms, print_row, programme, tone

from chainweigh.measure.true_peak import measure_true_peak, true_peak, true_peak_dbtp


def libebur128(samples):
    """Largest true peak over channels, dBTP."""
    n_channels, n_frames = samples.shape
    state = pyebur128.R128State(n_channels, RATE_HZ, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples.T).ravel(), n_frames)
    peaks = [pyebur128.get_true_peak(state, c) for c in range(n_channels)]
    return 20 * np.log10(max(peaks))


def main():
    """Print the ratios."""
    noise = 0.1 * np.random.default_rng(1).standard_normal((2, 60 * RATE_HZ)).astype(np.float32)
    for name, samples in (("programme", programme()), ("sine", tone()), ("white noise", noise)):
        theirs_ms, theirs_db = best_ms(lambda s=samples: libebur128(s))
        for mode in ("annex2", "precise"):
            ours_ms, _ = best_ms(lambda s=samples, m=mode: true_peak(s, RATE_HZ, mode=m))
            print_row(f"true peak, {mode}, {name}", ours_ms, "libebur128", theirs_ms)
            ours_db = true_peak_dbtp(samples, RATE_HZ, mode=mode)
            print(f"    {ours_db:.3f} against {theirs_db:.3f} dBTP")
        ours_ms, _ = best_ms(lambda s=samples: measure_true_peak(s, RATE_HZ))
        print_row(f"all peak measures, {name}", ours_ms, "libebur128", theirs_ms)


if __name__ == "__main__":
    main()
