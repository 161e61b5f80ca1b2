"""Warm workers: a plug-in file that was opened once is kept open for its next render."""

import atexit
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from chainweigh.hosts.worker_process import WorkerProcess

MAX_IDLE = 4
MAX_READY = 2  # of these, the last used, keep the memory of their audio
RETIRE_BYTES = 2**30  # a worker whose plug-in has leaked that much is not used again
_Key = tuple[str, Path, str]


class WorkerPool:
    """Workers that wait for work, least recently used first; safe to use from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._idle: list[tuple[_Key, WorkerProcess]] = []
        self._hung: set[_Key] = set()

    @contextmanager
    def worker(self, format_name: str, path: Path, digest: str) -> Iterator[WorkerProcess]:
        """A worker for a file, nobody else's meanwhile; thrown away on any exception.

        Parameters
        ----------
        digest : of the file, so that a changed file gets a new worker

        Notes
        -----
        Once a file's plug-in has hung, the next one of that file is waited for less long, so that a
        run does not lose 20 s a candidate.
        """
        key = (format_name, path, digest)
        worker = self._take(key) or WorkerProcess(format_name, path)
        worker.patient = key not in self._hung
        try:
            yield worker
        except BaseException:
            worker.close()
            if worker.hung:
                self._hung.add(key)
            raise
        if worker.retired or worker.private_bytes() > RETIRE_BYTES:
            worker.close()
        else:
            self._give_back(key, worker)

    def _take(self, key: _Key) -> WorkerProcess | None:
        while True:
            with self._lock:
                found = next((entry for entry in self._idle if entry[0] == key), None)
                if found is None:
                    return None
                self._idle.remove(found)
            if found[1].ready():
                return found[1]
            found[1].close()

    def _give_back(self, key: _Key, worker: WorkerProcess) -> None:
        with self._lock:
            self._idle.append((key, worker))
            surplus = [worker for _, worker in self._idle[:-MAX_IDLE]]
            del self._idle[:-MAX_IDLE]
            for _, idle in self._idle[:-MAX_READY]:
                idle.give_back_memory()
        for each in surplus:
            each.close()

    def close(self) -> None:
        """End all idle workers."""
        with self._lock:
            idle, self._idle = self._idle, []
        for _, worker in idle:
            worker.close()


POOL = WorkerPool()
atexit.register(POOL.close)
