"""Note values: their length at a tempo, kept as written, refused without a tempo."""

import numpy as np
import pytest

from chainweigh.chain.files import parse_chain
from chainweigh.errors import ChainFileError, RenderError
from chainweigh.render.chain_run import render_chain

RATE_HZ = 48_000


def echo_chain(time):
    stage = {"effect": "echo", "time": time}
    table = {"name": "x", "scope": "bus", "stage": [stage]}
    (chain,) = parse_chain(table, where="x.toml")
    return chain


@pytest.mark.parametrize(
    ("note", "tempo_bpm", "expected_ms"),
    [  # a quarter note lasts 60 000 ms / BPM
        ("1/4", 120.0, 500.0),
        ("1/16", 120.0, 125.0),
        ("3/16", 128.0, 351.5625),
        ("1/12", 90.0, 222.222),
        ("1/1", 96.0, 2500.0),
    ],
)
def test_a_note_value_lasts_its_share_of_four_quarter_notes(note, tempo_bpm, expected_ms):
    chain = echo_chain(note).at_tempo(tempo_bpm)
    assert chain.stages[0].completed()["time"] == pytest.approx(expected_ms, abs=6e-4)
    assert chain.stages[0].written() == {"time": note}
    assert chain.tail_frames(RATE_HZ) == pytest.approx(expected_ms * RATE_HZ / 1000, abs=1)


def test_a_note_value_is_rendered_as_the_time_it_lasts():
    hit = np.zeros((1, RATE_HZ), np.float32)
    hit[0, 100] = 1
    run = render_chain(echo_chain("1/16").at_tempo(150.0), hit, RATE_HZ)
    assert np.flatnonzero(run.samples[0]).tolist() == [100, 100 + RATE_HZ // 10]
    assert run.stages[0].settings["time"] == 100.0


def test_without_a_tempo_the_render_says_what_is_missing():
    chain = echo_chain("1/8")
    chain.check_at_rate(RATE_HZ)
    with pytest.raises(RenderError, match=r'"time" is 1/8 of a whole note, but no tempo .* ms'):
        render_chain(chain, np.ones((1, 100), np.float32), RATE_HZ)


def test_a_note_too_long_at_the_tempo_is_refused_before_rendering():
    chain = echo_chain("2/1").at_tempo(40.0)
    with pytest.raises(ChainFileError, match=r'"time" is 12000 ms; allowed: 1 to 5000 ms'):
        chain.check_at_rate(RATE_HZ)


@pytest.mark.parametrize("note", ["0/4", "1/0"])
def test_a_note_of_no_length_is_refused(note):
    with pytest.raises(ChainFileError, match=f'"{note}" is not a note value, such as "1/16"'):
        echo_chain(note)


def test_a_time_without_a_unit_hints_at_note_values():
    with pytest.raises(ChainFileError, match='use ms or s, or a note value such as "1/16"'):
        echo_chain("5")
