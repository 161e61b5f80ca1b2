"""chainweigh rank on a real folder: files, loudness, nulls, determinism, refusals."""

import csv
import json
import os
import shutil
import signal
import time
from pathlib import Path
from random import Random

import numpy as np
import pyebur128
import pytest
import soundfile
from scipy.fft import next_fast_len
from scipy.signal import resample


def read(path):
    samples, rate_hz = soundfile.read(path, always_2d=True)
    return samples, rate_hz


def state(samples, rate_hz):
    mode = pyebur128.MeasurementMode
    meter = pyebur128.R128State(samples.shape[1], rate_hz, mode.MODE_I | mode.MODE_TRUE_PEAK)
    meter.add_frames(np.ascontiguousarray(samples, dtype=np.float64).ravel(), len(samples))
    return meter


def lufs(samples, rate_hz):
    return pyebur128.get_loudness_global(state(samples, rate_hz))


def four_times(samples):
    """Four times the rate by a Fourier transform, with silence around: ideal band-limiting."""
    n_frames = next_fast_len(len(samples) + 4096)
    around = np.pad(samples, ((2048, n_frames - len(samples) - 2048), (0, 0)))
    return resample(around, 4 * n_frames)


def plr_db(samples, rate_hz):
    """PLR by libebur128, its 4x peak meter fed at four times the rate.

    At the file's own rate it may read up to 0.69 dB low (BS.1770-5, Attachment 1 to Annex 2).
    """
    loudness = lufs(samples, rate_hz)
    meter = state(four_times(samples), 4 * rate_hz)
    peak = max(pyebur128.get_true_peak(meter, c) for c in range(samples.shape[1]))
    return 20 * np.log10(peak) - loudness


def results_of(work):
    return json.loads((work.folder / "run" / "results.json").read_text(encoding="utf-8"))


def comparison(results, name):
    return next(c for c in results["comparisons"] if c["name"] == name)


def test_a_run_folder_holds_what_the_readme_says(ranked):
    run = ranked.folder / "run"
    found = {p.relative_to(run).as_posix() for p in run.rglob("*") if p.is_file()}
    takes = {f"audio/{g}/{n}.wav" for g in ("hits", "low") for n in ("bypass", "light", "deep")}
    takes |= {"audio/master/bypass.wav", "audio/master/final.wav"}
    takes |= {f"audio/{g}/reference.wav" for g in ("hits", "low", "master")}
    rest = {"results.json", "ranking.csv", "report.html", "recipe.toml", "masters/tiny.wav"}
    rest |= {"session/hits.wav", "session/low.wav", "session/settings.md"}
    ladder = {f"ladder/drive{drive_db:+d}dB.wav" for drive_db in range(-2, 6)}
    assert found == takes | rest | ladder
    rungs = results_of(ranked)["ladder"]["rungs"]
    assert {rung["audio"] for rung in rungs} == ladder
    for rung in rungs:
        assert rung["failure"] is None
        assert "failure" not in rung["undefined"]


@pytest.mark.parametrize("group", ["hits", "low", "master"])
def test_all_takes_of_a_comparison_read_equally_loud_and_long_on_libebur128(ranked, group):
    takes = sorted((ranked.folder / "run" / "audio" / group).glob("*.wav"))
    assert len(takes) >= 3
    read_takes = [read(take) for take in takes]
    assert len({samples.shape for samples, _ in read_takes}) == 1
    loudness = [lufs(*take) for take in read_takes]
    assert max(loudness) - min(loudness) <= 0.01


def test_loudness_gains_are_the_difference_of_plr_an_outside_meter_reads(ranked):
    results = results_of(ranked)
    audio = ranked.folder / "run" / "audio"
    session = ranked.folder / "run" / "session"
    for group, other in (("hits", "low"), ("low", "hits")):
        standing, rate_hz = read(session / f"{other}.wav")
        dry, _ = read(audio / group / "reference.wav")
        for candidate in comparison(results, group)["candidates"]:
            take, _ = read(ranked.folder / "run" / candidate["audio"])
            expected = plr_db(standing + dry, rate_hz) - plr_db(standing + take, rate_hz)
            gained = candidate["standing"]["loudness_gain_lu"]
            assert gained == pytest.approx(expected, abs=0.1)


def test_every_candidate_but_the_bypass_is_judged_soloed_and_in_the_mix(ranked):
    results = results_of(ranked)
    for c in results["comparisons"]:
        for candidate in c["candidates"]:
            heard = candidate["soloed"], candidate["in_mix"]
            if candidate["name"] == "bypass":
                assert heard == (None, None)
            else:
                assert all(isinstance(h["disturbed_pct"], float) for h in heard)
    gains = [
        k["standing"]["loudness_gain_lu"]
        for c in results["comparisons"][:-1]
        for k in c["candidates"]
    ]
    assert min(gains) < 0, "none gained less than nothing: the test shows less than it should"


def test_mix_headroom_is_the_plr_the_chosen_stems_take_off_the_dry_mix(ranked):
    run = ranked.folder / "run"
    dry = sum(read(run / "audio" / g / "reference.wav")[0] for g in ("hits", "low"))
    wet = sum(read(run / "session" / f"{g}.wav")[0] for g in ("hits", "low"))
    expected = plr_db(dry, 44_100) - plr_db(wet, 44_100)
    assert expected > 0.3
    headroom = results_of(ranked)["chosen"]["mix_headroom_db"]
    assert headroom == pytest.approx(expected, abs=0.1)


def test_the_stems_in_session_sum_to_the_mix_the_master_chains_saw_bit_for_bit(ranked):
    run = ranked.folder / "run"
    stems = [read(run / "session" / f"{g}.wav")[0] for g in ("hits", "low")]
    mix, _ = soundfile.read(run / "audio" / "master" / "reference.wav", dtype="float32")
    assert np.array_equal(sum(stems).astype(np.float32), mix)


def test_the_master_stands_at_its_ceiling(ranked):
    samples, rate_hz = read(ranked.folder / "run" / "masters" / "tiny.wav")
    meter = state(samples, rate_hz)
    peak = 20 * np.log10(max(pyebur128.get_true_peak(meter, c) for c in (0, 1)))
    assert peak == pytest.approx(-1.0, abs=0.2)  # Tech 3341: +0.2/-0.4 dB for a 4x meter


def test_two_threads_and_one_give_the_same_bytes(ranked, tiny):
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run", "--threads", 1)
    first, second = ranked.folder / "run", tiny.folder / "run"
    files = sorted(p.relative_to(first) for p in first.rglob("*") if p.is_file())
    assert len(files) > 15
    for file in files:
        assert (first / file).read_bytes() == (second / file).read_bytes(), file


def test_a_second_run_from_the_cache_gives_the_same_bytes(tiny):
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "one")
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "two")
    for file in sorted(p for p in (tiny.folder / "one").rglob("*") if p.is_file()):
        other = tiny.folder / "two" / file.relative_to(tiny.folder / "one")
        assert file.read_bytes() == other.read_bytes(), file


def test_a_take_edited_in_a_run_folder_does_not_reach_the_next_run(tiny):
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "one")
    take = tiny.folder / "one" / "audio" / "hits" / "light.wav"
    before = take.read_bytes()
    with take.open("r+b") as stream:
        stream.seek(10_000)
        stream.write(b"\x00" * 4_000)
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "two")
    assert (tiny.folder / "two" / "audio" / "hits" / "light.wav").read_bytes() == before


def test_user_files_are_left_as_they_were(tiny):
    stems = sorted((tiny.folder / "tiny").rglob("*.wav"))
    before = [p.read_bytes() for p in stems]
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    assert [p.read_bytes() for p in stems] == before
    assert sorted((tiny.folder / "tiny").rglob("*.wav")) == stems


def test_json_on_stdout_is_results_json_and_messages_go_to_stderr(tiny):
    done = tiny.run("rank", "tiny", "--chains", "chains", "--out", "run", "--json")
    assert json.loads(done.stdout) == results_of(tiny)
    assert "run folder: run" in done.stderr


def test_the_csv_has_one_row_a_candidate(ranked):
    with (ranked.folder / "run" / "ranking.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 3 + 3 + 2
    by_name = {(r["comparison"], r["candidate"]): r for r in rows}
    light = next(
        c for c in comparison(results_of(ranked), "hits")["candidates"] if c["name"] == "Light"
    )
    written = float(by_name["hits", "Light"]["loudness_gain_lu"])
    assert written == pytest.approx(light["standing"]["loudness_gain_lu"])


def test_results_hold_no_path_of_this_machine(ranked):
    text = (ranked.folder / "run" / "results.json").read_text(encoding="utf-8")
    assert str(ranked.folder.parent) not in text


def test_a_delay_only_chain_is_aligned_and_nulls_below_100_db(tiny):
    chain = 'name = "Late"\nscope = "bus"\n[[stage]]\neffect = "echo"\n'
    chain += 'time = "10 ms"\nfeedback = "0 %"\nmix = "100 %"\n'
    (tiny.folder / "chains" / "late.toml").write_text(chain, encoding="utf-8")
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    late = next(
        c for c in comparison(results_of(tiny), "hits")["candidates"] if c["name"] == "Late"
    )
    assert late["shift_frames"] == 441
    audio = tiny.folder / "run" / "audio" / "hits"
    dry, _ = read(audio / "reference.wav")
    wet, _ = read(audio / "late.wav")
    assert np.square(wet - dry).sum() < 1e-10 * np.square(dry).sum()


def test_a_bass_clip_with_soloed_gain_and_none_in_the_mix_does_not_win(place):
    """The low note's peaks never meet the mix's: clipping it helps it alone."""
    rate_hz, seconds = 44_100, 6
    time_s = np.arange(rate_hz * seconds) / rate_hz
    bass = 0.35 * np.sin(2 * np.pi * 50 * time_s) * ((time_s % 1.0) < 0.5)
    bass *= np.where(time_s % 1.0 < 0.01, 1.9, 1.0)
    drums = np.zeros_like(bass)
    for start_s in np.arange(0.75, seconds, 1.0):
        start = int(start_s * rate_hz)
        drums[start : start + 400] = 0.95 * np.sin(np.arange(400) * 0.3) * np.hanning(400)
    for group, samples in (("bass", bass), ("drums", drums)):
        (place.folder / "song" / group).mkdir(parents=True)
        soundfile.write(place.folder / "song" / group / "a.wav", samples, rate_hz, subtype="FLOAT")
    (place.folder / "chains").mkdir()
    chain = 'name = "Bass clip"\nscope = "bus"\n[[stage]]\neffect = "clip"\n'
    chain += 'ceiling = "peak - 4 dB"\n'
    (place.folder / "chains" / "c.toml").write_text(chain, encoding="utf-8")
    place.run("rank", "song", "--chains", "chains", "--out", "run")
    bass_group = comparison(results_of(place), "bass")
    clip = next(c for c in bass_group["candidates"] if c["name"] == "Bass clip")["standing"]
    assert clip["loudness_gain_soloed_lu"] > 1.0
    assert abs(clip["loudness_gain_lu"]) < 0.2
    assert bass_group["winner"] == "bypass"


def test_a_candidate_that_fails_is_a_row_with_its_reason_and_exit_code_3(tiny):
    text = 'name = "Out of range"\nscope = "bus"\n[[stage]]\neffect = "clip"\n'
    text += 'ceiling = "peak + 200 dB"\n'
    (tiny.folder / "chains" / "z.toml").write_text(text, encoding="utf-8")
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run", code=3)
    row = comparison(results_of(tiny), "hits")["candidates"][-1]
    assert row["name"] == "Out of range"
    assert "stage 1 (clip)" in row["failure"] and "ceiling" in row["failure"]
    assert row["file"] is None


def start_a_long_run(work):
    """A run of many candidates on one thread, far from its end when the first is finished."""
    depths = ", ".join(f'"peak - {depth} dB"' for depth in range(2, 10))
    chain = 'name = "Many"\nscope = "bus"\n[[stage]]\neffect = "clip"\n'
    chain += f"ceiling = {{ sweep = [{depths}] }}\n"
    (work.folder / "chains" / "many.toml").write_text(chain, encoding="utf-8")
    return work.start("rank", "tiny", "--chains", "chains", "--out", "run", "--threads", 1)


def await_first_take(work, process):
    """The first finished candidate's take in the cache, as soon as it is there."""
    while process.poll() is None:
        takes = sorted(work.cache.rglob("*.wav"))
        if takes:
            return takes[0]
        time.sleep(0.01)
    raise AssertionError("the run ended before any candidate was finished")


def test_ctrl_c_leaves_no_run_folder_and_the_next_run_finishes(tiny):
    process = start_a_long_run(tiny)
    first = await_first_take(tiny, process)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "Traceback" not in errors
    assert sorted(p.name for p in tiny.folder.iterdir()) == ["chains", "tiny"]
    written = first.stat().st_mtime_ns
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    assert first.stat().st_mtime_ns == written  # what was finished is used, not made again


def files_in(*folders):
    """Files at and below folders, of which a running command may rename one meanwhile."""
    return [
        Path(root) / name
        for folder in folders
        for root, _, names in os.walk(folder)
        for name in names
    ]


def test_a_run_killed_at_any_moment_and_run_again_ends_as_if_undisturbed(tiny, ranked):
    """Moments: a random number of files written so far, and up to 50 ms after that one.

    The last files are written within milliseconds: a run that was done before the kill came counts
    as one moment less.
    """
    undisturbed = ranked.folder / "run"
    n_before, n_files = len(files_in(tiny.folder)), len(files_in(ranked.cache, undisturbed))
    random, n_kills = Random(6), 0
    for n_written in sorted(random.sample(range(1, n_files - 1), 5)):
        process = tiny.start("rank", "tiny", "--chains", "chains", "--out", "run")
        while process.poll() is None:
            if len(files_in(tiny.cache, tiny.folder)) >= n_before + n_written:
                break
            time.sleep(0.005)
        time.sleep(random.uniform(0, 0.05))
        process.kill()
        process.communicate(timeout=60)
        if process.returncode == 0:
            shutil.rmtree(tiny.folder / "run")
            continue
        assert process.returncode == -signal.SIGKILL
        assert not (tiny.folder / "run").exists()
        n_kills += 1
    assert n_kills >= 3
    tiny.run("rank", "tiny", "--chains", "chains", "--out", "run")
    for path in files_in(undisturbed):
        same = tiny.folder / "run" / path.relative_to(undisturbed)
        assert path.read_bytes() == same.read_bytes(), same
    assert sorted(p.name for p in tiny.folder.iterdir()) == ["chains", "run", "tiny"]
    assert len(files_in(tiny.folder / "run")) == len(files_in(undisturbed))
    assert [p.name for p in files_in(tiny.cache) if p.name.startswith(".")] == []
