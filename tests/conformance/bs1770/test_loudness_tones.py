"""ITU-R BS.1770-5 Annex 1: filter tables, tones of known loudness, gating.

Expected values follow from the filter's response on the unit circle and were confirmed with
libebur128 1.2.6; the tones at -23.0 follow the pattern of ITU-R BS.2217 (targets read in the test
suite of pyloudnorm).
"""

import numpy as np
import pytest

from chainweigh.kernels.loudness import k_weighting
from chainweigh.measure.loudness import measure_loudness

RATE = 48_000

TABLE_1 = [
    1.53512485958697,
    -2.69169618940638,
    1.19839281085285,
    -1.69065929318241,
    0.73248077421585,
]
TABLE_2 = [1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621]

# Derived as in libebur128: shelf b0 b1 b2 a1 a2, high-pass a1 a2.
OTHER_RATES = {
    44_100: [
        1.53084123005035,
        -2.65097999515473,
        1.16907907992159,
        -1.66365511325602,
        0.71259542807323,
        -1.9891696736298,
        0.98919903578704,
    ],
    88_200: [
        1.55751537557965,
        -2.90562707992634,
        1.36133397747221,
        -1.83091998796233,
        0.84414226108785,
        -1.99457751545034,
        0.99458487587805,
    ],
    96_000: [
        1.5597142289758,
        -2.92674157825108,
        1.37826120231582,
        -1.84460946989011,
        0.85584332293064,
        -1.99501754472472,
        0.99502375904092,
    ],
    192_000: [
        1.57222721509128,
        -3.04728305156155,
        1.47797134097961,
        -1.92220223060749,
        0.92511773511683,
        -1.9975072228407,
        0.99750877835551,
    ],
}

# Hz: dB at 48 kHz, from the tables.
RESPONSE_DB = {
    20: -13.2754,
    40: -5.5669,
    63: -2.6639,
    100: -1.1335,
    200: -0.2649,
    500: 0.0425,
    997: 0.6910,
    1000: 0.6977,
    2000: 3.0713,
    5000: 4.0134,
    10000: 4.0419,
    20000: 4.0431,
}


def integrated(samples, rate=RATE, **weights):
    return measure_loudness(samples, rate, **weights).integrated_lufs


def test_k_weighting_equals_tables_1_and_2_at_48_khz():
    np.testing.assert_allclose(k_weighting(48_000), [TABLE_1, TABLE_2], rtol=0, atol=1e-14)


@pytest.mark.parametrize("rate", OTHER_RATES)
def test_k_weighting_at_other_rates(rate):
    shelf, high_pass = k_weighting(rate)
    np.testing.assert_allclose([*shelf, *high_pass[3:]], OTHER_RATES[rate], rtol=0, atol=1e-13)
    assert list(high_pass[:3]) == [1.0, -2.0, 1.0]


@pytest.mark.parametrize("frequency_hz", RESPONSE_DB)
def test_k_weighting_response_at_48_khz(frequency_hz):
    delay = np.exp(-2j * np.pi * frequency_hz / RATE)
    gain = 1.0
    for b0, b1, b2, a1, a2 in k_weighting(RATE):
        gain *= abs((b0 + b1 * delay + b2 * delay**2) / (1 + a1 * delay + a2 * delay**2))
    assert 20 * np.log10(gain) == pytest.approx(RESPONSE_DB[frequency_hz], abs=1e-4)


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_a_full_scale_997_hz_sine_in_one_front_channel_reads_minus_3_01(programme, channel):
    samples = np.zeros((3, RATE * 5), dtype=np.float32)
    samples[channel] = programme([(5, 0.0)], frequency_hz=997.0)[0]
    measured = integrated(samples, channel_weights=(1.0, 1.0, 1.0))
    assert measured == pytest.approx(-3.010286, abs=0.001)


def test_a_full_scale_sine_in_one_surround_channel_reads_1_5_db_more(programme):
    tone = programme([(5, 0.0)], frequency_hz=997.0, n_channels=1)
    assert integrated(tone, channel_weights=(1.41,)) == pytest.approx(-1.51809, abs=0.001)


@pytest.mark.parametrize(
    ("frequency_hz", "n_channels", "level", "expected"),
    [
        (997.0, 1, 0.0, -3.010286),
        (997.0, 2, 0.0, 0.00002),
        (1000.0, 1, 0.0, -3.003596),
        (1000.0, 2, -23.0, -22.9933),
        (1000.0, 2, -18.0, -17.9933),
    ],
)
def test_tones_read_their_derived_loudness(programme, frequency_hz, n_channels, level, expected):
    samples = programme([(10, level)], frequency_hz=frequency_hz, n_channels=n_channels)
    assert integrated(samples) == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize(
    ("frequency_hz", "level"),
    [
        (25, -11.9162),
        (100, -21.1755),
        (500, -22.3515),
        (997, -23.0),
        (1000, -23.0067),
        (2000, -25.3803),
        (10000, -26.3509),
    ],
)
def test_stereo_tones_of_these_levels_read_minus_23(programme, frequency_hz, level):
    measured = integrated(programme([(20, level)], frequency_hz=float(frequency_hz)))
    assert measured == pytest.approx(-23.0, abs=0.1)
    assert measured == pytest.approx(-23.0, abs=0.001)


@pytest.mark.parametrize(
    ("rate", "expected"), [(44_100, -22.9905), (48_000, -22.9933), (96_000, -23.0106)]
)
def test_the_unnormalised_high_pass_shifts_other_rates_as_in_other_meters(
    programme, rate, expected
):
    measured = integrated(programme([(20, -23.0)], sample_rate_hz=rate), rate)
    assert measured == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize(
    ("segments", "closed_form", "closed_tolerance", "with_boundary_blocks"),
    [
        # Foreground and background both pass: the power mean.
        ([(20, -20), (20, -30)], -22.5964, 0.001, -22.5964),
        # The background falls to the relative gate; blocks across the step remain.
        ([(20, -20), (20, -36)], -20.0, 0.04, -20.0319),
        ([(10, -20), (60, -29)], -26.0073, 0.03, -26.0307),
    ],
)
def test_gating_examples(programme, segments, closed_form, closed_tolerance, with_boundary_blocks):
    measured = integrated(programme(segments, frequency_hz=997.0))
    assert measured == pytest.approx(closed_form, abs=closed_tolerance)
    assert measured == pytest.approx(with_boundary_blocks, abs=0.001)


def test_blocks_below_the_absolute_gate_do_not_count(programme):
    samples = programme([(10, -20), (60, -72)], frequency_hz=997.0)
    # Three blocks straddle the step, with 3/4, 1/2 and 1/4 of their power: of 100 blocks' power
    # 98.5 remain on 100 (closed form).
    assert integrated(samples) == pytest.approx(-20.0 + 10 * np.log10(98.5 / 100), abs=0.001)


def test_a_tone_just_above_the_absolute_gate_is_measured_and_one_below_is_not(programme):
    above = programme([(5, -69.9)], frequency_hz=997.0)
    below = programme([(5, -70.1)], frequency_hz=997.0)
    assert integrated(above) == pytest.approx(-69.9, abs=0.001)
    assert integrated(below) is None


def test_bursts_read_their_share_of_the_window(programme):
    # Closed form: L + 10 log10(d / window), d = 100 ms at -20 LUFS; libebur128 as measured.
    samples = programme([(3, None), (0.1, -20), (3, None)], frequency_hz=997.0)
    measured = measure_loudness(samples, RATE)
    assert measured.momentary_max_lufs == pytest.approx(-26.021, abs=0.005)
    assert measured.momentary_max_lufs == pytest.approx(-26.019, abs=0.001)
    assert measured.short_term_max_lufs == pytest.approx(-34.771, abs=0.005)
    assert measured.short_term_max_lufs == pytest.approx(-34.770, abs=0.001)
