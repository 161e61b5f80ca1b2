"""Test signals, and a plug-in in a worker of its own that plays them."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from chainweigh.audio.array import Samples, from_db, to_db
from chainweigh.errors import PluginFaultError
from chainweigh.hosts.output_checks import check_finite
from chainweigh.hosts.playing import BLOCK_FRAMES
from chainweigh.hosts.plugin import Plugin
from chainweigh.hosts.records import RenderJob, RenderReply, Requested, Settled
from chainweigh.hosts.worker_process import WorkerProcess

RATE_HZ = 48_000


def noise(seconds: float, peak_dbfs: float, rate_hz: int = RATE_HZ) -> Samples:
    """Stereo noise of uniform density, the sides independent; always the same."""
    random = np.random.default_rng(1)
    samples = random.uniform(-1.0, 1.0, (2, round(seconds * rate_hz)))
    return (from_db(peak_dbfs) * samples).astype(np.float32)


def silence(seconds: float) -> Samples:
    """Stereo silence."""
    return np.zeros((2, round(seconds * RATE_HZ)), np.float32)


def peak_dbfs(samples: Samples) -> float:
    """Largest magnitude; minus infinity of silence."""
    return to_db(float(np.abs(samples).max()))


@dataclass(frozen=True)
class Played:
    """The whole output, latency and tail included, and what the worker told."""

    output: Samples
    reply: RenderReply


class Prober:
    """New instances of a plug-in with some settings, one a signal, in one worker after another.

    Attributes
    ----------
    hung : whether it has hung; it is waited for less long from then on
    mode_changed, log_bytes, n_children : what its processes have done beside the audio
    """

    def __init__(self, plugin: Plugin, settings: Mapping[int, Requested]) -> None:
        self.plugin, self._settings = plugin, dict(settings)
        self.hung = self.mode_changed = False
        self.log_bytes = self.n_children = 0
        self._worker: WorkerProcess | None = None

    @property
    def worker(self) -> WorkerProcess:
        """The worker in use, started if there is none."""
        if self._worker is None:
            self._worker = WorkerProcess(self.plugin.record.host, self.plugin.path)
            self._worker.patient = not self.hung
        return self._worker

    def close(self) -> None:
        """End the worker; the next signal is played in a new one."""
        if self._worker is not None:
            self._worker.close()
            self._worker = None

    def play(
        self,
        signal: Samples,
        *,
        settings: Mapping[int, Requested] | None = None,
        sample_rate_hz: int = RATE_HZ,
        tail_frames: int = 0,
        block_frames: int = BLOCK_FRAMES,
        find_impulse: bool = False,
        restarted: bool = False,
        from_state: bool = False,
    ) -> Played:
        """Play a signal through a new instance; parameters as of `RenderJob`.

        Parameters
        ----------
        settings : beside those the prober was made with

        Raises
        ------
        PluginError
            It refuses the rate or a value.
        PluginFaultError
            It crashed, hung, or its output is not finite.
        """
        n_channels, n_frames = signal.shape
        job = replace(
            self._job(settings or {}, sample_rate_hz),
            n_channels=n_channels,
            n_frames=n_frames,
            tail_frames=tail_frames,
            block_frames=block_frames,
            find_impulse=find_impulse,
            restarted=restarted,
            from_state=from_state,
        )
        worker = self.worker
        try:
            reply, output = worker.render(job, signal)
            worker.finish()
        except PluginFaultError:
            self._note_hang(worker)
            raise
        self.mode_changed |= reply.mode_changed
        self.log_bytes = max(self.log_bytes, worker.log_bytes())
        self.n_children = max(self.n_children, worker.n_children())
        check_finite(output)
        return Played(output, reply)

    def settle(self, settings: Mapping[int, Requested] | None = None) -> Settled:
        """What it makes of its settings.

        Raises
        ------
        PluginError
            A value it cannot hold.
        PluginFaultError
            It crashed or hung.
        """
        worker = self.worker
        try:
            settled = worker.settle(self._job(settings or {}, RATE_HZ))
            worker.finish()
        except PluginFaultError:
            self._note_hang(worker)
            raise
        return settled

    def play_in(self, environment: Mapping[str, str], signal: Samples) -> Played:
        """Play a signal in a worker of its own with these variables in its environment.

        Raises
        ------
        PluginFaultError
            As of `play`.
        """
        self.close()
        self._worker = WorkerProcess(self.plugin.record.host, self.plugin.path, environment)
        try:
            return self.play(signal)
        finally:
            self.close()

    def check_settings(self) -> None:
        """Refuse settings it cannot hold; that it crashes or hangs is left to what is played.

        Raises
        ------
        PluginError
            Naming the parameter.
        """
        with suppress(PluginFaultError):
            self.settle()

    def _note_hang(self, worker: WorkerProcess) -> None:
        self.hung |= worker.hung
        self.close()

    def _job(self, settings: Mapping[int, Requested], sample_rate_hz: int) -> RenderJob:
        return self.plugin.job({**self._settings, **settings}, sample_rate_hz)

    @property
    def untouched(self) -> frozenset[int]:
        """Parameters that stay as the prober was told."""
        return frozenset(self._settings)
