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
LOAD_FAULTS = ("segfault", "abort", "exit", "throw", "sleep", "spin", "noise", "mode", "child")


def _missing(what):
    if os.environ.get("CHAINWEIGH_ALL_TESTS"):
        pytest.fail(f"{what}, and CHAINWEIGH_ALL_TESTS is set")
    pytest.skip(what)


def _build(folder, name, *arguments):
    subprocess.run(["cc", *C_FLAGS, *arguments, "-o", folder / name, "-lm", "-ldl"], check=True)


def _lv2(folder, source, name):
    """Where a bundle's binary lies; the bundle is made."""
    shutil.copytree(SOURCES / source, folder / f"{name}.lv2")
    return folder / f"{name}.lv2" / f"{source.removesuffix('_lv2')}.so"


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
    _build(folder, _lv2(folder, "steady_lv2", "steady"), "-shared", SOURCES / "steady_lv2.c")
    _build(folder, _vst3(folder, "nothing"), "-shared", SOURCES / "nothing.c")
    _build_rogues(folder)
    return folder


def _build_rogues(folder):
    """The steady VST3 plug-in too: one of its classes is the rogue."""
    throw = folder / "throw.o"
    subprocess.run(["c++", "-fPIC", "-c", SOURCES / "throw_something.cpp", "-o", throw], check=True)
    shared = (throw, "-shared", "-lstdc++")
    ladspa, lv2, clap = ((SOURCES / f"rogue_{n}.c", *shared) for n in ("ladspa", "lv2", "clap"))
    vst3 = (SOURCES / "steady_vst3.c", SOURCES / "steady_vst3_controller.c", *shared)
    _build(folder, "rogue.so", *ladspa)
    _build(folder, "rogue.clap", *clap)
    _build(folder, _lv2(folder, "rogue_lv2", "rogue"), *lv2)
    steady_vst3 = _vst3(folder, "steady")
    _build(folder, steady_vst3, *vst3)
    _build(folder, _vst3(folder, "demanding"), "-DDEMANDING", *vst3)
    for name in LOAD_FAULTS:  # read by the rogue itself
        for suffix in (".so", ".clap"):
            os.link(folder / f"rogue{suffix}", folder / f"load_{name}{suffix}")
        os.link(folder / "rogue.lv2" / "rogue.so", _lv2(folder, "rogue_lv2", f"load_{name}"))
        os.link(steady_vst3, _vst3(folder, f"load_{name}"))
    throw.unlink()


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
