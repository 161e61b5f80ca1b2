"""Which numbers of channels can be a stage, and what is said of the others."""

import pytest

from chainweigh.hosts.records import audio_refusal


@pytest.mark.parametrize(
    ("n_inputs", "n_outputs", "said"),
    [
        (2, 0, "no audio output"),
        (0, 2, "no audio input: an instrument or generator"),
        (6, 6, "6 inputs and 6 outputs; 1 and 1 or 2 and 2 are needed"),
        (1, 2, "1 inputs and 2 outputs"),
    ],
)
def test_zero_or_many_channels_are_refused_in_words(n_inputs, n_outputs, said):
    assert said in audio_refusal(n_inputs, n_outputs)


@pytest.mark.parametrize("n_channels", [1, 2])
def test_mono_and_stereo_are_taken(n_channels):
    assert audio_refusal(n_channels, n_channels) is None
