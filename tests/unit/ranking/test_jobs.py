"""Jobs over threads: order, failure, Ctrl-C."""

import os
import signal
import threading
import time

import pytest

from chainweigh.ranking.jobs import no_progress, run_jobs


@pytest.fixture
def ctrl_c():
    """Ctrl-C as a program in the foreground gets it; the handler of before afterwards."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield lambda: os.kill(os.getpid(), signal.SIGINT)
    signal.signal(signal.SIGINT, before)


def run(jobs, threads=1):
    return run_jobs(jobs, threads=threads, progress=no_progress, what="")


def test_results_keep_the_order_of_the_jobs():
    jobs = [lambda i=i: (time.sleep(0.01 * (5 - i)), i)[1] for i in range(5)]
    assert run(jobs, threads=5) == [0, 1, 2, 3, 4]


def test_a_job_that_raises_ends_the_others_that_have_not_begun():
    begun = []

    def fail():
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        run([fail, *[lambda: (time.sleep(0.05), begun.append(1)) for _ in range(20)]])
    assert len(begun) < 20


@pytest.mark.parametrize("threads", [1, 3])
def test_ctrl_c_ends_the_jobs_that_have_not_begun_and_is_raised(ctrl_c, threads):
    begun = []

    def job():
        begun.append(threading.get_ident())
        ctrl_c()
        time.sleep(0.05)

    with pytest.raises(KeyboardInterrupt):
        run([job, *[lambda: (time.sleep(0.05), begun.append(1)) for _ in range(50)]], threads)
    assert len(begun) < 51
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_ctrl_c_at_any_moment_kills_no_worker(ctrl_c, caplog):
    """Raised inside a lock of the main thread's, it would release it under a worker's hands."""

    def interrupted_after(pause_s):
        def job():
            time.sleep(pause_s)
            ctrl_c()

        return [job, *[lambda: None] * 1_000]

    for pause_us in range(100):
        with pytest.raises(KeyboardInterrupt):
            run(interrupted_after(pause_us * 5e-6), threads=3)
    assert caplog.records == []
