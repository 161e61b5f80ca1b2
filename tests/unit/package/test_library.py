"""The library's own names: all there, and nothing heavy until one is used."""

import subprocess
import sys

import chainweigh


def test_every_name_of_the_library_can_be_had_and_has_a_docstring():
    for name in chainweigh.__all__:
        assert getattr(chainweigh, name).__doc__, name


def test_the_library_holds_what_measure_and_bench_call():
    names = {"measure_file", "measure_against", "measure_series"}
    assert names | {"bench_on_programme", "bench_at_level", "bypass"} <= set(chainweigh.__all__)


def test_importing_the_library_loads_nothing_heavy():
    code = "import sys, chainweigh; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"numpy", "scipy", "soundfile", "click"} & set(done.stdout.split())
