"""The worker process: `python -m chainweigh.hosts.worker FORMAT PATH`, then five numbers.

READ and WRITE are the pipes' and MEMORY the shared memory's descriptors, PARENT the process that
waits, LIMIT the bytes it may take.

Messages are one JSON object a line. To the worker: `settle` or `render`. From it: `beat` (stage,
frame) as a sign of life, one reply (`opened`, `settled`, `rendered`, `refused` or `fault`), then
`ready` once everything the request created has been destroyed.
"""

import faulthandler
import os
import resource
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import msgspec
import numpy as np

from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts.audio_unit import AudioUnitLibrary
from chainweigh.hosts.clap import ClapLibrary
from chainweigh.hosts.floating_point import FloatingPointMode
from chainweigh.hosts.ladspa import LadspaLibrary
from chainweigh.hosts.lifecycle import Library
from chainweigh.hosts.lv2 import Lv2Library
from chainweigh.hosts.playing import Player, impulse_frames, settle
from chainweigh.hosts.records import PEDALBOARD, RenderJob, RenderReply
from chainweigh.hosts.shared_memory import MappedMemory
from chainweigh.hosts.vst3 import Vst3Library
from chainweigh.hosts.vst3_pedalboard import PedalboardVst3Library

LIBRARIES = {
    "ladspa": LadspaLibrary,
    "clap": ClapLibrary,
    "lv2": Lv2Library,
    "vst3": Vst3Library,
    "au": AudioUnitLibrary,
    PEDALBOARD: PedalboardVst3Library,
}
PARENT_S = 0.5
LOCKED_S = 30.0  # longer than a parent waits
_ORPHANED = 1


class _Worker:
    def __init__(self, read: int, write: int, memory: int) -> None:
        self._requests = os.fdopen(read, "rb")
        self._write, self._memory = write, MappedMemory(memory)
        self._mode = FloatingPointMode()

    def _say(self, kind: str, content: object) -> None:
        line = msgspec.json.encode({kind: content}) + b"\n"
        while line:
            line = line[os.write(self._write, line) :]

    def beat(self, stage: str, frame: int) -> None:
        self._say("beat", (stage, frame))

    def serve(self, format_name: str, path: Path) -> None:
        """Open the library and answer requests until the parent closes the pipe."""
        self.beat("loading", 0)
        try:
            library: Library = LIBRARIES[format_name](path)
        except PluginError as error:
            self._say("refused", str(error))
            return
        self._mode.restore()
        self._say("opened", library.records)
        self._say("ready", None)
        for line in self._requests:
            self._answer(library, msgspec.json.decode(line, type=dict[str, RenderJob]))
            self._say("ready", None)

    def _answer(self, library: Library, request: dict[str, RenderJob]) -> None:
        ((kind, job),) = request.items()
        answers = self._settle(library, job) if kind == "settle" else self._render(library, job)
        try:
            for name, reply in answers:  # the reply leaves before the generator tears down
                self._say(name, reply)
        except PluginError as error:
            self._say("refused", str(error))
        except PluginFaultError as error:
            self._say("fault", str(error))

    def _settle(self, library: Library, job: RenderJob) -> Iterator[tuple[str, object]]:
        for settled in settle(library, job, self.beat):
            yield "settled", settled

    def _render(self, library: Library, job: RenderJob) -> Iterator[tuple[str, object]]:
        impulse = impulse_frames(library, job, self.beat) if job.find_impulse else None
        player = Player(library, job, self.beat)
        with ExitStack() as stack:
            stack.callback(player.close)
            player.open(job.n_channels)
            player.pre_roll()
            latency = player.settled().latency_frames
            n_output = job.n_frames + job.tail_frames + max(latency, impulse or 0, 0)
            self._play(player, job, n_output)
            if job.restarted:
                player.restart()
                player.pre_roll()
                self._play(player, job, n_output)
            yield (
                "rendered",
                RenderReply(
                    values=player.values,
                    n_output_frames=n_output,
                    latency_frames=latency,
                    last_latency_frames=player.settled().latency_frames,
                    impulse_frames=impulse,
                    notes=player.notes(),
                    mode_changed=self._mode.restore(),
                ),
            )

    def _play(self, player: Player, job: RenderJob, n_output: int) -> None:
        n_channels, n_frames = job.n_channels, job.n_frames
        output = self._memory.array(n_channels * n_frames, n_channels, n_output)
        signal = self._memory.array(0, n_channels, n_frames)
        player.play(signal, output, "processing")


def end_with_parent(parent: int) -> None:
    """End the whole group when the parent is gone: a plug-in that hangs would outlive it.

    One that hangs with the interpreter's lock stops this thread too; then the timer, which needs no
    lock, ends the process.
    """
    while os.getppid() == parent:
        faulthandler.dump_traceback_later(LOCKED_S, exit=True)
        time.sleep(PARENT_S)
    os.killpg(0, 9)
    os._exit(_ORPHANED)


def _limit_memory(limit_bytes: int) -> None:
    """Let allocations fail beyond that, or beyond the user's own limit where it is lower."""
    _, most = resource.getrlimit(resource.RLIMIT_DATA)
    if most != resource.RLIM_INFINITY:
        limit_bytes = min(limit_bytes, most)
    resource.setrlimit(resource.RLIMIT_DATA, (limit_bytes, limit_bytes))


def main() -> None:
    """Serve one plug-in file."""
    format_name, path = sys.argv[1:3]
    read, write, memory, parent, limit_bytes = map(int, sys.argv[3:])
    _limit_memory(limit_bytes)
    watch = threading.Thread(target=end_with_parent, args=(parent,), daemon=True)
    watch.start()
    np.seterr(all="ignore")
    _Worker(read, write, memory).serve(format_name, Path(path))


if __name__ == "__main__":
    main()
