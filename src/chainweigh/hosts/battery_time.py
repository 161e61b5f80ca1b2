"""The battery's checks of time: latency, its steadiness, block lengths, the tail.

Limits are common practice, no source.
"""

from collections.abc import Iterator

import numpy as np

from chainweigh.audio.array import Samples, padded, shifted
from chainweigh.errors import PluginError
from chainweigh.hosts.adaptation import difference_db
from chainweigh.hosts.alignment import AGREED, CORRECTED, find_alignment
from chainweigh.hosts.plugin import kept_tail_frames
from chainweigh.hosts.prober import RATE_HZ, Played, Prober, noise, peak_dbfs
from chainweigh.hosts.qualification import CARE, FAULT, NOT_TESTED, SOUND, Finding
from chainweigh.measure.delay import estimate_delay

LEVELS_DBFS = (-40.0, -20.0, -6.0)
BLOCKS_FRAMES = (64, 333, 4096)
LONG_S = 65.0  # unlicensed plug-ins mute about once a minute
SAME_DB = -100.0
TAIL_S, TAIL_END_DB = 15.0, -60.0


def aligned(signal: Samples, played: Played, *, n_frames: int | None = None) -> Samples:
    """Output moved earlier by the latency that is reported."""
    shift = played.reply.last_latency_frames
    return shifted(played.output, shift, n_frames or signal.shape[1])


def check_latency(prober: Prober) -> Iterator[Finding]:
    """Reported against measured, at three levels."""
    found, impulse = {}, None
    for level in LEVELS_DBFS:
        signal = noise(1.0, level)
        played = prober.play(signal, find_impulse=level == LEVELS_DBFS[0])
        reported = played.reply.last_latency_frames
        impulse = impulse if impulse is not None else played.reply.impulse_frames
        found[level] = find_alignment(
            signal,
            played.output,
            RATE_HZ,
            reported_frames=reported,
            impulse_frames=impulse,
        )
    shifts = sorted({each.shift_frames for each in found.values()})
    hows = {each.how for each in found.values()}
    if len(shifts) > 1:
        told = ", ".join(f"{each.shift_frames} at {db:g} dBFS" for db, each in found.items())
        yield Finding("latency", FAULT, f"its latency depends on the level: {told} (frames)")
    elif hows == {AGREED}:
        yield Finding("latency", SOUND, f"reports {_frames(reported)}, as measured")
    elif CORRECTED in hows:
        text = f"reports {_frames(reported)}, is {_frames(shifts[0])} late; renders are corrected"
        yield Finding("latency", CARE, text)
    elif impulse == reported:
        text = f"reports {_frames(reported)}, as an impulse shows; noise is too smeared to tell"
        yield Finding("latency", SOUND, text)
    else:
        text = f"reports {_frames(reported)}, which its sound is too smeared to confirm"
        yield Finding("latency", CARE, text)


def _frames(n_frames: int) -> str:
    return f"{n_frames} frames ({1000 * n_frames / RATE_HZ:.2g} ms)" if n_frames else "0 frames"


def check_steady_time(prober: Prober) -> Iterator[Finding]:
    """Latency reported before and after 65 s, and measured at both ends."""
    signal = noise(LONG_S, -20.0)
    played = prober.play(signal)
    first, last = played.reply.latency_frames, played.reply.last_latency_frames
    if first != last:
        text = f"the latency it reports changes while it runs: {first} frames, then {last}"
        yield Finding("steady latency", FAULT, text)
        return
    delays = []
    for start in (0, signal.shape[1] - 2 * RATE_HZ):
        span = slice(start, start + 2 * RATE_HZ)
        pair = (np.ascontiguousarray(each[:, span]) for each in (signal, played.output))
        delays.append(estimate_delay(*pair, sample_rate_hz=RATE_HZ))
    before, after = (delay.frames for delay in delays)
    if not all(delay.sharp for delay in delays):
        yield Finding("steady latency", NOT_TESTED, "its sound is too smeared to measure a delay")
    elif before != after:
        text = f"its delay changes while it runs: {before} frames, {after} after {LONG_S:g} s"
        yield Finding("steady latency", FAULT, text)
    else:
        yield Finding("steady latency", SOUND, f"its latency stays for {LONG_S:g} s")


def check_blocks(prober: Prober) -> Iterator[Finding]:
    """The same output whatever the length of the blocks."""
    signal = noise(1.0, -12.0)
    usual = aligned(signal, prober.play(signal))
    worst_db, worst_frames = -np.inf, 0
    for block_frames in BLOCKS_FRAMES:
        try:
            played = prober.play(signal, block_frames=block_frames)
        except PluginError as error:
            yield Finding("block length", NOT_TESTED, f"it runs at one block length: {error}")
            return
        off_db = difference_db(usual, aligned(signal, played))
        if off_db > worst_db:
            worst_db, worst_frames = off_db, block_frames
    if worst_db > SAME_DB:
        text = (
            f"its sound depends on the length of the host's blocks: {worst_db:.0f} dB between 1024 "
            f"frames, which chainweigh uses, and {worst_frames}"
        )
        yield Finding("block length", CARE, text)
    else:
        lengths = ", ".join(map(str, BLOCKS_FRAMES))
        yield Finding("block length", SOUND, f"sounds the same in blocks of {lengths} frames")


def check_tail(prober: Prober) -> Iterator[Finding]:
    """How long it rings, against the tail that is kept."""
    signal = noise(0.5, -12.0)
    n_frames = signal.shape[1]
    kept = kept_tail_frames(prober.settle(), RATE_HZ)
    played = prober.play(signal, tail_frames=round(TAIL_S * RATE_HZ))
    output = aligned(signal, played, n_frames=n_frames + round(TAIL_S * RATE_HZ))
    loud_db = peak_dbfs(output[:, :n_frames]) + TAIL_END_DB
    ringing = np.flatnonzero(np.abs(output).max(axis=0) > 10 ** (loud_db / 20))
    tail = max(int(ringing[-1]) + 1 - n_frames, 0) if ringing.size else 0
    rings = f"rings for {tail / RATE_HZ:.1f} s to {TAIL_END_DB:g} dB"
    if ringing.size and ringing[-1] >= output.shape[1] - RATE_HZ // 10:
        rings, tail = "does not come to rest", len(output[0])
    if tail > kept + RATE_HZ // 100:
        text = f"{rings}; {kept / RATE_HZ:.1f} s of it are kept"
        yield Finding("tail", CARE, text)
    else:
        told = f"{rings}, all of it kept" if tail > RATE_HZ // 20 else "does not ring on"
        yield Finding("tail", SOUND, told)


def check_rates(prober: Prober) -> Iterator[Finding]:
    """It runs from 44.1 to 192 kHz."""
    rates = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
    refused = []
    for rate_hz in rates:
        try:
            prober.play(padded(noise(0.5, -12.0, rate_hz), rate_hz), sample_rate_hz=rate_hz)
        except PluginError:
            refused.append(f"{rate_hz / 1000:g}")
    if refused:
        yield Finding("sample rates", CARE, f"does not run at {', '.join(refused)} kHz")
    else:
        yield Finding("sample rates", SOUND, "runs at 44.1 to 192 kHz")
