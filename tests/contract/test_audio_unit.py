"""Audio Units: only macOS has them, so they are tried here on a stand-in for pedalboard's class.

What macOS itself does is not shown by this.
"""

import plistlib
from pathlib import Path

import numpy as np
import pytest

from chainweigh.errors import PluginError
from chainweigh.hosts import battery, binary, places
from chainweigh.hosts.find import find_plugin
from chainweigh.hosts.places import plugin_files, plugin_folders
from chainweigh.hosts.qualification import SOUND
from chainweigh.hosts.scan import Scan

RATE_HZ = 48_000
STAND_IN = Path(__file__).parents[1] / "plugins" / "audio_units"


@pytest.fixture
def as_on_macos(monkeypatch):
    monkeypatch.setattr(binary, "MACOS", True)
    monkeypatch.setattr(places, "MACOS", True)
    monkeypatch.setenv("PYTHONPATH", str(STAND_IN))


@pytest.fixture
def get(framework_folder, tmp_path, as_on_macos):
    """Plug-in of a component, by its name in the folder for components."""
    (tmp_path / "whole.component").mkdir()
    (tmp_path / "whole.component" / "whole.vst3").symlink_to(framework_folder / "whole.vst3")
    return lambda written: find_plugin(written, tmp_path, Scan(tmp_path / "scan"))


def render(plugin, preset=None, **params):
    samples = (0.1 * np.random.default_rng(7).standard_normal((2, RATE_HZ // 2))).astype(np.float32)
    requested = {plugin.parameter(name).id: value for name, value in params.items()}
    return plugin.render(
        samples, requested, sample_rate_hz=RATE_HZ, tail_frames=0, preset=preset and str(preset)
    )


def test_a_component_is_described_and_rendered_by_pedalboard_in_a_worker(get, framework_folder):
    unit = get("whole.component")
    assert unit.reference == "au:aufx,Stea,Exam"
    assert unit.record.notes == ("rendered by pedalboard in real-time mode",)
    output, facts = render(unit, Gain="-3 dB", Tilt="4.5 dB")
    vst3 = find_plugin("whole.vst3", framework_folder, Scan(framework_folder / "scan"))
    expected, _ = render(vst3, Gain=-3, Tilt=4.5)
    assert output.tobytes() == expected.tobytes()
    assert (facts.latency_frames, facts.alignment.how) == (64, "agreed")
    shown = {v.name: v.displayed for v in facts.values}
    assert shown == {"Gain": "-3.000000 dB", "Tilt": "4.500000 dB"}


def test_its_state_brings_its_sound_back(get, monkeypatch):
    monkeypatch.setattr(battery, "CHECKS", {"state": battery.CHECKS["state"]})
    (finding,) = battery.qualify(get("whole.component")).findings
    assert (finding.grade, finding.text) == (SOUND, "its saved state brings its sound back")


def test_a_preset_is_a_property_list_that_says_whom_it_is_for(get, tmp_path):
    unit = get("whole.component")
    codes = {"type": b"aufx", "subtype": b"Othr", "manufacturer": b"Exam"}
    other = {key: int.from_bytes(code, "big") for key, code in codes.items()}
    (tmp_path / "other.aupreset").write_bytes(plistlib.dumps({**other, "data": b""}))
    (tmp_path / "junk.aupreset").write_bytes(b"<plist")
    (tmp_path / "list.aupreset").write_bytes(plistlib.dumps([1, 2]))
    for name, said in (
        ("other", r"other\.aupreset: is a preset of another plug-in \(aufx,Othr,Exam\)"),
        ("junk", r"junk\.aupreset: is no state of an Audio Unit"),
        ("list", r"list\.aupreset: is no state of an Audio Unit"),
        ("absent", r"absent\.aupreset: cannot be read"),
    ):
        with pytest.raises(PluginError, match=said):
            render(unit, tmp_path / f"{name}.aupreset")


def test_components_are_looked_for_where_macos_keeps_them(get, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    place = tmp_path / "Library" / "Audio" / "Plug-Ins" / "Components"
    assert plugin_folders("au") == (place, Path("/Library/Audio/Plug-Ins/Components"))
    place.mkdir(parents=True)
    (tmp_path / "whole.component").rename(place / "whole.component")
    assert ("au", (place / "whole.component").resolve()) in list(plugin_files())
    assert get("au:aufx,Stea,Exam").record.vendor == "chainweigh tests"


def test_elsewhere_they_are_refused_with_the_reason(tmp_path):
    scan = Scan(tmp_path / "scan")
    (tmp_path / "any.component").mkdir()
    looked_at = plugin_files([tmp_path / "any.component"])
    (found,) = scan.describe_all(file for file in looked_at if file[0] == "au")
    assert found.refusal.endswith("any.component: Audio Units need macOS; this is Linux")
    for written in ("any.component", "au:aufx,Stea,Exam"):
        with pytest.raises(PluginError, match="Audio Units need macOS; this is Linux"):
            find_plugin(written, tmp_path, scan)
    assert plugin_folders("au") == ()
