"""Start of the command and the library, against `python -c "import numpy"`.

Goal: `chainweigh --help` takes at most twice as long. Processor time of a process of its own, the
least of several in turn. Linux and macOS. Run: python tests/benchmarks/bench_start.py
"""

import os
import subprocess
import sys

N_RUNS, GOAL = 9, 2.0
JOBS = {
    'python -c "import numpy"': ["import numpy"],
    'python -c "import chainweigh"': ["import chainweigh"],
    "chainweigh --help": ["from chainweigh.cli import main; main()", "--help"],
    "chainweigh measure --help": ["from chainweigh.cli import main; main()", "measure", "--help"],
}


def processor_s(arguments):
    """Processor time of one Python process."""
    child = subprocess.Popen([sys.executable, "-c", *arguments], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{arguments} failed")
    return usage.ru_utime + usage.ru_stime


def main():
    """Print the times and the ratios."""
    times = {name: [] for name in JOBS}
    for _ in range(N_RUNS):
        for name, arguments in JOBS.items():
            times[name].append(processor_s(arguments))
    numpy_s, *_ = map(min, times.values())
    for name, taken in times.items():
        print(f"{name:32} {1e3 * min(taken):5.0f} ms  {min(taken) / numpy_s:.2f}x numpy")
    print(f"goal: chainweigh --help at most {GOAL:g}x")


if __name__ == "__main__":
    main()
