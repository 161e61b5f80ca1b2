"""Plug-in stages of chain files: written, resolved on the programme, rendered, refused."""

import numpy as np
import pytest

from chainweigh.chain.files import load_chain, parse_chain
from chainweigh.errors import ChainFileError, RenderError
from chainweigh.render.chain_run import render_chain, run_frozen

RATE_HZ = 48_000
GOOD = """
name = "Tilted"
scope = "bus"
[[stage]]
plugin = "PLUGIN"
params = { Gain = "peak - 3 dB", Tilt = "1.5 dB", Mode = "Mirrored", "id:41" = 0.25 }
"""


@pytest.fixture
def load(plugin_folder, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    for file in plugin_folder.iterdir():
        (tmp_path / file.name).symlink_to(file)

    def loaded(text=GOOD, plugin="steady.clap#org.example.steady"):
        path = tmp_path / "chain.toml"
        path.write_text(text.replace("PLUGIN", plugin), encoding="utf-8")
        return load_chain(path)

    return loaded


def noise(n_frames=RATE_HZ):
    samples = 0.1 * np.random.default_rng(9).standard_normal((2, n_frames))
    samples[0, 100] = 10 ** (-12 / 20)
    return samples.clip(-0.25, 10 ** (-12 / 20)).astype(np.float32)


def test_a_level_is_resolved_on_what_reaches_the_stage_and_held_by_the_plug_in(load):
    (chain,) = load()
    run = render_chain(chain, noise(), RATE_HZ)
    assert run.stages[0].settings["Gain"] == "-15.00 dB"
    held = {value.name: value.actual for value in run.stages[0].facts.values}
    assert held == {"Gain": -15.0, "Tilt": 1.5, "Mode": 1.0, "Amount": 0.25}
    assert chain.stages[0].written()["Gain"] == "peak - 3 dB"


def test_the_tail_a_plug_in_reports_is_kept_and_one_second_where_it_reports_none(load):
    assert load()[0].tail_frames(RATE_HZ) == 4800
    ladspa = 'name = "L"\nscope = "bus"\n[[stage]]\nplugin = "steady.so#steady"'
    assert load(ladspa)[0].tail_frames(RATE_HZ) == RATE_HZ


def test_tones_run_through_the_stage_as_it_was_rendered(load):
    (chain,) = load()
    run = render_chain(chain, noise(), RATE_HZ)
    assert run_frozen(run.stages, noise(), RATE_HZ).tobytes() == run.samples.tobytes()


def test_a_sweep_of_a_parameter_makes_variants(load):
    chains = load(GOOD.replace('Tilt = "1.5 dB"', 'Tilt = { sweep = ["1 dB", 2] }'))
    assert [chain.name for chain in chains] == ["Tilted, Tilt 1 dB", "Tilted, Tilt 2"]


def test_what_a_stage_writes_is_read_back_as_the_same_stage(load):
    (chain,) = load()
    table = {"name": "Again", "scope": "bus", "stage": [stage.table() for stage in chain.stages]}
    (again,) = parse_chain(table, where="recipe.toml")
    assert again.stages == chain.stages


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("Tilt =", "Tild ="), "did you mean Tilt"),
        (('"id:41"', "Amount"), '"id:40" or "id:41"'),
        (('"1.5 dB"', '"13 dB"'), "-12 to 12 dB"),
        (('"1.5 dB"', "[1]"), "not a number, true, false or text"),
        (('"Mirrored"', '"Sideways"'), '"Upright", "Mirrored"'),
        (("0.25", '"peak - 3 dB"'), "only dB takes a level"),
        (("params", "parms"), "did you mean params"),
        (("PLUGIN", "steady.clap"), "holds 2 plug-ins"),
        (("PLUGIN", "clap:org.example.unsteady"), "did you mean org.example.steady"),
    ],
)
def test_what_is_wrong_is_named_with_the_file_when_it_is_read(load, change, said):
    load()  # the identifier is known from here on
    with pytest.raises(ChainFileError, match=r"chain\.toml: stage 1") as caught:
        load(GOOD.replace(*change))
    assert said in str(caught.value)


def test_a_text_only_the_plug_in_can_read_is_checked_before_anything_is_rendered(load):
    (chain,) = load(GOOD.replace('"1.5 dB"', '"50 %"'))
    with pytest.raises(ChainFileError, match=r'"Tilted": stage 1: .*does not take "50 %"'):
        chain.check_at_rate(RATE_HZ)


def test_a_plug_in_that_crashes_fails_its_chain_alone(load):
    text = 'name = "C"\nscope = "bus"\n[[stage]]\nplugin = "PLUGIN"\nparams = { Fault = 1 }'
    for plugin in ("rogue.so", "load_segfault.so"):
        (chain,) = load(text, plugin)
        chain.check_at_rate(RATE_HZ)
        with pytest.raises(RenderError, match=r"stage 1 \(ladspa:.*crashed while"):
            render_chain(chain, noise(), RATE_HZ)
