"""The test plug-ins, built once a run from the C sources in tests/plugins."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

SOURCES = Path(__file__).parent / "plugins"
C_FLAGS = ("-std=c99", "-D_GNU_SOURCE", "-O1", "-ffp-contract=off", "-fPIC", "-fvisibility=hidden")
LOAD_FAULTS = {"segfault": 1, "abort": 2, "exit": 3, "throw": 4, "spin": 6}


def _missing(what):
    if os.environ.get("CHAINWEIGH_ALL_TESTS"):
        pytest.fail(f"{what}, and CHAINWEIGH_ALL_TESTS is set")
    pytest.skip(what)


def _build(folder, name, *arguments):
    subprocess.run(["cc", *C_FLAGS, *arguments, "-o", folder / name, "-lm"], check=True)


@pytest.fixture(scope="session")
def missing():
    """Skip on a user's machine; fail where CHAINWEIGH_ALL_TESTS is set, as in CI."""
    return _missing


@pytest.fixture(scope="session")
def plugin_folder(tmp_path_factory):
    """Folder with the steady and rogue plug-ins and broken ones; skips without compilers."""
    if not (shutil.which("cc") and shutil.which("c++")):
        _missing("no C and C++ compiler (cc, c++) to build the test plug-ins with")
    folder = tmp_path_factory.mktemp("plugins")
    _build(folder, "steady.so", "-shared", SOURCES / "steady_ladspa.c")
    _build(folder, "steady.clap", "-shared", SOURCES / "steady_clap.c")
    _build(folder, "nothing.so", "-shared", SOURCES / "nothing.c")
    _build(folder, "nothing.clap", "-shared", SOURCES / "nothing.c")
    _build(folder, "needs_more.so", "-shared", SOURCES / "needs_more.c")
    shutil.copytree(SOURCES / "steady_lv2", folder / "steady.lv2")
    _build(folder, "steady.lv2/steady.so", "-shared", SOURCES / "steady_lv2.c")
    throw = folder / "throw.o"
    subprocess.run(["c++", "-fPIC", "-c", SOURCES / "throw_something.cpp", "-o", throw], check=True)
    rogue = (SOURCES / "rogue_ladspa.c", throw, "-shared", "-lstdc++")
    _build(folder, "rogue.so", *rogue)
    for name, number in LOAD_FAULTS.items():
        _build(folder, f"load_{name}.so", f"-DAT_LOAD={number}", *rogue)
    throw.unlink()
    return folder
