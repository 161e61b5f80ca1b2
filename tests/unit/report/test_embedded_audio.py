"""Audio inside the page: decoded again by soundfile, loudness by pyebur128."""

import base64
import io
from dataclasses import replace

import numpy as np
import pyebur128
import pytest
import soundfile

from chainweigh.audio.files import write_wav
from chainweigh.ranking.listening import ListeningRoom, candidate_sources
from chainweigh.report.embedded_audio import embed
from chainweigh.report.page import Listening, render_page

RATE_HZ = 48000
N_FRAMES = 8 * RATE_HZ
LOUD_S = (4.0, 6.0)


def bursts(seed):
    """Noise, 12 dB louder from 4 s to 6 s."""
    noise = np.random.default_rng(seed).standard_normal((2, N_FRAMES)) * 0.05
    time_s = np.arange(N_FRAMES) / RATE_HZ
    return noise * np.where((time_s >= LOUD_S[0]) & (time_s < LOUD_S[1]), 4.0, 1.0)


def clipped(samples, gain_db):
    return np.clip(samples, -0.25, 0.25) * 10 ** (gain_db / 20)


@pytest.fixture
def run(results, tmp_path):
    """Two groups with audio, in a song without a tempo."""
    drums, bass, _ = results.comparisons
    for seed, comparison in enumerate((drums, bass)):
        dry = bursts(seed)
        files = {comparison.reference_audio: dry}
        for k in comparison.candidates:
            if k.audio:
                files[k.audio] = clipped(dry, k.match_gain_db) if k.stages else dry
        for path, samples in files.items():
            (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
            write_wav(tmp_path / path, samples.astype(np.float32), RATE_HZ)
    return replace(
        results,
        source=replace(results.source, tempo_bpm=None),
        comparisons=(drums, bass),
    )


def decoded(text):
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(text)))
    assert rate == RATE_HZ
    return samples.T


def rooms(run, folder, wanted=None):
    return [ListeningRoom(run, c, candidate_sources(c), folder, wanted) for c in run.comparisons]


def loudness_lufs(samples):
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples.T).reshape(-1), samples.shape[1])
    return pyebur128.get_loudness_global(state)


def test_the_passage_is_the_loudest_of_the_reference(run, tmp_path):
    start, end = rooms(run, tmp_path)[0].span(2.0)
    assert (start, end) == pytest.approx(LOUD_S, abs=0.02)


def test_a_wanted_passage_is_taken_and_shortened_from_its_end(run, tmp_path):
    room = rooms(run, tmp_path, wanted=(1.0, 7.0))[0]
    assert room.span(10.0) == (1.0, 7.0)
    assert room.span(2.5) == (1.0, 3.5)
    assert rooms(run, tmp_path, wanted=(100.0, 107.0))[0].span(2.0) is None


def test_takes_are_the_reference_and_the_best_eight_that_do_anything(run, tmp_path):
    passage = rooms(run, tmp_path)[0].passage(2.0, 8)
    assert [take.source.rank for take in passage.takes] == [None, 1, 2, 3, 4, 6, 7]
    assert len(rooms(run, tmp_path)[0].passage(2.0, 3).takes) == 4


def test_what_is_heard_whole_loses_no_take(run, tmp_path):
    drums = run.comparisons[0]
    room = ListeningRoom(run, drums, candidate_sources(drums), tmp_path, whole=True)
    assert len(room.passage(2.0, 1).takes) == 7


def test_each_take_is_as_loud_as_the_reference_in_the_passage_and_in_the_mix(run, tmp_path):
    passage = rooms(run, tmp_path)[0].passage(2.0, 8)
    reference = passage.takes[0].samples.astype(float)
    for take in passage.takes[1:]:
        soloed = take.samples * 10 ** (take.excerpt_gain_db / 20)
        assert loudness_lufs(soloed) == pytest.approx(loudness_lufs(reference), abs=0.005)
        mix = (passage.others + take.samples) * 10 ** (take.mix_gain_db / 20)
        whole = loudness_lufs(passage.others + reference)
        assert loudness_lufs(mix.astype(float)) == pytest.approx(whole, abs=0.005)


def test_reference_and_difference_add_up_to_the_file_but_for_24_bits(run, tmp_path):
    embedded = embed(rooms(run, tmp_path), None, None, 10**9)[0]
    reference, *differences = map(decoded, embedded.texts)
    takes = embedded.passage.takes
    assert len(differences) == len(takes) - 1
    assert np.abs(embedded.unit * reference - takes[0].samples).max() <= 2**-23
    for take, difference in zip(takes[1:], differences, strict=True):
        gain = 10 ** (take.source.match_gain_db / 20)
        played = gain * embedded.unit * (reference + difference)
        assert np.abs(played - take.samples).max() <= gain * embedded.unit * 2**-23


def test_takes_above_full_scale_are_embedded_whole(run, tmp_path):
    path = run.comparisons[0].reference_audio
    loud = (bursts(0) * 9).astype(np.float32)
    assert np.abs(loud).max() > 4
    write_wav(tmp_path / path, loud, RATE_HZ)
    embedded = embed(rooms(run, tmp_path), None, None, 10**9)[0]
    played = embedded.unit * decoded(embedded.texts[0])
    assert np.abs(played - embedded.passage.takes[0].samples).max() <= embedded.unit * 2**-23


@pytest.mark.parametrize("limit", [20_000_000, 8_000_000, 3_000_000])
def test_passages_are_shortened_until_they_fit(run, tmp_path, limit):
    embedded = embed(rooms(run, tmp_path), None, None, limit)
    assert limit / 3 < sum(e.n_bytes for e in embedded) <= limit


def test_loops_are_whole_bars_where_the_tempo_is_known(run, tmp_path):
    embedded = embed(rooms(run, tmp_path), 100.0, 4, 10**9)[0]
    start, end = embedded.passage.span
    assert end - start == pytest.approx(3 * 4 * 60 / 100)


def test_a_page_whose_audio_is_missing_says_so_and_has_no_loop(run, tmp_path):
    for path in (tmp_path / "audio/drums").iterdir():
        path.unlink()
    page = render_page(run, tmp_path)
    assert "comparison-1-listening" not in page
    assert "comparison-2-listening" in page
    assert 'Audio is missing: <bdi class="path">audio/drums/reference.wav' in page
    assert "Not to be heard in the mix" in page


def test_a_file_that_is_no_audio_is_left_out_and_named(run, tmp_path):
    (tmp_path / "audio/drums/2.wav").write_bytes(b"RIFF")
    passage = rooms(run, tmp_path)[0].passage(2.0, 8)
    assert [take.source.rank for take in passage.takes] == [None, 1, 3, 4, 6, 7]
    assert passage.missing == ("audio/drums/2.wav",)


def test_a_silent_passage_has_no_match_and_invents_none(run, tmp_path):
    silent = np.zeros((2, N_FRAMES), np.float32)
    write_wav(tmp_path / run.comparisons[0].reference_audio, silent, RATE_HZ)
    passage = rooms(run, tmp_path)[0].passage(2.0, 8)
    assert passage.takes[1].excerpt_gain_db is None
    assert "not matched in this passage" in render_page(run, tmp_path).replace("more ", "")


def test_without_audio_the_page_is_small(run, tmp_path):
    page = render_page(run, tmp_path, Listening(with_audio=False))
    assert len(page) < 1_000_000 < len(render_page(run, tmp_path))
    assert "comparison-1-listening" not in page


def test_audio_outside_the_run_folder_is_never_embedded(run, tmp_path):
    run_folder = tmp_path / "inner"
    run_folder.mkdir()
    first = run.comparisons[0]
    outside = replace(run, comparisons=(replace(first, reference_audio="../audio/drums/1.wav"),))
    assert embed(rooms(outside, run_folder), None, None, 10**9) == [None]


def test_where_not_even_a_second_fits_nothing_is_embedded(run, tmp_path):
    assert embed(rooms(run, tmp_path), None, None, 100_000) == [None, None]
