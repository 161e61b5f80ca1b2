"""Audio through new instances of a plug-in: the one way a render and a probe are run."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginFaultError
from chainweigh.hosts.lifecycle import Instance, Library
from chainweigh.hosts.records import ParameterValue, RenderJob, Requested, Settled
from chainweigh.hosts.values import set_and_read_back

BLOCK_FRAMES = 1024
PRE_ROLL_BLOCKS = 16  # of silence, for parameters that glide to their value
BEAT_FRAMES = 16 * BLOCK_FRAMES
IMPULSE = 0.25
IMPULSE_S = 1.0
MAX_LATENCY_S = 10.0

Beat = Callable[[str, int], None]
"""Called with the stage and the frame reached: the sign of life a worker gives."""


class Player:
    """New instances with their parameters set, active and pre-rolled; one, or one a channel."""

    def __init__(
        self,
        library: Library,
        plugin_id: str,
        sample_rate_hz: int,
        requested: dict[int, Requested],
        beat: Beat,
    ) -> None:
        self._library, self._id, self._rate = library, plugin_id, sample_rate_hz
        self._requested, self._beat = requested, beat
        self._record = library.record(plugin_id)
        self._instances: list[Instance] = []
        self.values: tuple[ParameterValue, ...] = ()

    def open(self, n_channels: int) -> None:
        """Create, set and activate what n_channels of audio need."""
        for _ in range(n_channels if self._record.n_inputs == 1 else 1):
            self._beat("being created", 0)
            instance = self._library.create(self._id, self._rate)
            self._instances.append(instance)
            self._beat("setting its parameters", 0)
            self.values = set_and_read_back(instance, self._requested)
            self._beat("being activated", 0)
            instance.activate(BLOCK_FRAMES)

    def close(self) -> None:
        """Destroy the instances."""
        while self._instances:
            self._instances.pop().destroy()

    def settled(self) -> Settled:
        """What it holds and reports now."""
        first = self._instances[0]
        latency = first.latency_frames()
        if not 0 <= latency <= MAX_LATENCY_S * self._rate:
            raise PluginFaultError(f"it reports a latency of {latency} frames")
        return Settled(self.values, latency, first.tail_frames())

    def notes(self) -> tuple[str, ...]:
        """What is worth knowing of how it ran."""
        unlinked = ("one instance a side, unlinked",) if len(self._instances) > 1 else ()
        return (*self._record.notes, *unlinked, *self._instances[0].notes())

    def pre_roll(self) -> None:
        """Run silence through it."""
        silence = np.zeros((self._n_channels, PRE_ROLL_BLOCKS * BLOCK_FRAMES), np.float32)
        self.play(silence, np.empty_like(silence), "in its pre-roll")

    @property
    def _n_channels(self) -> int:
        return max(self._record.n_inputs, len(self._instances))

    def play(self, signal: Samples, output: Samples, stage: str) -> None:
        """Run a signal through; `output` is as long or longer, silence follows the signal."""
        n_sides, n_frames = output.shape
        block = np.zeros((self._n_channels, BLOCK_FRAMES), np.float32)
        for start in range(0, n_frames, BLOCK_FRAMES):
            if start % BEAT_FRAMES == 0:
                self._beat(stage, start)
            end = start + BLOCK_FRAMES
            given = signal[:, start:end]
            if given.shape[1] < BLOCK_FRAMES:
                block[:] = 0.0
            block[:, : given.shape[1]] = given  # one channel goes to both sides
            output[:, start:end] = self._process(block)[:n_sides, : n_frames - start]

    def _process(self, block: Samples) -> Samples:
        if len(self._instances) == 1:
            return self._instances[0].process(block)
        pairs = zip(self._instances, block, strict=True)
        return np.concatenate([instance.process(side[None]) for instance, side in pairs])


def settle(
    library: Library,
    plugin_id: str,
    sample_rate_hz: int,
    requested: dict[int, Requested],
    beat: Beat,
) -> Iterator[Settled]:
    """Yield what a plug-in makes of its parameters; the instance is destroyed afterwards."""
    with ExitStack() as stack:
        player = Player(library, plugin_id, sample_rate_hz, requested, beat)
        stack.callback(player.close)
        player.open(1)
        yield player.settled()


def impulse_frames(library: Library, job: RenderJob, beat: Beat) -> int | None:
    """Frame of the peak of a plug-in's response to an impulse; None where it stays silent."""
    impulse = np.zeros((job.n_channels, round(IMPULSE_S * job.sample_rate_hz)), np.float32)
    impulse[:, 0] = IMPULSE
    player = Player(library, job.plugin_id, job.sample_rate_hz, job.requested, beat)
    with ExitStack() as stack:
        stack.callback(player.close)
        player.open(job.n_channels)
        player.pre_roll()
        output = np.empty_like(impulse)
        player.play(impulse, output, "playing an impulse")
    strength = np.abs(output).max(axis=0)
    peak = int(np.argmax(strength))
    return peak if strength[peak] > 0 else None
