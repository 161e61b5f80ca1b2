"""What every plug-in host keeps: exact audio, exact parameters, faults contained, nothing left."""

import itertools
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts import scan as scan_module
from chainweigh.hosts import worker_process
from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.places import plugin_folders
from chainweigh.hosts.pool import POOL
from chainweigh.hosts.presets import find_preset
from chainweigh.hosts.scan import Scan

RATE_HZ, LATENCY_FRAMES = 48_000, 64
STEADY = {
    "ladspa": "steady.so#steady",
    "clap": "steady.clap#org.example.steady",
    "lv2": "steady.lv2#urn:chainweigh:steady",
    "lv2 by properties": "steady.lv2#urn:chainweigh:steady-properties",
    "vst3": "steady.vst3#636861696E77656967682D7465737400",
    "vst3 in halves": "steady.vst3#636861696E77656967682D7465737401",
}
ROGUE_CLASS = "636861696E77656967682D7465737407"
ROGUE = {
    "ladspa": "rogue.so",
    "clap": "rogue.clap",
    "lv2": "rogue.lv2",
    "vst3": f"steady.vst3#{ROGUE_CLASS}",
}
GAIN, TILT = (dict.fromkeys(STEADY, name) | {"ladspa": f"{name} (dB)"} for name in ("Gain", "Tilt"))
(SEGFAULT, ABORT, EXIT, THROW, SLEEP, SPIN, NOISE, NAN, INF, WRONG_LATENCY, DROP_OUTS, MODE, CHILD,
 LATENCY_CHANGES, SILENT) = range(1, 16)  # fmt: skip


LV2 = "@prefix lv2: <http://lv2plug.in/ns/lv2core#> .\n"
BAD_MANIFESTS = {
    "broken.lv2": "steady is a plug-in",
    "bare.lv2": LV2,
    "foreign.lv2": LV2 + "<urn:x> a lv2:Plugin ; lv2:binary <foreign.so> .",
}


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    return Scan(tmp_path_factory.mktemp("scan"))


@pytest.fixture
def get(plugin_folder, known):
    return lambda written: find_plugin(written, plugin_folder, known)


@pytest.fixture(params=ROGUE)
def rogue(get, request):
    return get(ROGUE[request.param])


@pytest.fixture(scope="module")
def sound(plugin_folder, known):
    """A plug-in without fault, and what it renders."""
    plugin = find_plugin(STEADY["ladspa"], plugin_folder, known)
    return plugin, render(plugin)[0]


def programme(n_channels=2):
    noise = np.random.default_rng(3).standard_normal((n_channels, RATE_HZ + 333))
    return (0.1 * noise).astype(np.float32)


def render(plugin, samples=None, tail_frames=0, rate_hz=RATE_HZ, **params):
    requested = {plugin.parameter(name).id: value for name, value in params.items()}
    samples = programme() if samples is None else samples
    return plugin.render(samples, requested, sample_rate_hz=rate_hz, tail_frames=tail_frames)


def twin(samples, rate_hz, gain_db, tilt_db):
    """The test plug-ins' arithmetic in double precision, without their latency."""
    pole = np.exp(-2 * np.pi * 1000 / rate_hz)
    low = lfilter([1 - pole], [1, -pole], samples.astype(np.float64))
    below, above = 10 ** ((gain_db - tilt_db / 2) / 20), 10 ** ((gain_db + tilt_db / 2) / 20)
    return below * low + above * (samples - low)


def workers(folder):
    """Processes that hold a plug-in of the folder, and their forked children."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            command = entry.read_bytes().decode()
            state = entry.with_name("stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            continue
        if "chainweigh.hosts.worker" in command and str(folder) in command and state != "Z":
            found.append(int(entry.parent.name))
    return found


@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_one_dsp_in_all_formats_is_equal_to_the_bit_and_its_twin_to_single_precision(get, rate_hz):
    outputs = {}
    for name, written in STEADY.items():
        params = {GAIN[name]: -3.3, TILT[name]: "4.5 dB"}
        if name == "lv2 by properties":
            params["Mirrored"] = False
        outputs[name], facts = render(get(written), tail_frames=500, rate_hz=rate_hz, **params)
        assert (facts.latency_frames, facts.alignment.how) == (LATENCY_FRAMES, "agreed")
    assert len({output.tobytes() for output in outputs.values()}) == 1
    expected = twin(np.pad(programme(), ((0, 0), (0, 500))), rate_hz, -3.3, 4.5)
    np.testing.assert_allclose(outputs["clap"], expected, rtol=0, atol=1e-6)


@pytest.mark.parametrize("written", ["framework.so", "framework.clap", "framework.lv2"])
def test_a_plug_in_by_a_framework_of_others_equals_our_own_to_the_bit(
    framework_folder, get, known, written
):
    plugin = find_plugin(written, framework_folder, known)
    output, facts = render(plugin, Gain=-3.3, Tilt=4.5, Mode=1)
    own, _ = render(get(STEADY["clap"]), Gain=-3.3, Tilt=4.5, Mode=1)
    assert output.tobytes() == own.tobytes()
    assert (facts.latency_frames, facts.alignment.how) == (LATENCY_FRAMES, "agreed")


@pytest.mark.parametrize("name", STEADY)
def test_parameters_are_read_back_to_the_plug_ins_own_resolution(get, name):
    _, facts = render(get(STEADY[name]), **{GAIN[name]: -12.3456})
    exact = float(np.float32(-12.3456)) if name.startswith(("ladspa", "lv2")) else -12.3456
    assert facts.values[0].actual == pytest.approx(exact, abs=1e-14)
    assert facts.values[0].requested == -12.3456
    assert facts.values[0].displayed == "-12.3456 dB"


def test_a_parameter_shown_on_another_scale_is_set_by_its_text(get):
    _, facts = render(get(STEADY["clap"]), Trim="-15 dB", Mode="mirrored")
    held = {value.name: value for value in facts.values}
    assert held["Trim"].actual == 0.75
    assert held["Trim"].displayed == "-15.00 dB"
    assert held["Mode"].displayed == "Mirrored"


def test_a_text_the_plug_in_only_claims_to_know_is_refused(get):
    with pytest.raises(PluginError, match=r'does not take "loud".*unit is "dB"'):
        render(get(STEADY["clap"]), Gain="loud")


def test_a_value_the_plug_in_changes_is_an_error_not_clamped(get):
    _, facts = render(get("rogue.clap"), Stubborn=0.25)
    assert facts.values[0].actual == 0.25
    said = r'"Stubborn": 0\.5 was asked for, the plug-in holds 0\.25 \("0\.250"\)'
    with pytest.raises(PluginError, match=said):
        render(get("rogue.clap"), Stubborn=0.5)


def test_of_two_parameters_with_one_name_each_is_set_by_its_number(get):
    for written in (STEADY["clap"], STEADY["vst3"]):
        _, facts = render(get(written), **{"id:40": 0.75, "id:41": 0.25})
        assert [(v.id, v.name, v.actual) for v in facts.values] == [
            (40, "Amount", 0.75), (41, "Amount", 0.25),
        ]  # fmt: skip
    with pytest.raises(PluginError, match='2 parameters are called "Amount"; write "id:40" or'):
        render(get(STEADY["clap"]), Amount=0.5)


@pytest.mark.parametrize("name", ["clap", "lv2", "vst3"])  # each is silent or fails on any sound
def test_side_chain_inputs_are_silent_and_that_is_said(get, name):
    _, facts = render(get(STEADY[name]))
    assert "its other inputs are fed silence" in facts.notes


def rendered_from(get, folder, written, preset, **params):
    plugin = get(written)
    found = find_preset(preset, folder, plugin).source
    requested = {plugin.parameter(name).id: value for name, value in params.items()}
    return plugin.render(
        programme(), requested, sample_rate_hz=RATE_HZ, tail_frames=0, preset=found
    )[0]


def test_a_state_file_sets_what_the_chain_does_not(get, tmp_path):
    plain, _ = render(get(STEADY["clap"]), Gain=-6, Tilt=3)
    (tmp_path / "soft.state").write_bytes(b"steady 1" + struct.pack("6d", -6, 9, 0, 0, 0, 1))
    output = rendered_from(get, tmp_path, STEADY["clap"], "soft.state", Tilt=3)
    assert output.tobytes() == plain.tobytes()


WARM = """@prefix lv2: <http://lv2plug.in/ns/lv2core#> .
@prefix pset: <http://lv2plug.in/ns/ext/presets#> .
@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .
<urn:own:softer> a pset:Preset ; lv2:appliesTo <urn:chainweigh:steady> ; rdfs:label "Softer" ;
    lv2:port [ lv2:symbol "gain" ; pset:value -6.0 ] .
<urn:own:sharper> a pset:Preset ; lv2:appliesTo <urn:chainweigh:steady> ; rdfs:label "Sharper" ;
    lv2:port [ lv2:symbol "tilt" ; pset:value 3.0 ] .
<urn:own:stranger> a pset:Preset ; lv2:appliesTo <urn:other> ; rdfs:label "Stranger" .
"""


def test_an_lv2_preset_is_found_in_a_file_by_name_or_uri_and_by_uri_alone(get, tmp_path):
    steady = STEADY["lv2"]
    (tmp_path / "own.ttl").write_text(WARM)
    softer, _ = render(get(steady), Gain=-6)
    for written in ("own.ttl#Softer", "own.ttl#urn:own:softer"):
        assert rendered_from(get, tmp_path, steady, written).tobytes() == softer.tobytes()
    warm, _ = render(get(steady), Gain=-1.5, Tilt=-4)
    by_uri = rendered_from(get, tmp_path, steady, "urn:chainweigh:warm")
    assert by_uri.tobytes() == warm.tobytes()


@pytest.mark.parametrize(
    ("name", "preset", "said"),
    [
        ("ladspa", "own.ttl", "LADSPA plug-ins load no presets"),
        ("clap", "own.ttl", r"own\.ttl: .* does not take it; it may be a state of another plug-in"),
        ("clap", "absent.state", r'preset "absent\.state": no such file'),
        ("lv2", "own.ttl", r"holds 2 presets; write own\.ttl#NAME of Sharper, Softer"),
        ("lv2", "own.ttl#Stranger", r'"Stranger" is for urn:other, not for urn:chainweigh:steady'),
        ("lv2", "own.ttl#Warmer", r'holds no preset "Warmer"; it holds Sharper, Softer, Stranger'),
        ("lv2", "junk.ttl", r"junk\.ttl: is no Turtle"),
        ("lv2", "empty.ttl", r"holds no LV2 preset"),
        ("lv2", "urn:own:nobody", "neither a file nor the URI of an LV2 preset"),
    ],
)
def test_a_preset_that_does_not_fit_is_refused(get, tmp_path, name, preset, said):
    (tmp_path / "own.ttl").write_text(WARM)
    (tmp_path / "junk.ttl").write_text("{")
    (tmp_path / "empty.ttl").write_text("")
    with pytest.raises(PluginError, match=said):
        rendered_from(get, tmp_path, STEADY[name], preset)


def test_a_mono_plug_in_runs_once_a_side_and_says_so(get):
    params = {"Gain (dB)": 2.5, "Tilt (dB)": -3.0}
    mono, facts = render(get("steady.so#steady_mono"), **params)
    stereo, _ = render(get("steady.so#steady"), **params)
    assert mono.tobytes() == stereo.tobytes()
    assert "one instance a side, unlinked" in facts.notes


def test_one_channel_through_a_stereo_plug_in_comes_back_as_one(get):
    one, _ = render(get("steady.so#steady"), programme(1), **{"Tilt (dB)": 3.0})
    both, _ = render(get("steady.so#steady"), programme(1).repeat(2, axis=0), **{"Tilt (dB)": 3.0})
    assert one.tobytes() == both[:1].tobytes()


def test_a_warm_worker_renders_a_new_instance_to_the_same_bytes(get, plugin_folder):
    plugin = get(STEADY["clap"])
    POOL.close()
    first, _ = render(plugin, Tilt=6)
    before = workers(plugin_folder)
    second, _ = render(plugin, Tilt=6)
    assert first.tobytes() == second.tobytes()
    assert workers(plugin_folder) == before
    assert len(before) == 1


def held_by_this_process(temporary):
    """Its open descriptors, every named shared memory, every temporary file."""
    folders = (Path("/proc/self/fd"), Path("/dev/shm"), temporary)
    return [{entry.name for entry in folder.iterdir()} for folder in folders]


@pytest.fixture
def nothing_left(plugin_folder, tmp_path, monkeypatch):
    """Afterwards there is no process, descriptor, shared memory or temporary file more."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    monkeypatch.setenv("TMPDIR", str(temporary))
    POOL.close()
    before = held_by_this_process(temporary)

    def is_as_before():
        pairs = zip(held_by_this_process(temporary), before, strict=True)
        return not workers(plugin_folder) and all(now <= then for now, then in pairs)

    yield
    POOL.close()
    assert waited_for(is_as_before), (workers(plugin_folder), held_by_this_process(temporary))


FAULTS = {
    SEGFAULT: r"crashed while .*segmentation fault",
    ABORT: r"crashed while .*aborted",
    EXIT: r"crashed while .*exit code 0",
    THROW: r"crashed while .*aborted.*terminate called",
    NAN: r"NaN \(first at frame \d+ of channel 0\)",
    INF: r"Inf \(first at frame \d+ of channel 0\)",
    DROP_OUTS: r"drops out .* \(first at 0\.41 s\)",
    SILENT: "silent where the input is not",
}


def test_every_fault_is_told_leaves_nothing_and_other_renders_as_they_are(
    sound, rogue, nothing_left
):
    plugin, before = sound
    for fault, said in FAULTS.items():
        with pytest.raises(PluginFaultError, match=said):
            render(rogue, Fault=fault)
        after, _ = render(plugin)
        assert after.tobytes() == before.tobytes(), fault


def test_faults_beside_a_sound_plug_in_leave_its_renders_as_they_are(get):
    sound, rogues = get(STEADY["lv2"]), itertools.cycle(map(get, ROGUE.values()))
    before, _ = render(sound)

    def faulty(rogue, fault):
        with suppress(PluginFaultError):
            render(rogue, Fault=fault)

    with ThreadPoolExecutor(2) as threads:
        each_fault = zip(rogues, (SEGFAULT, MODE, NOISE, EXIT, CHILD, NAN), strict=False)
        faults = [threads.submit(faulty, *rogue_and_fault) for rogue_and_fault in each_fault]
        beside = [threads.submit(render, sound) for _ in faults]
        assert {each.result()[0].tobytes() for each in beside} == {before.tobytes()}


@pytest.mark.parametrize("fault", [SLEEP, SPIN])
def test_a_hang_is_ended_after_the_time_without_progress(rogue, nothing_left, monkeypatch, fault):
    render(rogue, Fault=0)
    monkeypatch.setattr(worker_process, "STALL_S", 1.0)
    with pytest.raises(PluginFaultError, match=r"hung while .*no progress for 1 s"):
        render(rogue, Fault=fault)


def test_what_harms_nobody_is_noted_and_the_audio_is_right(rogue, nothing_left):
    for fault in (NOISE, CHILD, MODE):
        output, facts = render(rogue, Fault=fault)
        assert output.tobytes() == programme().tobytes(), fault
        assert "its output equals its input" in facts.notes
        noted = any("floating-point mode" in note for note in facts.notes)
        assert noted == (fault == MODE)


def test_a_wrong_latency_is_corrected_and_one_that_changes_is_noted(rogue):
    output, facts = render(rogue, Fault=WRONG_LATENCY)
    alignment = facts.alignment
    assert (facts.latency_frames, alignment.shift_frames, alignment.how) == (100, 300, "corrected")
    assert output.tobytes() == programme().tobytes()
    _, facts = render(rogue, Fault=LATENCY_CHANGES)
    assert "its latency went from 100 to 300 frames" in facts.notes


def at_load(name, ending):
    """A rogue whose file is called after what it does when it is loaded."""
    return f"load_{name}.vst3#{ROGUE_CLASS}" if ending == "vst3" else f"load_{name}.{ending}"


ENDINGS = ("vst3", "so", "clap", "lv2")
AT_LOAD = {
    "sleep": "hung while STAGE: no progress for 4 s",  # these first: they wait side by side
    "spin": "hung while STAGE: no progress for 4 s",
    "segfault": "crashed while STAGE .*segmentation fault",
    "abort": "crashed while STAGE .*aborted.*out of ideas",
    "exit": "crashed while STAGE .*exit code 0",
    "throw": "crashed while STAGE .*aborted.*terminate called",
}


def test_every_fault_at_load_is_told_in_every_format_and_leaves_nothing(
    plugin_folder, nothing_left, monkeypatch, tmp_path
):
    def told(name, ending):
        scan = Scan(tmp_path / f"{name}-{ending}")
        with pytest.raises(PluginFaultError) as caught:
            render(find_plugin(at_load(name, ending), plugin_folder, scan))
        return str(caught.value)

    monkeypatch.setattr(worker_process, "STALL_S", 4.0)
    each = list(itertools.product(AT_LOAD, ENDINGS))
    with ThreadPoolExecutor(6) as threads:
        reasons = list(threads.map(told, *zip(*each, strict=True)))
    for (name, ending), reason in zip(each, reasons, strict=True):
        stage = "being created" if ending == "lv2" else "loading"  # a scan runs none of its code
        assert re.search(AT_LOAD[name].replace("STAGE", stage), reason), (name, ending, reason)


def test_a_fault_at_load_is_kept_for_the_render_and_not_tried_again(get, monkeypatch):
    first = get("load_segfault.so")
    monkeypatch.setattr(scan_module, "WorkerProcess", None)  # would fail if it were loaded
    again = get("load_segfault.so")
    assert again.fault == first.fault
    with pytest.raises(PluginFaultError, match="segmentation fault"):
        render(again)


def test_what_harms_nobody_at_load_changes_nothing(get, nothing_left):
    for name, ending in zip(("noise", "child", "mode"), ENDINGS, strict=False):
        output, _ = render(get(at_load(name, ending)))
        assert output.tobytes() == programme().tobytes(), (name, ending)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("nothing.so", "symbol ladspa_descriptor is missing"),
        ("nothing.clap", "symbol clap_entry is missing"),
        ("needs_more.so", "symbol_nobody_has"),
        ("absent.so", "no such file"),
        ("text.so", "not a shared library"),
        ("foreign.so", "built for aarch64; this machine is"),
        ("notes.txt", r"known endings: \.so \(LADSPA\), \.clap \(CLAP\)"),
        ("whole.clap/inside.so", r"inside the bundle whole\.clap"),
        ("steady.so#source", "no audio input: an instrument or generator"),
        ("steady.so#wide", "4 inputs and 4 outputs"),
        ("steady.clap#org.example.synth", "an instrument, not an effect"),
        (
            "steady.so",
            r"holds 4 plug-ins; write steady\.so#ID with one of steady \(Steady steady\)",
        ),
        ("steady.so#stedy", "did you mean steady"),
        ("abc:steady", "unknown format"),
        ("steady.lv2", "holds 5 plug-ins"),
        ("steady.lv2#urn:chainweigh:steadi", "did you mean urn:chainweigh:steady"),
        ("steady.lv2#urn:chainweigh:synth", "an instrument, not an effect"),
        ("steady.lv2#urn:chainweigh:demanding", "requires the host feature urn:chainweigh:unheard"),
        ("steady.lv2/steady.so", r"inside the bundle steady\.lv2"),
        ("text.lv2", r"holds no manifest\.ttl"),
        ("broken.lv2", r"manifest\.ttl: is no Turtle: at line 1: Bad syntax \(.*\)$"),
        ("bare.lv2", r"bare\.lv2: holds no plug-in$"),
        ("foreign.lv2", r"foreign\.so: built for aarch64"),
    ],
)
def test_what_is_no_usable_plug_in_is_refused_in_its_own_words(
    plugin_folder, tmp_path, known, written, said
):
    folder = tmp_path
    for file in plugin_folder.iterdir():
        (folder / file.name).symlink_to(file)
    (folder / "text.so").write_text("hello")
    head = bytearray((plugin_folder / "steady.so").read_bytes())
    head[18:20] = (183).to_bytes(2, sys.byteorder)
    (folder / "foreign.so").write_bytes(head)
    (folder / "text.lv2").write_text("hello")
    for name, manifest in BAD_MANIFESTS.items():
        (folder / name).mkdir()
        (folder / name / "manifest.ttl").write_text(manifest)
    (folder / "foreign.lv2" / "foreign.so").write_bytes(head)
    (folder / "whole.clap").mkdir()
    (folder / "whole.clap" / "inside.so").touch()
    with pytest.raises(PluginError, match=said):
        find_plugin(written, folder, known)


def test_a_symbol_an_lv2_bundle_lacks_is_named_when_it_is_used(plugin_folder, tmp_path, known):
    bundle = tmp_path / "hollow.lv2"
    shutil.copytree(plugin_folder / "steady.lv2", bundle)
    shutil.copy(plugin_folder / "nothing.so", bundle / "steady.so")
    plugin = find_plugin("hollow.lv2#urn:chainweigh:steady", tmp_path, known)
    with pytest.raises(PluginError, match=r"symbol lv2_descriptor is missing"):
        render(plugin)


def test_a_scan_is_kept_until_a_file_changes(plugin_folder, tmp_path, monkeypatch):
    file = tmp_path / "copy.so"
    file.write_bytes((plugin_folder / "steady.so").read_bytes())
    first = Scan(tmp_path / "kept").describe_all([("ladspa", file)])
    monkeypatch.setattr(scan_module, "WorkerProcess", None)
    assert Scan(tmp_path / "kept").describe_all([("ladspa", file)]) == first
    os.utime(file, (1, 1))
    with pytest.raises(TypeError):
        Scan(tmp_path / "kept").describe_all([("ladspa", file)])


def test_a_plug_in_is_found_by_its_identifier_on_the_search_path(
    plugin_folder, monkeypatch, tmp_path
):
    scan = Scan(tmp_path / "kept")
    (tmp_path / "one").mkdir()
    for name in ("steady.so", "nothing.so"):
        (tmp_path / "one" / name).symlink_to(plugin_folder / name)
    monkeypatch.setenv("LADSPA_PATH", str(tmp_path / "one"))
    assert find_plugin("ladspa:steady", Path("/"), scan).record.name == "Steady steady"
    said = (
        r'no LADSPA plug-in "steadi"; .*nothing\.so.* could not be loaded .*; did you mean steady'
    )
    with pytest.raises(PluginError, match=said):
        find_plugin("ladspa:steadi", Path("/"), scan)


HANGING = """
import sys
from pathlib import Path
import numpy as np
from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.scan import Scan
plugin = find_plugin("rogue.so", Path(sys.argv[1]), Scan(Path(sys.argv[2])))
samples = np.zeros((2, 48_000), np.float32)
print("ready", flush=True)
plugin.render(samples, {0: 6}, sample_rate_hz=48_000, tail_frames=0)
"""


def test_a_worker_ends_with_its_parent_even_when_the_plug_in_hangs(plugin_folder, tmp_path):
    copied = tmp_path / "copied"
    copied.mkdir()
    (copied / "rogue.so").write_bytes((plugin_folder / "rogue.so").read_bytes())
    command = [sys.executable, "-c", HANGING, str(copied), str(tmp_path / "scan")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout.readline() == "ready\n"
        assert waited_for(lambda: workers(copied))
        parent.send_signal(signal.SIGKILL)
    assert waited_for(lambda: not workers(copied))


LOCKED = """
import ctypes, os, threading, time
from chainweigh.hosts import worker
worker.LOCKED_S = 1.0
threading.Thread(target=worker.end_with_parent, args=(os.getppid(),), daemon=True).start()
time.sleep(0.3)
ctypes.PyDLL(None).sleep(600)
"""


def test_a_worker_whose_plug_in_hangs_with_the_interpreter_s_lock_ends_by_itself():
    ended = subprocess.run([sys.executable, "-c", LOCKED], capture_output=True, timeout=60)
    assert ended.returncode == 1
    assert b"Timeout" in ended.stderr


def waited_for(condition, deadline_s=20.0):
    until_s = time.monotonic() + deadline_s
    while not condition() and time.monotonic() < until_s:
        time.sleep(0.05)
    return condition()


def test_an_amplifier_of_the_ladspa_sdk_amplifies(known, missing):
    file = next((f / "amp.so" for f in plugin_folders("ladspa") if (f / "amp.so").exists()), None)
    if file is None:
        missing("no ladspa-sdk (Debian package) as a neutral subject")
    output, _ = render(find_plugin(f"{file}#amp_stereo", Path("/"), known), Gain=2)
    assert output.tobytes() == (2 * programme()).tobytes()
