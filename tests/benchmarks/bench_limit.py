"""The limiter against pedalboard.BrickwallLimiter at the same ceiling, look-ahead and release."""

import numpy as np
import pedalboard
from loud_programme import RATE_HZ, best_ms, print_row, programme, tone

from chainweigh.effects.limit import EFFECT
from chainweigh.measure.true_peak import true_peak_dbtp

LOOKAHEAD_MS, RELEASE_MS = 5.0, 80.0


def limit(samples, ceiling_dbfs, true_peak):
    """The effect with its defaults."""
    changed = {"ceiling": ceiling_dbfs, "true_peak": true_peak}
    settings = {p.name: p.default for p in EFFECT.parameters} | changed
    return EFFECT.process(samples, RATE_HZ, settings)


def pedalboard_limit(samples, ceiling_dbfs, true_peak):
    """The peer at the same settings."""
    limiter = pedalboard.BrickwallLimiter(ceiling_dbfs, RELEASE_MS, LOOKAHEAD_MS, true_peak)
    return limiter.process(samples, RATE_HZ)


def overshoot_db(samples, ceiling_dbfs, true_peak):
    """How far samples, or their true peak, pass the ceiling."""
    if true_peak:
        return true_peak_dbtp(samples, RATE_HZ) - ceiling_dbfs
    return 20 * np.log10(np.abs(samples).max()) - ceiling_dbfs


def main():
    """Print the ratios and both overshoots."""
    cases = [
        ("programme, 3 dB", programme(), -3.0),
        ("programme, 9 dB", programme(), -9.0),
        ("tone, mono", tone(), -6.0),
        ("10 kHz tone, mono", tone(60, 10007.0), -6.0),
    ]
    for true_peak, goal in ((False, 5), (True, 20)):
        kind = "true peak" if true_peak else "sample peak"
        for name, samples, ceiling_dbfs in cases:
            call = (samples, ceiling_dbfs, true_peak)
            ours_ms, ours = best_ms(lambda c=call: limit(*c))
            theirs_ms, theirs = best_ms(lambda c=call: pedalboard_limit(*c))
            print_row(f"limiter, {kind}, {name}", ours_ms, "pedalboard", theirs_ms, goal)
            ours_over_db = overshoot_db(ours, ceiling_dbfs, true_peak)
            theirs_over_db = overshoot_db(theirs, ceiling_dbfs, true_peak)
            print(f"    overshoot {ours_over_db:+.4f} dB against {theirs_over_db:+.4f} dB")
    for true_peak in (False, True):
        samples = tone(240)
        ours_ms, _ = best_ms(lambda s=samples, t=true_peak: limit(s, -6.0, t), 2)
        print(f"limiter, true_peak {true_peak}, 240 s of mono tone: {ours_ms:.0f} ms")


if __name__ == "__main__":
    main()
