"""The test plug-ins, built once a run from the C sources in tests/plugins."""

import os
import platform
import shutil
import subprocess
import sys
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
    """Folder with the steady plug-in by a framework of others: in each format, VST3 in two ways."""
    if not FRAMEWORK.is_dir():
        _missing("no dpf-source (Debian package) to build plug-ins with")
    folder = tmp_path_factory.mktemp("framework")
    bundle = folder / "framework.lv2"
    bundle.mkdir()
    split = "-DDPF_VST3_USES_SEPARATE_CONTROLLER="
    builds = (
        _framework_build("LADSPA", folder / "framework.so"),
        _framework_build("CLAP", folder / "framework.clap"),
        _framework_build("LV2", bundle / "framework.so"),
        _framework_build("VST3", _vst3(folder, "whole"), f"{split}0"),
        _framework_build("VST3", _vst3(folder, "halves"), f"{split}1"),
    )
    assert [build.wait() for build in builds] == [0] * len(builds)
    describe = "import ctypes; ctypes.CDLL('./framework.so').lv2_generate_ttl(b'framework')"
    subprocess.run([sys.executable, "-c", describe], cwd=bundle, check=True, capture_output=True)
    return folder


def _framework_build(format_name, binary, *flags):
    own = SOURCES / "steady_framework"
    sources = (own / "steady.cpp", FRAMEWORK / "DistrhoPluginMain.cpp")
    always = ("-std=c++11", "-ffp-contract=off", "-fPIC", "-fvisibility=hidden", "-w", "-shared")
    target = f"-DDISTRHO_PLUGIN_TARGET_{format_name}"
    places = (f"-I{own}", f"-I{FRAMEWORK}")
    return subprocess.Popen(["c++", *always, target, *flags, *places, *sources, "-o", binary])
