"""Independent jobs over threads, results in order, progress told."""

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from queue import SimpleQueue
from typing import Any, TypeVar

_Out = TypeVar("_Out")

Progress = Callable[[int, str], None]


def no_progress(steps: int, what: str) -> None:
    """Tell nobody."""


def run_jobs(
    jobs: Sequence[Callable[[], _Out]], *, threads: int, progress: Progress, what: str
) -> list[_Out]:
    """Results of all jobs, in their order, whatever the number of threads.

    Notes
    -----
    When a job raises, or on Ctrl-C, jobs not begun are dropped and those running are waited for; a
    second Ctrl-C does not wait.
    """
    finished: SimpleQueue[Future[_Out] | None] = SimpleQueue()
    with _ctrl_c_as_none(finished), ThreadPoolExecutor(max_workers=threads) as pool:
        futures = [pool.submit(job) for job in jobs]
        for future in futures:
            future.add_done_callback(finished.put)
        try:
            for _ in futures:
                future_or_stop = finished.get()
                if future_or_stop is None:
                    raise KeyboardInterrupt
                future_or_stop.result()
                progress(1, what)
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise
    if not finished.empty():  # Ctrl-C, later than the last result
        raise KeyboardInterrupt
    return [future.result() for future in futures]


@contextmanager
def _ctrl_c_as_none(queue: "SimpleQueue[Any]") -> Iterator[None]:
    """The first Ctrl-C puts None into a queue.

    Raised at once, KeyboardInterrupt could fall between two steps of a lock that the main thread
    shares with the workers, and release it under a worker's hands.
    """
    before = signal.getsignal(signal.SIGINT)
    on_main_thread = threading.current_thread() is threading.main_thread()
    if not on_main_thread or before is not signal.default_int_handler:
        yield
        return

    def stop(*_: object) -> None:
        signal.signal(signal.SIGINT, before)
        queue.put(None)

    signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
