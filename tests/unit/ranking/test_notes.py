"""What a run's notes say of its own figures."""

from dataclasses import replace

import numpy as np
import pytest

from chainweigh.measure.summary import measure_file
from chainweigh.ranking.notes import ALWAYS, notes_on


@pytest.fixture(scope="module")
def file():
    noise = np.random.default_rng(1).standard_normal((2, 48000)).astype(np.float32) / 8
    return measure_file(noise, 48000)


@pytest.mark.parametrize("read_dbtp", [None, -1.2, -1.0, -0.996])
def test_a_master_no_meter_reads_above_the_ceiling_gets_no_note(file, read_dbtp):
    assert notes_on(replace(file, true_peak_annex2_dbtp=read_dbtp), -1.0) == ALWAYS


def test_without_a_master_there_is_no_note_on_it():
    assert notes_on(None, -1.0) == ALWAYS


def test_a_meter_that_reads_more_is_named_with_what_to_do(file):
    *_, note = notes_on(replace(file, true_peak_annex2_dbtp=-0.853), -1.0)
    assert "-0.85 dBTP, 0.15 dB above the ceiling" in note
    assert "--ceiling" in note
