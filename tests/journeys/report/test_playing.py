"""What the page plays, rendered by an offline audio context and measured in Python.

Loudness is measured by libebur128 (pyebur128): ITU-R BS.1770.
"""

import base64

import numpy as np
import pyebur128
import pytest
import soundfile

RATE_HZ = 48000
FADE_S = 0.02
TO_TEXT = """
const toText = (buffer) => {
  const n = buffer.numberOfChannels, all = new Float32Array(n * buffer.length);
  for (let c = 0; c < n; c++) all.set(buffer.getChannelData(c), c * buffer.length);
  const bytes = new Uint8Array(all.buffer);
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192)
    text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  return btoa(text);
};
const entries = JSON.parse(document.getElementById("listening").textContent);
"""
SIGNALS = f"""{TO_TEXT}
const entry = entries[given[0]], {{ views, ceiling }} = await loadSignals(entry);
const texts = {{}};
for (const [view, buffers] of Object.entries(views)) texts[view] = buffers.map(toText);
return {{ texts, ceiling, entry }};
"""
SWITCHING = f"""{TO_TEXT}
const entry = entries[0], {{ views, nFrames }} = await loadSignals(entry);
const context = new OfflineAudioContext(2, 4 * entry.rate_hz, entry.rate_hz);
const deck = new Deck(context, context.destination, nFrames);
for (const [take, at] of given[0]) deck.play(views.soloed[take], at);
return toText(await context.startRendering());
"""


def from_text(text):
    return np.frombuffer(base64.b64decode(text), dtype="<f4").reshape(2, -1).astype(np.float64)


def loudness_lufs(samples):
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    interleaved = np.ascontiguousarray(samples.T, dtype=np.float64).reshape(-1)
    state.add_frames(interleaved, samples.shape[1])
    return pyebur128.get_loudness_global(state)


@pytest.fixture(scope="module")
def signals(scripts):
    found = scripts.run(("deck", "signals"), SIGNALS, 0)
    found["views"] = {k: [from_text(t) for t in v] for k, v in found.pop("texts").items()}
    return found


def test_every_take_is_as_loud_as_the_reference_soloed_and_in_the_mix(signals):
    for view in ("soloed", "mix"):
        reference, *takes = (loudness_lufs(s) for s in signals["views"][view])
        assert len(takes) == 6
        assert takes == pytest.approx([reference] * len(takes), abs=0.05)


def test_the_song_wide_match_alone_would_be_off_in_this_passage(signals, run_folder):
    """Guards the check above: without the match on the passage it fails."""
    start, stop = (round(signals["entry"][k] * RATE_HZ) for k in ("from_s", "to_s"))
    files = [soundfile.read(run_folder / f"audio/drums/{n}.wav")[0].T for n in ("reference", "1")]
    one, other = (loudness_lufs(f[:, start:stop]) for f in files)
    assert abs(one - other) > 0.5


def test_what_plays_is_the_file_times_one_gain_but_for_24_bits(signals, run_folder):
    start, stop = (round(signals["entry"][k] * RATE_HZ) for k in ("from_s", "to_s"))
    inner = slice(480, -480)  # the seam is faded for 5 ms
    for take, played in zip(
        signals["entry"]["takes"][1:], signals["views"]["soloed"][1:], strict=True
    ):
        file, _ = soundfile.read(run_folder / f"audio/drums/{take['rank']}.wav")
        passage = file.T[:, start:stop][:, inner]
        gain = np.sum(passage * played[:, inner]) / np.sum(passage**2)
        assert np.abs(played[:, inner] - gain * passage).max() < 2**-21


def test_the_mix_is_the_other_groups_and_the_take(signals, run_folder):
    start, stop = (round(signals["entry"][k] * RATE_HZ) for k in ("from_s", "to_s"))
    drums, bass = (
        soundfile.read(run_folder / f"audio/{name}.wav")[0].T[:, start + 480 : stop - 480]
        for name in ("drums/reference", "bass/1")
    )
    assert np.abs(signals["views"]["mix"][0][:, 480:-480] - drums - bass).max() < 2**-21


def test_the_difference_is_the_take_less_the_reference(signals):
    soloed, changed = signals["views"]["soloed"], signals["views"]["difference"]
    assert np.abs(changed[0]).max() == 0
    expected = (soloed[2] - soloed[0])[:, 480:-480]
    assert np.abs(changed[2][:, 480:-480] - expected).max() < 1e-6


def test_at_full_volume_no_take_reaches_full_scale(signals):
    views = signals["views"]
    peak = max(np.abs(s).max() for view in ("soloed", "mix") for s in views[view])
    assert signals["ceiling"] * peak < 1


def test_takes_stay_aligned_to_the_sample_through_switches_and_loops(scripts, signals):
    switches = [(0, 0.0), (2, 0.5), (1, 0.52), (3, 1.9501), (0, 3.5)]
    out = from_text(scripts.run(("deck", "signals"), SWITCHING, switches))
    soloed = signals["views"]["soloed"]
    n_loop = soloed[0].shape[1]
    ends = [at for _, at in switches[1:]] + [4.0]
    for (take, at), end in zip(switches, ends, strict=True):
        frames = np.arange(round((at + 0.03) * RATE_HZ), round(end * RATE_HZ))
        if len(frames):
            expected = soloed[take][:, frames % n_loop]
            assert np.abs(out[:, frames] - expected).max() < 1e-6


def test_a_switch_is_a_straight_cross_fade_of_20_ms_and_nothing_else(scripts, signals):
    out = from_text(scripts.run(("deck", "signals"), SWITCHING, [(0, 0.0), (1, 1.0)]))
    one, other = signals["views"]["soloed"][:2]
    frames = np.arange(RATE_HZ, RATE_HZ + round(FADE_S * RATE_HZ))
    share = (frames - RATE_HZ) / (FADE_S * RATE_HZ)
    at = frames % one.shape[1]
    expected = (1 - share) * one[:, at] + share * other[:, at]
    assert np.abs(out[:, frames] - expected).max() < 1e-5


def test_switching_again_within_a_cross_fade_leaves_no_step(scripts, signals):
    """The fading gains of all voices move by at most a frame's share of two ramps."""
    out = from_text(scripts.run(("deck", "signals"), SWITCHING, [(0, 0.1), (0, 0.105), (0, 0.111)]))
    reference = signals["views"]["soloed"][0]
    frames = np.arange(round(0.1 * RATE_HZ), round(0.14 * RATE_HZ))
    played = reference[:, frames - frames[0]]
    loud = np.abs(played) > 1e-3
    gains = np.where(loud, out[:, frames] / np.where(loud, played, 1.0), np.nan)
    steps = np.abs(np.diff(gains, axis=1))
    assert np.nanmax(steps) < 3 / (FADE_S * RATE_HZ)
