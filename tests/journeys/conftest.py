"""The installed command, run as a user runs it, with a cache of its own."""

import importlib.util
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parents[1]
COMMAND = Path(sys.executable).with_name("chainweigh")

SHAVE = """
name = "{name}"
scope = "{scope}"
about = "takes {depth} dB off the peaks"
[[stage]]
effect = "clip"
ceiling = "peak - {depth} dB"
oversample = 8
"""


class Workplace:
    """A folder to work in, with a command and a cache of its own."""

    def __init__(self, folder: Path, cache: Path) -> None:
        self.folder, self.cache = folder, cache
        self._environment = {**os.environ, "XDG_CACHE_HOME": str(cache)}

    def cache_apart(self, name):
        """The same folder with another, empty cache."""
        return Workplace(self.folder, self.cache.with_name(name))

    def run(self, *arguments, code=0):
        """Run chainweigh with arguments; the exit code must be as said."""
        done = subprocess.run(
            [COMMAND, *map(str, arguments)],
            cwd=self.folder,
            env=self._environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == code, done.stderr + done.stdout
        return done

    def start(self, *arguments):
        """Start chainweigh in the foreground's manner and return its process.

        A shell has what it puts in the background ignore Ctrl-C, tests included: not this process.
        """
        return subprocess.Popen(
            [COMMAND, *map(str, arguments)],
            cwd=self.folder,
            env=self._environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )


def tiny_song_module():
    spec = importlib.util.spec_from_file_location("tiny_song", TESTS / "data" / "tiny_song.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def write_chain(folder, file, name, scope, depth):
    folder.mkdir(exist_ok=True)
    text = SHAVE.format(name=name, scope=scope, depth=depth)
    (folder / f"{file}.toml").write_text(text, encoding="utf-8")


@pytest.fixture
def place(tmp_path):
    """An empty folder to work in."""
    work = tmp_path / "work"
    work.mkdir()
    return Workplace(work, tmp_path / "cache")


@pytest.fixture
def tiny(place):
    """A workplace with a 6 s song of two groups and three chains."""
    tiny_song_module().write(place.folder / "tiny")
    write_chain(place.folder / "chains", "a", "Light", "bus", 1)
    write_chain(place.folder / "chains", "b", "Deep", "bus", 6)
    write_chain(place.folder / "chains", "m", "Final", "master", 2)
    return place


@pytest.fixture(scope="session")
def make_workplace(tmp_path_factory):
    """Makes a workplace with the tiny song in it, for tests of one file to share."""

    def make():
        root = tmp_path_factory.mktemp("shared")
        (root / "work").mkdir()
        work = Workplace(root / "work", root / "cache")
        tiny_song_module().write(work.folder / "tiny")
        return work

    return make


@pytest.fixture(scope="session")
def ranked(make_workplace):
    """One finished run of the tiny song, shared by tests that only read it."""
    work = make_workplace()
    write_chain(work.folder / "chains", "a", "Light", "bus", 1)
    write_chain(work.folder / "chains", "b", "Deep", "bus", 6)
    write_chain(work.folder / "chains", "m", "Final", "master", 2)
    work.run("rank", "tiny", "--chains", "chains", "--out", "run", "--threads", 2)
    return work
