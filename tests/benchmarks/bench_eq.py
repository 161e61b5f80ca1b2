"""Equaliser on a loud stereo song against pedalboard's filters, one thread, same run."""

from functools import partial

import numpy as np
import pedalboard
from loud_programme import RATE_HZ, best_ms, print_row, programme

from chainweigh.chain.chain import Chain, Stage
from chainweigh.render.chain_run import render_chain

SECONDS = 240
BANDS = (
    {"shape": "low_shelf", "frequency": 100.0, "gain": 2.0},
    {"shape": "peak", "frequency": 400.0, "gain": -2.0, "q": 1.0},
    {"shape": "peak", "frequency": 3000.0, "gain": 2.0, "q": 1.0},
    {"shape": "high_shelf", "frequency": 9000.0, "gain": 2.0},
)
PEER = pedalboard.Pedalboard(
    [
        pedalboard.LowShelfFilter(100, 2, 0.7071),
        pedalboard.PeakFilter(400, -2, 1),
        pedalboard.PeakFilter(3000, 2, 1),
        pedalboard.HighShelfFilter(9000, 2, 0.7071),
    ]
)


def rendered(samples: np.ndarray, *bands: dict[str, object]) -> np.ndarray:
    chain = Chain("Bands", "bus", "", tuple(Stage("eq", band) for band in bands))
    return render_chain(chain, samples, RATE_HZ).samples


def main() -> None:
    """Print times and ratios; goal of four bands: 8."""
    samples = programme(SECONDS)
    four_ms, four = best_ms(partial(PEER, samples, RATE_HZ))
    one_ms, _ = best_ms(partial(PEER[1], samples, RATE_HZ))
    peer, peer_of_one = "pedalboard, 4 filters", "pedalboard, 1 filter "
    ours_ms, ours = best_ms(partial(rendered, samples, *BANDS))
    print_row("4 bands", ours_ms, peer, four_ms, 8)
    for label, bands in (
        ("1 band", BANDS[1:2]),
        ("1 band on the side", [{**BANDS[1], "on": "side"}]),
        ("1 band, linear phase", [{**BANDS[1], "phase": "linear"}]),
    ):
        print_row(label, best_ms(partial(rendered, samples, *bands))[0], peer_of_one, one_ms)
    print(f"largest difference from the peer's (squeezed) bands: {np.abs(ours - four).max():.1e}")
    ring = np.zeros_like(samples)
    ring[:, 0] = 1
    ring_ms, _ = best_ms(partial(rendered, ring, *BANDS))
    print(f"silence after an impulse takes {ring_ms / ours_ms:.2f} of the time of programme")


if __name__ == "__main__":
    main()
