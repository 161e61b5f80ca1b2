"""What VST3 has and the other formats have not; facts from the VST 3.7 API and documentation."""

import platform
import shutil
from pathlib import Path

import numpy as np
import pytest

from chainweigh.errors import PluginError, PluginFaultError
from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.places import plugin_files, plugin_folders
from chainweigh.hosts.scan import Scan
from chainweigh.hosts.values import set_and_read_back
from chainweigh.hosts.vst3 import Vst3Library
from chainweigh.hosts.vst3_preset import Preset, preset_bytes, read_preset

RATE_HZ = 48_000
START = b"chainweigh-test".hex().upper()
STEADY, HALVES, MONO, WIDE, SYNTH, MUTE, REFUSING, ROGUE = (f"{START}0{n}" for n in range(8))
MACHINE = f"{platform.machine()}-linux"


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    return Scan(tmp_path_factory.mktemp("scan"))


@pytest.fixture
def get(plugin_folder, known):
    return lambda class_id: find_plugin(f"steady.vst3#{class_id}", plugin_folder, known)


def programme():
    noise = np.random.default_rng(7).standard_normal((2, RATE_HZ // 2))
    return (0.1 * noise).astype(np.float32)


def asked(plugin, params):
    return {plugin.parameter(name).id: value for name, value in params.items()}


def render(plugin, **params):
    return plugin.render(programme(), asked(plugin, params), sample_rate_hz=RATE_HZ, tail_frames=0)


def held(plugin, **params):
    return {v.name: v for v in plugin.settle(asked(plugin, params), RATE_HZ).values}


@pytest.mark.parametrize("class_id", [STEADY, HALVES])
def test_a_class_says_name_maker_version_and_what_every_parameter_takes(get, class_id):
    record = get(class_id).record
    assert record.name.startswith("Steady")
    said = (record.vendor, record.version, record.n_inputs, record.n_outputs)
    assert said == ("chainweigh tests", "2.1", 2, 2)
    assert record.notes == ("its other inputs are fed silence",)
    known = {p.name: p for p in record.parameters}
    names = ["Program", "Gain", "Tilt", "Mode", "Amount", "Trim", "Taps", "Ducked", "Level"]
    assert list(known) == names  # the hidden one is left out
    gain = known["Gain"]
    assert (gain.minimum, gain.maximum, gain.default, gain.unit) == (-24, 24, 0, "dB")
    assert known["Mode"].choices == ("Upright", "Mirrored")
    assert known["Taps"].choices == ("1x", "2x", "4x", "8x")
    assert (known["Ducked"].choices, known["Ducked"].flags) == (("off", "on"), ("switch",))
    assert (known["Level"].flags, known["Program"].flags) == (("read-only",), ("preset",))
    assert (known["Trim"].unit, known["Trim"].maximum, known["Trim"].flags) == (
        "dB",
        1,
        ("scaled",),
    )


@pytest.mark.parametrize("class_id", [STEADY, HALVES])
def test_values_are_set_by_choice_text_and_switch_and_read_back_from_the_half_that_processes(
    get, class_id
):
    values = held(
        get(class_id), Mode="mirrored", Taps="4X", Trim="-15 dB", Ducked=True, Gain="-1.5 dB"
    )
    assert {name: v.actual for name, v in values.items()} == {
        "Mode": 1, "Taps": 2, "Trim": 0.75, "Ducked": 1, "Gain": -1.5,
    }  # fmt: skip
    shown = {name: v.displayed for name, v in values.items()}
    assert (shown["Taps"], shown["Trim"], shown["Ducked"]) == ("4x", "-15.00 dB", "on")


@pytest.mark.parametrize(
    ("params", "said"),
    [
        ({"Mode": 2}, 'out of range; allowed: "Upright", "Mirrored"'),
        ({"Taps": 1.5}, "between two steps"),
        ({"Gain": "24.1 dB"}, "out of range; allowed: -24 to 24 dB"),
        ({"Gain": "loud"}, 'does not take "loud"'),
        ({"Trim": "3 Hz"}, 'does not take "3 Hz"'),
        ({"Amount": 1}, '2 parameters are called "Amount"; write "id:40" or "id:41"'),
        ({"Level": 1}, r"cannot be set \(read-only\)"),
        ({"Wheel": 1}, 'unknown parameter "Wheel"'),
    ],
)
def test_a_value_no_parameter_takes_is_refused(get, params, said):
    with pytest.raises(PluginError, match=said):
        held(get(STEADY), **params)


@pytest.mark.parametrize("class_id", [STEADY, HALVES])  # by its component, by its controller
def test_the_other_parameters_change_what_a_program_loads(get, class_id):
    plugin = get(class_id)
    output, _ = render(plugin, Program="warm", Gain=3)
    expected, facts = render(plugin, Gain=3, Tilt=-4)
    assert output.tobytes() == expected.tobytes()
    assert ("asked to be restarted once" in facts.notes) == (class_id == STEADY)


def test_a_mono_class_runs_once_a_side(get):
    mono, facts = render(get(MONO), Gain=2.5, Tilt=-3)
    stereo, _ = render(get(STEADY), Gain=2.5, Tilt=-3)
    assert mono.tobytes() == stereo.tobytes()
    assert "one instance a side, unlinked" in facts.notes


def test_the_tail_is_told_and_a_rate_refused(get):
    assert get(STEADY).settle({}, RATE_HZ).tail_frames == 4800
    with pytest.raises(PluginError, match="refuses 384000 Hz"):
        get(STEADY).settle({}, 384_000)


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (32, "reported an error while processing"),
        (33, "changed its channels while it was active"),
    ],
)
def test_a_fault_only_vst3_knows_is_told(get, fault, said):
    with pytest.raises(PluginFaultError, match=said):
        render(get(ROGUE), Fault=fault)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("steady.vst3", "holds 8 plug-ins"),
        (f"steady.vst3#{START}0F", f"did you mean {START}0"),
        (f"steady.vst3#{SYNTH}", "an instrument, not an effect"),
        (f"steady.vst3#{WIDE}", "4 inputs and 4 outputs"),
        (f"steady.vst3#{MUTE}", "no audio output"),
        (f"steady.vst3#{REFUSING}", "refused to start"),
        (f"steady.vst3/Contents/{MACHINE}/steady.so", r"inside the bundle steady\.vst3"),
        ("nothing.vst3", r"nothing\.so: symbol ModuleEntry is missing"),
        ("absent.vst3", "no such file"),
        ("text.vst3", "not a bundle: a VST3 plug-in is a folder"),
        ("hollow.vst3", "holds no Contents folder"),
        ("bare.vst3", f"holds no binary; this machine needs {MACHINE}"),
        ("foreign.vst3", f"built for m68k-linux; this machine needs {MACHINE}"),
        ("renamed.vst3", r"holds steady\.so where renamed\.so must be; was the bundle renamed"),
    ],
)
def test_what_is_no_usable_plug_in_is_refused_in_its_own_words(
    plugin_folder, tmp_path, known, written, said
):
    for name in ("steady", "nothing"):
        (tmp_path / f"{name}.vst3").symlink_to(plugin_folder / f"{name}.vst3")
    (tmp_path / "text.vst3").write_text("hello")
    (tmp_path / "hollow.vst3").mkdir()
    (tmp_path / "bare.vst3" / "Contents" / "Resources").mkdir(parents=True)
    (tmp_path / "foreign.vst3" / "Contents" / "m68k-linux").mkdir(parents=True)
    shutil.copytree(plugin_folder / "steady.vst3", tmp_path / "renamed.vst3")
    with pytest.raises(PluginError, match=said):
        find_plugin(written, tmp_path, known)


def test_bundles_are_looked_for_in_the_usual_folders_and_below(
    plugin_folder, tmp_path, monkeypatch
):
    monkeypatch.setenv("VST3_PATH", str(tmp_path))  # the standard knows no such variable
    monkeypatch.setenv("HOME", str(tmp_path))
    folders = [tmp_path / ".vst3", Path("/usr/lib/vst3"), Path("/usr/local/lib/vst3")]
    assert list(plugin_folders("vst3")) == folders
    (tmp_path / ".vst3" / "maker").mkdir(parents=True)
    bundle = tmp_path / ".vst3" / "maker" / "steady.vst3"
    shutil.copytree(plugin_folder / "steady.vst3", bundle)
    assert [path for name, path in plugin_files() if name == "vst3"] == [bundle.resolve()]
    found = find_plugin(f"vst3:{STEADY}", Path("/"), Scan(tmp_path / "scan"))
    assert (found.record.name, found.path) == ("Steady", bundle.resolve())


@pytest.mark.parametrize("name", ["whole", "halves"])
def test_a_plug_in_by_a_framework_equals_our_own_to_the_bit(framework_folder, get, known, name):
    plugin = find_plugin(f"{name}.vst3", framework_folder, known)
    params = {"Gain": -3.3, "Tilt": "4.5 dB", "Mode": "Mirrored"}
    output, facts = render(plugin, **params)
    assert output.tobytes() == render(get(STEADY), **params)[0].tobytes()
    assert (facts.latency_frames, facts.alignment.how) == (64, "agreed")
    values = held(plugin, Gain=-12.3456, Taps=17, Ducked=True)
    assert values["Gain"].actual == float(np.float32(-12.3456))  # the framework's resolution
    assert (values["Taps"].actual, values["Ducked"].displayed) == (17, "on")


@pytest.mark.parametrize("name", ["whole", "halves"])
def test_a_render_equals_that_of_an_independent_host(framework_folder, known, name):
    import pedalboard

    output, _ = render(find_plugin(f"{name}.vst3", framework_folder, known), Gain=-3, Tilt=4.5)
    other = pedalboard.load_plugin(str(framework_folder / f"{name}.vst3"))
    raw = {"Gain": 21 / 48, "Tilt": 16.5 / 24}  # exact in single precision
    for parameter in other._parameters:
        parameter.raw_value = raw.get(parameter.name, parameter.raw_value)
    expected = other.process(programme(), RATE_HZ, reset=True)  # moved back by the latency
    n_frames = expected.shape[1]
    assert output[:, :n_frames].tobytes() == expected.tobytes()


def test_what_our_own_host_cannot_load_is_rendered_by_another_in_a_worker_too(
    plugin_folder, get, known
):
    plugin = find_plugin(f"demanding.vst3#{HALVES}", plugin_folder, known)
    assert plugin.record.engine == "vst3 by pedalboard"
    output, facts = render(
        plugin, Gain="-3 dB", Tilt="4.5 dB", Mode="Mirrored", Taps="4x", Ducked=True
    )
    expected, _ = render(get(STEADY), Gain=-3, Tilt=4.5, Mode=1)
    assert output.tobytes() == expected.tobytes()
    assert (facts.latency_frames, facts.alignment.how) == (64, "agreed")
    assert any("rendered by pedalboard" in note for note in facts.notes)
    assert {v.name: v.displayed for v in facts.values} == {
        "Gain": "-3.0000 dB", "Tilt": "4.5000 dB", "Mode": "Mirrored", "Taps": "4x",
        "Ducked": "on",
    }  # fmt: skip
    with pytest.raises(PluginError, match="neither two channels nor one"):
        find_plugin(f"demanding.vst3#{WIDE}", plugin_folder, known)


def test_a_preset_file_is_read_by_its_list_of_chunks_and_one_cut_off_is_refused():
    preset = Preset(STEADY, b"component", b"controller")
    content = preset_bytes(preset)
    assert read_preset(content, "x") == preset
    assert (content[:4], content[8:40]) == (b"VST3", STEADY.encode())
    for end in (5, 47, 60, len(content) - 1):
        with pytest.raises(PluginError, match="is no whole VST3 preset"):
            read_preset(content[:end], "x")
    with pytest.raises(PluginError, match="does not start with VST3"):
        read_preset(b"RIFF" + content[4:], "x")


@pytest.fixture
def library(plugin_folder):
    return Vst3Library(plugin_folder / "steady.vst3")


@pytest.mark.parametrize("class_id", [STEADY, HALVES])
def test_a_preset_loads_both_halves_and_the_parameters_change_it(library, tmp_path, class_id):
    first, second = (library.create(class_id, RATE_HZ) for _ in range(2))
    known = {p.name: p for p in first.parameters()}
    gain, tilt = known["Gain"], known["Tilt"]
    set_and_read_back(first, {gain.id: -12.3456, tilt.id: 4.5})
    (tmp_path / "mine.vstpreset").write_bytes(first.saved_state())
    second.load_preset(str(tmp_path / "mine.vstpreset"))
    assert [second.actual(p) for p in (gain, tilt)] == [first.actual(p) for p in (gain, tilt)]
    set_and_read_back(second, {tilt.id: -1})
    assert second.actual(gain) == pytest.approx(-12.3456, abs=1e-14)
    assert second.saved_state() != first.saved_state()
    second.restore_state(first.saved_state())
    assert second.saved_state() == first.saved_state()
    for instance in (first, second):
        instance.destroy()


def test_a_preset_of_another_plug_in_or_none_at_all_is_refused(library, tmp_path):
    steady, mono = (library.create(class_id, RATE_HZ) for class_id in (STEADY, MONO))
    state = mono.saved_state()
    preset = tmp_path / "mine.vstpreset"
    for content, said in (
        (state, rf"mine\.vstpreset: is a preset of another plug-in \({MONO}\), not of Steady"),
        (b"hello", r"mine\.vstpreset: is no VST3 preset"),
        (preset_bytes(Preset(STEADY, b"", None)), r"refuses mine\.vstpreset"),
        (preset_bytes(Preset(STEADY, state, None))[:-30], "cut off"),
    ):
        preset.write_bytes(content)
        with pytest.raises(PluginError, match=said):
            steady.load_preset(str(preset))
    with pytest.raises(PluginError, match="cannot be read"):
        steady.load_preset(str(tmp_path / "absent.vstpreset"))
    for instance in (steady, mono):
        instance.destroy()


@pytest.mark.parametrize("name", ["whole", "halves"])
def test_presets_are_exchanged_with_an_independent_host(framework_folder, tmp_path, name):
    import pedalboard

    bundle, preset = framework_folder / f"{name}.vst3", tmp_path / "mine.vstpreset"
    other = pedalboard.load_plugin(str(bundle))
    turned = next(p for p in other._parameters if p.name == "Gain")
    turned.raw_value = 0.25
    other.process(np.zeros((2, 1024), np.float32), RATE_HZ)  # its state is stale until then
    preset.write_bytes(other.preset_data)
    library = Vst3Library(bundle)
    instance = library.create(library.records[0].id, RATE_HZ)
    gain = next(p for p in instance.parameters() if p.name == "Gain")
    instance.load_preset(str(preset))
    assert instance.actual(gain) == -12
    set_and_read_back(instance, {gain.id: 12})
    preset.write_bytes(instance.saved_state())
    instance.destroy()
    other.load_preset(str(preset))
    assert turned.raw_value == 0.75
