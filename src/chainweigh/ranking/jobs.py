"""Independent jobs over threads, results in order, progress told."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from typing import TypeVar

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
    When a job raises, or on Ctrl-C, jobs not begun are dropped and those running are waited for.
    """
    with ThreadPoolExecutor(max_workers=threads) as pool:
        futures = [pool.submit(job) for job in jobs]
        try:
            for future in as_completed(futures):
                future.result()
                progress(1, what)
        except BaseException:
            pool.shutdown(wait=True, cancel_futures=True)
            raise
    return [future.result() for future in futures]
