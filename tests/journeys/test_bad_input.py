"""Everything a user can get wrong: a clear message, exit code 1, nothing written."""

import json
import tomllib

import numpy as np
import pytest
import soundfile
import tomli_w

RATE = 44_100


def tone(seconds=2.0, channels=2):
    time_s = np.arange(int(seconds * RATE)) / RATE
    return np.repeat(0.3 * np.sin(2 * np.pi * 220 * time_s)[:, None], channels, axis=1)


def write(path, samples, rate_hz=RATE):
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, samples, rate_hz, subtype="FLOAT")
    return path


def empty_folder(song):
    song.mkdir()


def no_audio(song):
    song.mkdir()
    (song / "notes.txt").write_text("no audio here")


def zero_length(song):
    write(song / "good.wav", tone())
    (song / "bad.wav").write_bytes(b"")


def truncated(song):
    write(song / "good.wav", tone())
    content = write(song / "bad.wav", tone()).read_bytes()
    (song / "bad.wav").write_bytes(content[: len(content) // 2])


def not_audio(song):
    write(song / "good.wav", tone())
    (song / "bad.wav").write_bytes(b"these are words, not samples" * 50)


def nan_sample(song):
    samples = tone()
    samples[1234, 1] = np.nan
    write(song / "good.wav", tone())
    write(song / "bad.wav", samples)


def inf_sample(song):
    samples = tone()
    samples[77, 0] = np.inf
    write(song / "good.wav", tone())
    write(song / "bad.wav", samples)


def silent_group(song):
    write(song / "good.wav", tone())
    write(song / "bad.wav", np.zeros((RATE, 2)))


def mixed_rates(song):
    write(song / "good.wav", tone())
    write(song / "bad.wav", tone(), 48_000)


def three_channels(song):
    write(song / "good.wav", tone())
    write(song / "bad.wav", tone(channels=3))


def song_toml_syntax(song):
    write(song / "good.wav", tone())
    (song / "song.toml").write_text('title = "x\n')


def song_toml_key(song):
    write(song / "good.wav", tone())
    (song / "song.toml").write_text('title = "x"\ntempo_pbm = 120\n[groups]\na = "good.wav"\n')


SONGS = [
    (empty_folder, ["song"]),
    (no_audio, ["song"]),
    (zero_length, ["bad.wav"]),
    (truncated, ["bad.wav"]),
    (not_audio, ["bad.wav"]),
    (nan_sample, ["bad.wav", "1234"]),
    (inf_sample, ["bad.wav", "77"]),
    (silent_group, ["bad", "silent"]),
    (mixed_rates, ["bad.wav", "44100", "48000", "--resample"]),
    (three_channels, ["bad.wav", "3 channels"]),
    (song_toml_syntax, ["song.toml", "line 1"]),
    (song_toml_key, ["song.toml", "tempo_pbm", "tempo_bpm"]),
]


@pytest.mark.parametrize(("make", "said"), SONGS, ids=lambda v: getattr(v, "__name__", ""))
def test_a_bad_song_is_refused_by_name_and_nothing_is_written(tiny, make, said):
    make(tiny.folder / "song")
    before = sorted(tiny.folder.rglob("*"))
    errors = tiny.run("rank", "song", "--chains", "chains", "--out", "run", code=1).stderr
    for fact in said:
        assert fact in errors
    assert "Traceback" not in errors
    assert sorted(tiny.folder.rglob("*")) == before


def test_resample_mends_mixed_rates(tiny):
    mixed_rates(tiny.folder / "song")
    tiny.run("rank", "song", "--chains", "chains", "--out", "run", "--resample", "44100")
    assert (tiny.folder / "run" / "report.html").exists()


def test_a_missing_song_or_chain_folder_is_named(tiny):
    assert "nowhere" in tiny.run("rank", "nowhere", code=1).stderr
    assert "nothing" in tiny.run("rank", "tiny", "--chains", "nothing", code=1).stderr


BAD_CHAINS = [
    ('name = "x', ["bad.toml", "TOML syntax error"]),
    ('name="x"\nscope="bus"\n[[stage]]\neffect="clop"\n', ["bad.toml", "clop", "clip"]),
    ('name="x"\nscope="bus"\n[[stage]]\neffect="clip"\nceil="peak"\n', ["bad.toml", "ceiling"]),
    ('name="x"\nscope="bus"\n[[stage]]\neffect="clip"\nceiling="-3 dB"\n', ["bad.toml", "dBFS"]),
    (
        'name="x"\nscope="bus"\n[[stage]]\neffect="clip"\nceiling="999 dBFS"\n',
        ["bad.toml", "ceiling", "999"],
    ),
    (
        'name="x"\nscope="bus"\n[[stage]]\neffect="eq"\nshape="peak"\nfrequency="23 kHz"\n',
        ["x", "23"],
    ),
]


@pytest.mark.parametrize(("text", "said"), BAD_CHAINS)
def test_a_bad_chain_is_refused_before_anything_is_rendered(tiny, text, said):
    (tiny.folder / "chains" / "bad.toml").write_text(text, encoding="utf-8")
    errors = tiny.run("rank", "tiny", "--chains", "chains", "--out", "run", code=1).stderr
    for fact in said:
        assert fact in errors
    assert not (tiny.folder / "run").exists()


def test_an_out_folder_that_holds_something_else_is_refused_and_kept(tiny):
    (tiny.folder / "run").mkdir()
    (tiny.folder / "run" / "thesis.txt").write_text("precious")
    errors = tiny.run("rank", "tiny", "--chains", "chains", "--out", "run", code=1).stderr
    assert "run" in errors
    assert [p.name for p in (tiny.folder / "run").iterdir()] == ["thesis.txt"]


def test_an_out_path_below_a_file_is_refused(tiny):
    (tiny.folder / "file").write_text("a file")
    errors = tiny.run("rank", "tiny", "--chains", "chains", "--out", "file/run", code=1).stderr
    assert "file" in errors and "Traceback" not in errors


def test_a_recipe_whose_chain_is_missing_is_refused_by_group(tiny):
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    table = tomllib.loads((tiny.folder / "run" / "recipe.toml").read_text(encoding="utf-8"))
    (hits,) = [group for group in table["group"] if group["name"] == "hits"]
    assert hits.pop("stage")
    recipe = tiny.folder / "cut.toml"
    recipe.write_text(tomli_w.dumps(table), encoding="utf-8")
    errors = tiny.run("apply", recipe, "tiny", "--out", "next", code=1).stderr
    assert "cut.toml" in errors and '"hits"' in errors and "is missing: it has no" in errors
    assert not (tiny.folder / "next").exists()


def test_a_recipe_for_other_groups_names_both_lists(tiny):
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    write(tiny.folder / "other" / "flute.wav", tone())
    errors = tiny.run("apply", "run/recipe.toml", "other", "--out", "next", code=1).stderr
    assert "hits, low" in errors and "flute" in errors


def test_results_of_another_major_schema_are_refused(tiny):
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    path = tiny.folder / "run" / "results.json"
    results = json.loads(path.read_text(encoding="utf-8"))
    results["schema"] = "2.0"
    path.write_text(json.dumps(results), encoding="utf-8")
    errors = tiny.run("report", "run", code=1).stderr
    assert "results.json" in errors and "2.0" in errors


@pytest.mark.parametrize("make", [zero_length, not_audio, truncated, nan_sample])
def test_measure_refuses_a_bad_file_by_name(tiny, make):
    make(tiny.folder / "song")
    errors = tiny.run("measure", "song/bad.wav", code=1).stderr
    assert "bad.wav" in errors and "Traceback" not in errors
