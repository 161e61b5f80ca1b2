"""Audio through new instances of a plug-in: the one way a render and a probe are run."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import numpy as np

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginFaultError
from chainweigh.hosts.lifecycle import Instance, Library
from chainweigh.hosts.records import ParameterValue, RenderJob, Settled
from chainweigh.hosts.values import set_and_read_back

BLOCK_FRAMES = 1024
PRE_ROLL_FRAMES = 16 * BLOCK_FRAMES  # of silence, for parameters that glide to their value
BLOCKS_A_BEAT = 16
IMPULSE = 0.25
IMPULSE_S = 1.0
MAX_LATENCY_S = 10.0

Beat = Callable[[str, int], None]
"""Called with the stage and the frame reached: the sign of life a worker gives."""


class Player:
    """New instances with their parameters set, active and pre-rolled; one, or one a channel."""

    def __init__(self, library: Library, job: RenderJob, beat: Beat) -> None:
        self._library, self._job, self._beat = library, job, beat
        self._record = library.record(job.plugin_id)
        self._instances: list[Instance] = []
        self._active: list[Instance] = []
        self.values: tuple[ParameterValue, ...] = ()

    def open(self, n_channels: int) -> None:
        """Create, set and activate what n_channels of audio need."""
        for _ in range(n_channels if self._record.n_inputs == 1 else 1):
            instance = self._created()
            self._beat("setting its parameters", 0)
            if self._job.preset is not None:
                instance.load_preset(self._job.preset)
            self.values = set_and_read_back(instance, self._job.requested)
            if self._job.from_state:
                self._beat("saving its state", 0)
                state = instance.saved_state()
                instance = self._created()
                self._beat("loading its state", 0)
                instance.restore_state(state)
            self._beat("being activated", 0)
            instance.activate(self._job.block_frames)
            self._active.append(instance)

    def _created(self) -> Instance:
        self._beat("being created", 0)
        instance = self._library.create(self._job.plugin_id, self._job.sample_rate_hz)
        self._instances.append(instance)
        return instance

    def restart(self) -> None:
        """Deactivate and activate the instances, which shall then be as new."""
        for instance in self._active:
            self._beat("being restarted", 0)
            instance.deactivate()
            instance.activate(self._job.block_frames)

    def close(self) -> None:
        """Destroy the instances."""
        self._active.clear()
        while self._instances:
            self._instances.pop().destroy()

    def settled(self) -> Settled:
        """What it holds and reports now."""
        first = self._active[0]
        latency = first.latency_frames()
        if not 0 <= latency <= MAX_LATENCY_S * self._job.sample_rate_hz:
            raise PluginFaultError(f"it reports a latency of {latency} frames")
        return Settled(self.values, latency, first.tail_frames())

    def notes(self) -> tuple[str, ...]:
        """What is worth knowing of how it ran."""
        unlinked = ("one instance a side, unlinked",) if len(self._active) > 1 else ()
        return (*self._record.notes, *unlinked, *self._active[0].notes())

    def pre_roll(self) -> None:
        """Run silence through it."""
        silence = np.zeros((self._n_channels, PRE_ROLL_FRAMES), np.float32)
        self.play(silence, np.empty_like(silence), "in its pre-roll")

    @property
    def _n_channels(self) -> int:
        return max(self._record.n_inputs, len(self._active))

    def play(self, signal: Samples, output: Samples, stage: str) -> None:
        """Run a signal through; `output` is as long or longer, silence follows the signal."""
        (n_sides, n_frames), n_block = output.shape, self._job.block_frames
        block = np.zeros((self._n_channels, n_block), np.float32)
        for number, start in enumerate(range(0, n_frames, n_block)):
            if number % BLOCKS_A_BEAT == 0:
                self._beat(stage, start)
            end = start + n_block
            given = signal[:, start:end]
            if given.shape[1] < n_block:
                block[:] = 0.0
            block[:, : given.shape[1]] = given  # one channel goes to both sides
            output[:, start:end] = self._process(block)[:n_sides, : n_frames - start]

    def _process(self, block: Samples) -> Samples:
        if len(self._active) == 1:
            return self._active[0].process(block)
        pairs = zip(self._active, block, strict=True)
        return np.concatenate([instance.process(side[None]) for instance, side in pairs])


def settle(library: Library, job: RenderJob, beat: Beat) -> Iterator[Settled]:
    """Yield what a plug-in makes of its parameters; the instance is destroyed afterwards."""
    with ExitStack() as stack:
        player = Player(library, job, beat)
        stack.callback(player.close)
        player.open(1)
        yield player.settled()


def impulse_frames(library: Library, job: RenderJob, beat: Beat) -> int | None:
    """Frame of the peak of a plug-in's response to an impulse; None where it stays silent."""
    impulse = np.zeros((job.n_channels, round(IMPULSE_S * job.sample_rate_hz)), np.float32)
    impulse[:, 0] = IMPULSE
    player = Player(library, job, beat)
    with ExitStack() as stack:
        stack.callback(player.close)
        player.open(job.n_channels)
        player.pre_roll()
        output = np.empty_like(impulse)
        player.play(impulse, output, "playing an impulse")
    strength = np.abs(output).max(axis=0)
    peak = int(np.argmax(strength))
    return peak if strength[peak] > 0 else None
