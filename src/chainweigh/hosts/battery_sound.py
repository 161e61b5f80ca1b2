"""The battery's checks of sound: values no output may hold, silence, offset, drop-outs, channels.

Limits are common practice, no source.
"""

from collections.abc import Iterator

import numpy as np

from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts.battery_time import LONG_S, aligned
from chainweigh.hosts.output_checks import check_drop_outs
from chainweigh.hosts.prober import RATE_HZ, Prober, noise, peak_dbfs, silence
from chainweigh.hosts.qualification import CARE, FAULT, NOT_TESTED, SOUND, Finding
from chainweigh.hosts.records import PluginParameter

QUIET_DBFS = -120.0
OFFSET_DBFS = -80.0
UNSTEADY_DB = 3.0
TURNED = -0.5  # correlation with the input
MAX_PUSHED = 50  # parameters


def check_loads(prober: Prober) -> Iterator[Finding]:
    """It plays at all, and stays finite from the smallest numbers to 12 dB over full scale."""
    for signal in (noise(1.0, -12.0), noise(1.0, 12.0), noise(0.2, -780.0), silence(0.5)):
        prober.play(signal)
    yield Finding("running", SOUND, "runs, its output finite from silence to +12 dBFS")


def check_extremes(prober: Prober) -> Iterator[Finding]:
    """Every parameter at either end, one at a time."""
    signal = noise(0.5, -12.0)
    free = [p for p in prober.plugin.record.parameters if p.settable and _has_ends(p)]
    pushed = [p for p in free if p.id not in prober.untouched][:MAX_PUSHED]
    for parameter in pushed:
        for value in (parameter.minimum, parameter.maximum):
            assert value is not None
            try:
                prober.play(signal, settings={parameter.id: value})
            except (PluginFaultError, PluginError) as error:
                text = f'with "{parameter.name}" at {value:g}: {error}'
                yield Finding("extreme settings", FAULT, text)
                return
    text = f"runs with each of its parameters at either end ({len(pushed)} tried)"
    yield Finding("extreme settings", SOUND, text)


def _has_ends(parameter: PluginParameter) -> bool:
    return parameter.minimum is not None and parameter.maximum is not None


def check_drop_out(prober: Prober) -> Iterator[Finding]:
    """65 s of steady noise come out without a gap, at a steady level."""
    signal = noise(LONG_S, -20.0)
    output = aligned(signal, prober.play(signal))
    check_drop_outs(signal, output, RATE_HZ)
    n_window = RATE_HZ // 10
    windows = output[:, 5 * RATE_HZ :].reshape(2, -1, n_window).astype(np.float64)
    levels_db = 10 * np.log10(np.mean(windows**2, axis=(0, 2)))
    moved_db = float(np.ptp(levels_db))
    if moved_db > UNSTEADY_DB:
        text = f"its level moves by {moved_db:.0f} dB in {LONG_S:g} s of steady noise"
        yield Finding("steady level", CARE, text)
    else:
        text = f"no drop-out and a steady level in {LONG_S:g} s of noise"
        yield Finding("steady level", SOUND, text)


def check_silence(prober: Prober) -> Iterator[Finding]:
    """Silence in, silence out."""
    output = prober.play(silence(5.0)).output
    level = peak_dbfs(output)
    if level > QUIET_DBFS:
        text = f"makes sound by itself: {level:.0f} dBFS peak with silence in"
        yield Finding("silence", CARE, text)
    else:
        yield Finding("silence", SOUND, "silence in, silence out")


def check_offset(prober: Prober) -> Iterator[Finding]:
    """No offset; level and polarity of noise told."""
    signal = noise(2.0, -12.0)
    signal[:, 1::2] = -signal[:, ::2]  # free of offset, and any part of it too
    output = aligned(signal, prober.play(signal)).astype(np.float64)
    added = np.abs(output.mean(axis=1)).max()
    if added > 10 ** (OFFSET_DBFS / 20):
        text = f"adds a DC offset of {20 * np.log10(added):.0f} dBFS"
        yield Finding("DC offset", CARE, text)
    else:
        yield Finding("DC offset", SOUND, "adds no DC offset")
    energy, own = np.sum(output**2), np.sum(signal.astype(np.float64) ** 2)
    if not energy:
        yield Finding("polarity", NOT_TESTED, "its output is silent")
        return
    gain_db = round(10 * np.log10(energy / own), 1) + 0.0  # no minus zero
    if np.sum(output * signal) / np.sqrt(energy * own) < TURNED:
        text = "turns the polarity: it cancels against the dry signal in parallel"
        yield Finding("polarity", CARE, text)
    else:
        yield Finding("polarity", SOUND, f"keeps the polarity; {gain_db:+.1f} dB at these settings")


def check_channels(prober: Prober) -> Iterator[Finding]:
    """Mono and stereo: what runs where, and what the left side leaves on the right."""
    prober.play(noise(0.5, -12.0)[:1].copy())
    if prober.plugin.record.n_inputs == 1:
        text = "mono: run once a side, so the sides do not follow each other"
        yield Finding("channels", SOUND, text)
        return
    left = noise(1.0, -12.0)
    left[1] = 0.0
    output = aligned(left, prober.play(left))
    level_db = peak_dbfs(output[1:]) - peak_dbfs(output[:1])
    if level_db > QUIET_DBFS:
        yield Finding("channels", SOUND, f"stereo; {level_db:.0f} dB of the left come out right")
    else:
        yield Finding("channels", SOUND, "stereo; nothing of the left comes out right")
