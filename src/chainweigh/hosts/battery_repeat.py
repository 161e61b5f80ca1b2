"""The battery's checks of repetition: the same again, restarted, from its state, in an excerpt.

Limits are common practice, no source.
"""

from collections.abc import Iterator

import numpy as np

from chainweigh.audio.array import from_db
from chainweigh.errors import PluginError
from chainweigh.hosts.adaptation import ADAPTS_DB, difference_db
from chainweigh.hosts.battery_time import SAME_DB, aligned
from chainweigh.hosts.prober import RATE_HZ, Played, Prober, noise
from chainweigh.hosts.qualification import CARE, FAULT, NOT_TESTED, SOUND, Finding

REPEATS_DB = -80.0  # a difference below that is a dither's, not a change of sound
LOUD_S, QUIET_S, LEAD_S = 6.0, 6.0, 3.0


def check_repeats(prober: Prober) -> Iterator[Finding]:
    """The same input gives the same output: in new instances and in a new process."""
    signal = noise(1.0, -12.0)
    first = prober.play(signal)
    again = [prober.play(signal) for _ in range(2)]
    prober.close()
    again.append(prober.play(signal))
    worst_db = max(_off_db(first, other) for other in again)
    if worst_db == -np.inf:
        text = "repeats to the bit, in new instances and in a new process"
        yield Finding("repeats", SOUND, text)
    else:
        grade = FAULT if worst_db > REPEATS_DB else CARE
        text = f"the same input gives another output each time, {worst_db:.0f} dB apart"
        yield Finding("repeats", grade, text)


def _off_db(played: Played, other: Played) -> float:
    n_frames = min(played.output.shape[1], other.output.shape[1])
    return difference_db(played.output[:, :n_frames], other.output[:, :n_frames])


def check_restart(prober: Prober) -> Iterator[Finding]:
    """Deactivated and activated again it is as new."""
    signal = noise(1.0, -12.0)
    off_db = _off_db(prober.play(signal), prober.play(signal, restarted=True))
    if off_db > SAME_DB:
        text = "keeps sound from before when it is restarted; chainweigh always takes a new one"
        yield Finding("restart", SOUND, text)
    else:
        yield Finding("restart", SOUND, "restarts clean")


def check_state(prober: Prober) -> Iterator[Finding]:
    """An instance set from the state another one saved sounds the same."""
    signal = noise(1.0, -12.0)
    try:
        restored = prober.play(signal, from_state=True)
    except PluginError as error:
        yield Finding("state", NOT_TESTED, str(error))
        return
    off_db = _off_db(prober.play(signal), restored)
    if off_db > SAME_DB:
        text = f"its saved state does not bring its sound back ({off_db:.0f} dB apart)"
        yield Finding("state", CARE, text)
    else:
        yield Finding("state", SOUND, "its saved state brings its sound back")


def check_adapts(prober: Prober) -> Iterator[Finding]:
    """A quiet passage by itself sounds as it does after a loud one."""
    signal = noise(LOUD_S + QUIET_S, -6.0)
    n_loud, n_lead = round(LOUD_S * RATE_HZ), round(LEAD_S * RATE_HZ)
    signal[:, n_loud:] *= np.float32(from_db(-20.0))
    whole = aligned(signal, prober.play(signal))[:, n_loud + n_lead :]
    excerpt = np.ascontiguousarray(signal[:, n_loud:])
    alone = aligned(excerpt, prober.play(excerpt))[:, n_lead:]
    off_db = difference_db(whole, alone)
    if off_db > ADAPTS_DB:
        text = (
            f"adapts to the programme: {LEAD_S:g} s after a loud passage it still sounds other "
            f"({off_db:.0f} dB) than without; songs are always rendered from their start"
        )
        yield Finding("adapts", CARE, text)
    else:
        text = f"{LEAD_S:g} s after a loud passage it sounds as without"
        yield Finding("adapts", SOUND, text)
