"""The test plug-ins, built once a run from the C sources in tests/plugins."""

import os
import platform
import shutil
import subprocess
from pathlib import Path

import pytest

SOURCES = Path(__file__).parent / "plugins"
C_FLAGS = ("-std=c99", "-D_GNU_SOURCE", "-O1", "-ffp-contract=off", "-fPIC", "-fvisibility=hidden")
FRAMEWORK = Path("/usr/share/dpf/distrho")  # Debian package dpf-source
LOAD_FAULTS = {"segfault": 1, "abort": 2, "exit": 3, "throw": 4, "spin": 6}


def _missing(what):
    if os.environ.get("CHAINWEIGH_ALL_TESTS"):
        pytest.fail(f"{what}, and CHAINWEIGH_ALL_TESTS is set")
    pytest.skip(what)


def _build(folder, name, *arguments):
    subprocess.run(["cc", *C_FLAGS, *arguments, "-o", folder / name, "-lm"], check=True)


def _vst3(folder, name):
    """Where a bundle's binary lies; the bundle is made."""
    binary = folder / f"{name}.vst3" / "Contents" / f"{platform.machine()}-linux" / f"{name}.so"
    binary.parent.mkdir(parents=True)
    return binary


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
    vst3 = ("-shared", SOURCES / "steady_vst3.c", SOURCES / "steady_vst3_controller.c")
    _build(folder, _vst3(folder, "steady"), *vst3)
    _build(folder, _vst3(folder, "nothing"), "-shared", SOURCES / "nothing.c")
    for name, macro in (("load_segfault", "-DAT_LOAD=1"), ("demanding", "-DDEMANDING")):
        _build(folder, _vst3(folder, name), macro, *vst3)
    throw = folder / "throw.o"
    subprocess.run(["c++", "-fPIC", "-c", SOURCES / "throw_something.cpp", "-o", throw], check=True)
    rogue = (SOURCES / "rogue_ladspa.c", throw, "-shared", "-lstdc++")
    _build(folder, "rogue.so", *rogue)
    for name, number in LOAD_FAULTS.items():
        _build(folder, f"load_{name}.so", f"-DAT_LOAD={number}", *rogue)
    throw.unlink()
    return folder


@pytest.fixture(scope="session")
def framework_folder(plugin_folder, tmp_path_factory):
    """Folder with the steady plug-in as VST3 by a framework, whole.vst3 and halves.vst3."""
    if not FRAMEWORK.is_dir():
        _missing("no dpf-source (Debian package) to build a VST3 plug-in with")
    folder = tmp_path_factory.mktemp("framework")
    own = SOURCES / "steady_framework"
    for name, is_split in (("whole", 0), ("halves", 1)):
        flags = ["-std=c++11", "-ffp-contract=off", "-fPIC", "-fvisibility=hidden", "-w"]
        flags += ["-DDISTRHO_PLUGIN_TARGET_VST3", f"-DDPF_VST3_USES_SEPARATE_CONTROLLER={is_split}"]
        sources = [own / "steady.cpp", FRAMEWORK / "DistrhoPluginMain.cpp"]
        command = ["c++", *flags, f"-I{own}", f"-I{FRAMEWORK}", *sources, "-shared"]
        subprocess.run([*command, "-o", _vst3(folder, name)], check=True)
    return folder
