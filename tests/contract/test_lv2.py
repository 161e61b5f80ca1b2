"""What LV2 has and the other formats have not; facts from the LV2 1.18 specification."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from chainweigh.errors import PluginError
from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.lv2 import Lv2Library
from chainweigh.hosts.places import plugin_files, plugin_folders
from chainweigh.hosts.scan import Scan
from chainweigh.hosts.values import set_and_read_back

RATE_HZ = 48_000
OWN = "urn:chainweigh:"


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    return Scan(tmp_path_factory.mktemp("scan"))


@pytest.fixture
def steady(plugin_folder, known):
    return find_plugin(f"steady.lv2#{OWN}steady", plugin_folder, known)


def programme():
    noise = np.random.default_rng(7).standard_normal((2, RATE_HZ // 2))
    return (0.1 * noise).astype(np.float32)


def render(plugin, **params):
    requested = {plugin.parameter(name).id: value for name, value in params.items()}
    return plugin.render(programme(), requested, sample_rate_hz=RATE_HZ, tail_frames=0)


def held(plugin, **params):
    requested = {plugin.parameter(name).id: value for name, value in params.items()}
    return {v.name: v for v in plugin.settle(requested, RATE_HZ).values}


def test_a_bundle_says_name_maker_version_and_what_every_parameter_takes(steady):
    record = steady.record
    said = (record.name, record.vendor, record.version, record.n_inputs, record.n_outputs)
    assert said == ("Steady", "chainweigh tests", "2.1", 2, 2)
    assert record.notes == ("its other inputs are fed silence",)
    known = {p.name: p for p in record.parameters}
    assert list(known) == [
        "Gain",
        "Tilt",
        "Mirrored",
        "On",
        "Mode",
        "Taps",
        "Cut",
        "Poles",
        "Preset",
    ]
    assert (known["Gain"].unit, known["Tilt"].unit, known["Cut"].unit) == ("dB", "dB", "Hz")
    assert known["Mode"].choices == ("Soft", "Even", "Hard")
    assert (known["Mode"].minimum, known["Mode"].default) == (1, 2)
    assert (known["On"].default, known["On"].choices) == (1, ("off", "on"))
    cut = known["Cut"]
    assert (cut.minimum, cut.maximum, cut.default) == (480, 24_000, 12_000)
    assert known["Poles"].steps == 7


def test_values_are_set_by_choice_scale_point_and_text(steady):
    values = held(steady, Mode="hard", Taps="Many", Gain="quiet", Cut="1.2e3 Hz", Mirrored=True)
    assert {name: v.actual for name, v in values.items()} == {
        "Mode": 3, "Taps": 64, "Gain": -20, "Cut": 1200, "Mirrored": 1,
    }  # fmt: skip
    shown = {name: v.displayed for name, v in values.items()}
    assert (shown["Mode"], shown["Taps"], shown["Gain"]) == ("Hard", "Many", "Quiet")


@pytest.mark.parametrize(
    ("params", "said"),
    [
        ({"Taps": 5}, r'5 is no choice; allowed: 4 \("Few"\), 64 \("Many"\)'),
        ({"Mode": 4}, 'out of range; allowed: "Soft", "Even", "Hard"'),
        ({"Poles": 2.5}, "between two steps"),
        ({"Gain": 25}, "out of range; allowed: -24 to 24 dB"),
        ({"Cut": "30000 Hz"}, "out of range; allowed: 480 to 24000 Hz"),
        ({"Gain": "loud"}, 'does not take "loud"'),
        ({"Offline": 0}, 'unknown parameter "Offline"'),
    ],
)
def test_a_value_no_port_takes_is_refused(steady, params, said):
    with pytest.raises(PluginError, match=said):
        held(steady, **params)


def test_the_default_state_is_loaded_and_a_property_set_over_it(plugin_folder, known):
    by_ports = find_plugin(f"steady.lv2#{OWN}steady", plugin_folder, known)
    plugin = find_plugin(f"steady.lv2#{OWN}steady-properties", plugin_folder, known)
    assert {p.name: p.default for p in plugin.record.parameters if 13 <= p.id < 16} == {
        "Gain": 0, "Mirrored": 1, "Tilt": -3,
    }  # fmt: skip
    assert "texts and files it may be given stay as they are: Picture" in plugin.record.notes
    untouched, _ = render(plugin)
    expected, _ = render(by_ports, Tilt=-3, Mirrored=True)
    assert untouched.tobytes() == expected.tobytes()
    turned, facts = render(plugin, Tilt=2.2, Mirrored="off")
    expected, _ = render(by_ports, Tilt=2.2)
    assert turned.tobytes() == expected.tobytes()
    assert {v.name: v.actual for v in facts.values} == {"Tilt": 2.2, "Mirrored": 0}
    assert not any("does not tell" in note for note in facts.notes)


def test_a_preset_sets_ports_or_state_and_the_other_parameters_change_it(
    plugin_folder, known, steady
):
    assert next(p for p in steady.record.parameters if p.name == "Preset").choices == (
        "none", "Stray", "Warm",
    )  # fmt: skip
    output, facts = render(steady, Preset="warm", Gain=3)
    assert output.tobytes() == render(steady, Gain=3, Tilt=-4)[0].tobytes()
    assert {v.name: v.displayed for v in facts.values} == {"Gain": "3 dB", "Preset": "Warm"}
    by_properties = find_plugin(f"steady.lv2#{OWN}steady-properties", plugin_folder, known)
    output, _ = render(by_properties, Preset="Turned", Tilt=1)
    assert output.tobytes() == render(steady, Gain=-1.5, Tilt=1)[0].tobytes()
    with pytest.raises(PluginError, match='preset "Stray": there is no control port "drive"'):
        held(steady, Preset="Stray")
    with pytest.raises(PluginError, match='does not take "Turned"; allowed: "none", "Stray"'):
        held(steady, Preset="Turned")


def test_a_bundle_that_changes_is_read_anew_and_one_that_is_copied_is_the_same(
    plugin_folder, known, tmp_path
):
    copied = tmp_path / "copied.lv2"
    shutil.copytree(plugin_folder / "steady.lv2", copied)
    before = known.describe("lv2", copied)
    assert before.digest == known.describe("lv2", plugin_folder / "steady.lv2").digest
    text = (copied / "steady.ttl").read_text(encoding="utf-8")
    (copied / "steady.ttl").write_text(text.replace('"Poles"', '"Order of it"'), encoding="utf-8")
    after = known.describe("lv2", copied)
    assert after.digest != before.digest
    assert any(p.name == "Order of it" for record in after.records for p in record.parameters)


def test_what_only_shows_when_an_instance_is_created_is_told_then(plugin_folder, known, tmp_path):
    plugin = find_plugin(f"steady.lv2#{OWN}absent", plugin_folder, known)
    with pytest.raises(PluginError, match=r"steady\.so: does not hold urn:chainweigh:absent"):
        plugin.settle({}, RATE_HZ)
    copied = tmp_path / "hollow.lv2"
    shutil.copytree(plugin_folder / "steady.lv2", copied)
    (copied / "steady.so").write_bytes((plugin_folder / "nothing.so").read_bytes())
    hollow = find_plugin(f"hollow.lv2#{OWN}steady", tmp_path, known)
    with pytest.raises(PluginError, match="symbol lv2_descriptor is missing"):
        hollow.settle({}, RATE_HZ)


def test_bundles_are_looked_for_in_lv2_path_instead_of_the_usual_folders(
    plugin_folder, tmp_path, monkeypatch
):
    assert plugin_folders("lv2")[0] == Path.home() / ".lv2"
    monkeypatch.setenv("LV2_PATH", str(plugin_folder))
    assert plugin_folders("lv2") == (plugin_folder,)
    assert ("lv2", (plugin_folder / "steady.lv2").resolve()) in list(plugin_files())
    assert find_plugin(f"lv2:{OWN}steady", Path("/"), Scan(tmp_path)).record.name == "Steady"


def test_a_bundle_without_plug_ins_is_nothing_a_scan_complains_of(known, tmp_path):
    bundle = tmp_path / "vocabulary.lv2"
    bundle.mkdir()
    (bundle / "manifest.ttl").write_text("<urn:x> a <urn:Vocabulary> .", encoding="utf-8")
    (found,) = known.describe_all([("lv2", bundle)])
    assert (found.records, found.refusal, found.fault) == ((), None, None)


def example(name, missing):
    """A bundle of Debian's lv2-examples."""
    places = (folder / f"eg-{name}.lv2" for folder in plugin_folders("lv2"))
    bundle = next((place for place in places if place.is_dir()), None)
    if bundle is None:
        missing("no lv2-examples (Debian package) as neutral subjects")
    return bundle


def test_the_amplifier_of_the_lv2_examples_amplifies(known, missing):
    plugin = find_plugin(str(example("amp", missing)), Path("/"), known)
    output, facts = render(plugin, Gain="6 dB")
    assert "one instance a side, unlinked" in facts.notes
    np.testing.assert_allclose(output, 10 ** (6 / 20) * programme(), rtol=2e-7)


def test_properties_of_the_lv2_examples_hold_their_defaults_and_what_they_are_set_to(missing):
    library = Lv2Library(example("params", missing))
    (record,) = library.records
    assert record.refusal == "it has no audio output"
    instance = library.create(record.id, RATE_HZ)
    ids = {p.name: p.id for p in record.parameters}
    assert {p.name: p.default for p in record.parameters if p.name == "float"} == {"float": 0.1234}
    asked = {"int": 7, "long": 2**40, "float": 0.3, "double": 0.3, "bool": True}
    values = set_and_read_back(instance, {ids[name]: value for name, value in asked.items()})
    exact = {name: float(value) for name, value in asked.items()} | {
        "float": float(np.float32(0.3))
    }
    assert {v.name: v.actual for v in values} == exact
    assert instance.notes() == ()
    instance.destroy()
