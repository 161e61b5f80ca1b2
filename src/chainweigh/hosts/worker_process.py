"""The parent's side of a worker: start it, ask it, end it when it gives no sign of life."""

import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

import msgspec

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts.binary import printable
from chainweigh.hosts.records import PluginRecord, RenderJob, RenderReply, Settled
from chainweigh.hosts.shared_memory import get, new_descriptor, put

STALL_S = 20.0
HUNG_STALL_S = 3.0  # of a plug-in that has hung before
POLL_S = 0.1
GRACE_S = 1.0  # to end by itself once its pipe is closed
READ_BYTES = 65_536
RSS_UNIT_BYTES = 1 if sys.platform == "darwin" else 1024
LOG_BYTES, LOG_LINES = 2_000, 3
MEMORY_LIMIT_BYTES = 4 * 2**30  # of its own, the shared audio not counted
MEMORY_FULL = 0.8  # of the limit: one more allocation may have been the one that failed

_Reply = TypeVar("_Reply")


class WorkerProcess:
    """A fresh interpreter in a session of its own that holds one plug-in file.

    Parameters
    ----------
    environment : variables it gets beside ours

    Raises
    ------
    PluginError
        The file cannot be used; the text says why.
    PluginFaultError
        It crashed or hung while it was loaded.
    """

    def __init__(
        self,
        format_name: str,
        path: Path,
        environment: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        self._buffer = b""
        self._doing = ("starting", 0)
        self._memory = new_descriptor()
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the worker
        to_read, self._requests = os.pipe()
        self._replies, to_write = os.pipe()
        given = (to_read, to_write, self._memory)
        command = [sys.executable, "-P", "-m", "chainweigh.hosts.worker", format_name, str(path)]
        self._limit_bytes, self._peak_bytes = MEMORY_LIMIT_BYTES, 0
        self._inherited_bytes = _own_peak_bytes()
        numbers = (*given, os.getpid(), self._limit_bytes)
        self._process = subprocess.Popen(
            [*command, *map(str, numbers)],
            env={
                **os.environ,
                "OPENBLAS_NUM_THREADS": "1",  # its buffers would count as memory
                **environment,
            },
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=self._log,
            pass_fds=given,
            start_new_session=True,
        )
        os.close(to_read)
        os.close(to_write)
        self._open = True
        self.retired = self.hung = False
        self.patient = True
        try:
            self.records = self._reply("opened", tuple[PluginRecord, ...])
        except BaseException:
            self.close()
            raise

    def settle(self, job: RenderJob) -> Settled:
        """What the plug-in makes of its parameters."""
        self._ask("settle", job)
        return self._reply("settled", Settled)

    def render(self, job: RenderJob, samples: Samples) -> tuple[RenderReply, Samples]:
        """The plug-in's whole output, latency and tail included."""
        put(self._memory, samples)
        self._ask("render", job)
        reply = self._reply("rendered", RenderReply)
        return reply, get(self._memory, samples.size, len(samples), reply.n_output_frames)

    def give_back_memory(self) -> None:
        """Free the audio's memory until the next render."""
        os.ftruncate(self._memory, 0)

    def ready(self) -> bool:
        """Whether it lives and has cleaned up after its last request; waits for that."""
        try:
            self.finish()
        except (PluginError, PluginFaultError):
            return False
        return True

    def finish(self) -> None:
        """Wait until it has cleaned up after a request.

        Raises
        ------
        PluginFaultError
            It crashed or hung over that.
        """
        self._reply("ready", type(None))

    def private_bytes(self) -> int:
        """Memory of its own that it uses now; 0 where the system does not tell."""
        try:
            lines = Path(f"/proc/{self._process.pid}/status").read_text().splitlines()
        except OSError:
            return 0
        told = next((line.split() for line in lines if line.startswith("RssAnon:")), ["", "0"])
        return int(told[1]) * 1024

    def log_bytes(self) -> int:
        """How much it has written to its standard output and error."""
        return os.fstat(self._log.fileno()).st_size

    def n_children(self) -> int:
        """How many other processes live in its session; 0 where the system does not tell."""
        states = Path("/proc").glob("[0-9]*/stat")
        return max(sum(_session(state) == self._process.pid for state in states) - 1, 0)

    def retire(self) -> None:
        """Mark it as not to be used again."""
        self.retired = True

    def close(self) -> None:
        """End the worker and all that it started."""
        if not self._open:
            return
        self._open = False
        with suppress(OSError):
            os.close(self._requests)
        deadline_s = time.monotonic() + GRACE_S
        while not self._ended() and time.monotonic() < deadline_s:
            time.sleep(0.005)
        self._kill()
        os.close(self._replies)
        os.close(self._memory)
        self._log.close()

    def _ask(self, kind: str, content: object) -> None:
        line = msgspec.json.encode({kind: content}) + b"\n"
        try:
            while line:
                line = line[os.write(self._requests, line) :]
        except BrokenPipeError:
            raise self._crashed() from None

    def _reply(self, kind: str, wanted: type[_Reply]) -> _Reply:
        """The content of the next message of that kind."""
        while True:
            ((name, content),) = self._message().items()
            if name == kind:
                return msgspec.json.decode(content, type=wanted)
            if name == "beat":
                self._doing = msgspec.json.decode(content, type=tuple[str, int])
            elif name == "refused":
                raise PluginError(msgspec.json.decode(content, type=str))
            elif name == "fault":
                raise PluginFaultError(msgspec.json.decode(content, type=str))

    def _message(self) -> dict[str, msgspec.Raw]:
        stall_s = STALL_S if self.patient else min(HUNG_STALL_S, STALL_S)
        deadline_s = time.monotonic() + stall_s
        while b"\n" not in self._buffer:
            if select.select([self._replies], [], [], POLL_S)[0]:
                chunk = os.read(self._replies, READ_BYTES)
                if not chunk:
                    raise self._crashed()
                self._buffer += chunk
            elif self._ended():
                raise self._crashed()
            elif time.monotonic() > deadline_s:
                self._kill()
                self.hung = True
                raise PluginFaultError(
                    f"it hung while {self._where()}: no progress for {STALL_S:g} s "
                    f"({HUNG_STALL_S:g} s from its second hang on)",
                    self._last_said(),
                )
        line, _, self._buffer = self._buffer.partition(b"\n")
        return msgspec.json.decode(line, type=dict[str, msgspec.Raw])

    def _last_said(self) -> str:
        size = self._log.seek(0, os.SEEK_END)
        self._log.seek(max(size - LOG_BYTES, 0))
        lines = filter(None, map(printable, self._log.read().splitlines()))
        return " / ".join(list(lines)[-LOG_LINES:])

    def _where(self) -> str:
        stage, frame = self._doing
        return f"{stage}, near frame {frame}" if frame else stage

    def _ended(self) -> bool:
        """Whether the process has ended; it stays unreaped, so that its group keeps its number."""
        if self._process.returncode is not None:
            return True
        return (
            os.waitid(os.P_PID, self._process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None
        )

    def _kill(self) -> None:
        if self._process.returncode is None:
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(self._process.pid, signal.SIGKILL)
            _, status, usage = os.wait4(self._process.pid, 0)
            self._process.returncode = os.waitstatus_to_exitcode(status)
            self._peak_bytes = usage.ru_maxrss * RSS_UNIT_BYTES

    def _crashed(self) -> PluginFaultError:
        deadline_s = time.monotonic() + GRACE_S
        while not self._ended() and time.monotonic() < deadline_s:
            time.sleep(0.005)
        self._kill()
        code = self._process.returncode
        how = _signal_name(-code) if code < 0 else f"exit code {code}"
        # a child's peak starts at that of its parent, which may hide its own
        if self._peak_bytes > max(MEMORY_FULL * self._limit_bytes, self._inherited_bytes):
            how = f"out of memory: {self._limit_bytes / 2**30:.3g} GiB is the limit; {how}"
        return PluginFaultError(f"it crashed while {self._where()} ({how})", self._last_said())


def _own_peak_bytes() -> int:
    import resource  # not everywhere, and only plug-ins need it

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * RSS_UNIT_BYTES


def _session(state: Path) -> int:
    """Session of a process by its /proc/N/stat; 0 of one that has ended."""
    try:
        after_name = state.read_text().rpartition(")")[2].split()
    except OSError:
        return 0
    return 0 if after_name[0] == "Z" else int(after_name[3])


def _signal_name(number: int) -> str:
    try:
        return (signal.strsignal(number) or signal.Signals(number).name).lower()
    except ValueError:
        return f"signal {number}"
