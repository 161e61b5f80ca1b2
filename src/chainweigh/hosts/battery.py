"""The battery: everything that is looked at before a plug-in is trusted, in one worker."""

from collections.abc import Callable, Iterator, Mapping

from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts.battery_process import (
    check_bounds,
    check_leak,
    check_parameters,
    check_process,
)
from chainweigh.hosts.battery_repeat import (
    check_adapts,
    check_repeats,
    check_restart,
    check_state,
)
from chainweigh.hosts.battery_sound import (
    check_channels,
    check_drop_out,
    check_extremes,
    check_loads,
    check_offset,
    check_silence,
)
from chainweigh.hosts.battery_time import (
    check_blocks,
    check_latency,
    check_rates,
    check_steady_time,
    check_tail,
)
from chainweigh.hosts.plugin import Plugin
from chainweigh.hosts.prober import Prober
from chainweigh.hosts.qualification import FAULT, NOT_TESTED, Finding, Qualification
from chainweigh.hosts.records import Requested

LOADING, RUNNING = "loading", "running"
Check = Callable[[Prober], Iterator[Finding]]

CHECKS: dict[str, Check] = {
    RUNNING: check_loads,
    "latency": check_latency,
    "steady latency": check_steady_time,
    "repeats": check_repeats,
    "restart": check_restart,
    "state": check_state,
    "block length": check_blocks,
    "adapts": check_adapts,
    "steady level": check_drop_out,
    "silence": check_silence,
    "DC offset, polarity": check_offset,
    "tail": check_tail,
    "channels": check_channels,
    "sample rates": check_rates,
    "parameters": check_parameters,
    "extreme settings": check_extremes,
    "memory": check_leak,
    "memory bounds": check_bounds,
    "process": check_process,
}


def qualify(
    plugin: Plugin,
    settings: Mapping[str, Requested] | None = None,
    *,
    progress: Callable[[str], None] = lambda check: None,
) -> Qualification:
    """Run the whole battery.

    Parameters
    ----------
    settings : parameter name or `id:N` -> value, which stay through all checks
    progress : called with each check's name as it begins

    Raises
    ------
    PluginError
        A setting it cannot hold, or a plug-in that can be no stage.

    Notes
    -----
    A plug-in that crashes is played on in a new process; after a hang, or where it does not run at
    all, the rest is not tested.
    """
    settings = dict(settings or {})
    record = plugin.record
    if plugin.fault is not None:
        findings = [Finding(LOADING, FAULT, plugin.fault)]
    else:
        by_id = {plugin.parameter(name).id: value for name, value in settings.items()}
        prober = Prober(plugin, by_id)
        try:
            prober.check_settings()
            findings = list(_findings(prober, progress))
        finally:
            prober.close()
    return Qualification(plugin.reference, record.name, plugin.digest, settings, tuple(findings))


def _findings(prober: Prober, progress: Callable[[str], None]) -> Iterator[Finding]:
    ended = False
    for name, check in CHECKS.items():
        if ended:
            yield Finding(name, NOT_TESTED, "not reached")
            continue
        progress(name)
        try:
            yield from check(prober)
        except (PluginFaultError, PluginError) as error:
            yield Finding(name, FAULT, str(error))
            ended = prober.hung or name == RUNNING
