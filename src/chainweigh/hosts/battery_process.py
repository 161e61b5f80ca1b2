"""The battery's checks beside the audio: parameters, memory, what it does to its process.

Limits are common practice, no source.
"""

from collections.abc import Iterator
from pathlib import Path

from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts.memory_checker import checker_environment
from chainweigh.hosts.prober import Prober, noise
from chainweigh.hosts.qualification import CARE, FAULT, NOT_TESTED, SOUND, Finding
from chainweigh.hosts.records import POINTS, PRESET, PluginParameter

N_WARM, N_COUNTED = 6, 20
LEAK_BYTES, LARGE_LEAK_BYTES = 256 * 1024, 32 * 2**20  # an instance
PLACE = 0.3719  # of the range: on no coarse grid


def check_parameters(prober: Prober) -> Iterator[Finding]:
    """Each parameter takes a value and gives it back."""
    parameters = [p for p in prober.plugin.record.parameters if p.settable]
    tried = [p for p in parameters if p.id not in prober.untouched and PRESET not in p.flags]
    bad, worst = [], 0.0
    for parameter in tried:
        value = _odd_value(parameter)
        try:
            values = prober.settle({parameter.id: value}).values
        except PluginError:
            bad.append(f'"{parameter.name}"')
            continue
        actual = next(held.actual for held in values if held.id == parameter.id)
        worst = max(worst, abs(actual - value) / _span(parameter))
    if bad:
        text = f"does not hold what it is set to: {', '.join(bad)}"
        yield Finding("parameters", CARE, text)
    else:
        exact = f"to {worst:.1g} of its range" if worst else "exactly"
        text = f"each of its parameters holds what it is set to, {exact} ({len(tried)} tried)"
        yield Finding("parameters", SOUND, text)


def _odd_value(parameter: PluginParameter) -> float:
    low = parameter.minimum if parameter.minimum is not None else parameter.start
    high = parameter.maximum if parameter.maximum is not None else low
    if POINTS in parameter.flags:
        return high
    value = low + PLACE * (high - low)
    return low + round(value - low) if parameter.steps is not None else value


def _span(parameter: PluginParameter) -> float:
    if parameter.minimum is None or parameter.maximum is None:
        return 1.0
    return (parameter.maximum - parameter.minimum) or 1.0


def check_leak(prober: Prober) -> Iterator[Finding]:
    """Memory that is not given back over many instances."""
    signal = noise(0.5, -12.0)
    for _ in range(N_WARM):
        prober.play(signal)
    before = prober.worker.private_bytes()
    if not before:
        yield Finding("memory", NOT_TESTED, "this system does not tell")
        return
    for _ in range(N_COUNTED):
        prober.play(signal)
    lost = (prober.worker.private_bytes() - before) / N_COUNTED
    if lost > LEAK_BYTES:
        grade = FAULT if lost > LARGE_LEAK_BYTES else CARE
        yield Finding("memory", grade, f"keeps {lost / 2**20:.1f} MiB of memory an instance")
    else:
        yield Finding("memory", SOUND, f"gives its memory back, over {N_COUNTED} instances")


def check_bounds(prober: Prober) -> Iterator[Finding]:
    """Memory it damages or reads unwritten, by the C library's own checker."""
    environment = checker_environment()
    if environment is None:
        yield Finding("memory bounds", NOT_TESTED, "this system has no checker of memory")
        return
    signal = noise(0.5, -12.0)
    plain = [prober.play(signal).output.tobytes() for _ in range(2)]
    try:
        checked = prober.play_in(environment, signal).output.tobytes()
    except PluginFaultError as error:
        text = f"damages memory, as the C library's checker finds: {error}"
        yield Finding("memory bounds", FAULT, text)
        return
    if checked != plain[0] == plain[1]:
        text = "its output depends on memory it never wrote: it differs where that holds junk"
        yield Finding("memory bounds", FAULT, text)
    else:
        text = "writes and reads no memory but its own, as far as the C library's checker sees"
        yield Finding("memory bounds", SOUND, text)


def check_process(prober: Prober) -> Iterator[Finding]:
    """What all that was played has done to the process."""
    if prober.mode_changed:
        text = "leaves the floating-point mode changed; that is undone after each render"
        yield Finding("floating point", CARE, text)
    else:
        yield Finding("floating point", SOUND, "leaves the floating-point mode as it was")
    if not Path("/proc/self/stat").exists():
        yield Finding("processes", NOT_TESTED, "this system does not tell")
    elif prober.n_children:
        text = "starts other processes; they are ended with its own"
        yield Finding("processes", CARE, text)
    else:
        yield Finding("processes", SOUND, "starts no other process")
    if prober.log_bytes:
        yield Finding("messages", SOUND, "writes to its standard output; that is kept apart")
    else:
        yield Finding("messages", SOUND, "writes nothing to its standard output")
