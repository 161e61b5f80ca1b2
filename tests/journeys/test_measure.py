"""chainweigh measure, as a user runs it."""

import csv
import io
import json
import struct
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile

RATE_HZ = 44_100


@pytest.fixture
def pair(place):
    """dry.wav, and wet.wav: the same 3 dB louder, 100 frames late and clipped."""
    rng = np.random.default_rng(11)
    levels = np.repeat(rng.uniform(0.2, 1.0, 20), RATE_HZ // 4)
    dry = 0.1 * levels[:, None] * rng.standard_normal((len(levels), 2))
    wet = np.clip(np.roll(dry, 100, axis=0) * 10 ** (3 / 20), -0.3, 0.3)
    wet[:100] = 0
    write(place, "dry.wav", dry)
    write(place, "wet.wav", wet)
    return place


def write(place, name, samples, rate_hz=RATE_HZ):
    soundfile.write(place.folder / name, samples, rate_hz, subtype="FLOAT")


def write_ten_hours(path, n_channels=1):
    """A 16-bit WAV file of silence whose samples take no room on the disk."""
    n_bytes = 10 * 3600 * RATE_HZ * 2 * n_channels
    head = struct.pack(
        "<4sI4s 4sIHHIIHH 4sI",
        *(b"RIFF", 36 + n_bytes, b"WAVE"),
        *(b"fmt ", 16, 1, n_channels, RATE_HZ, RATE_HZ * 2 * n_channels, 2 * n_channels, 16),
        *(b"data", n_bytes),
    )
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + n_bytes)


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_a_file_against_its_reference_is_matched_and_measured(pair):
    reference, wet = json.loads(
        pair.run("measure", "wet.wav", "--against", "dry.wav", "--json").stdout
    )
    assert reference["file"] == "dry.wav" and "against" not in reference
    held = wet["against"]
    assert held["file"] == "dry.wav"
    assert held["shift_frames"] == 100
    assert held["delay_ms"] == pytest.approx(100 / RATE_HZ * 1000, abs=0.01)
    # 3 dB up, less what the clip took of the energy.
    assert -3 < held["match_gain_db"] < -2
    peaks_db = reference["true_peak_dbtp"] - wet["true_peak_dbtp"]
    gain_lu = held["gain"]["loudness_gain_lu"]
    assert gain_lu == pytest.approx(peaks_db - held["match_gain_db"], abs=0.02) and gain_lu > 2
    assert held["residual"]["sdr_db"] > 5
    assert held["audibility"]["nmr_worst_db"] > held["audibility"]["nmr_mean_db"] > -60


def test_the_tables_name_reference_and_candidates_side_by_side(pair):
    text = pair.run("measure", "wet.wav", "dry.wav", "--against", "dry.wav").stdout
    files, pairs, bands = text.split("\n\n")
    assert files.splitlines()[0].split() == ["measure", "dry.wav", "wet.wav", "dry.wav"]
    assert pairs.splitlines()[0].split() == ["against", "dry.wav", "wet.wav", "dry.wav"]
    assert "identical but for gain and tone" in pairs
    assert "31.5 Hz" in bands and "8000 Hz" in bands


def test_csv_holds_the_numbers_of_json_for_every_file(pair):
    rows = json.loads(pair.run("measure", "wet.wav", "--against", "dry.wav", "--json").stdout)
    text = pair.run("measure", "wet.wav", "--against", "dry.wav", "--csv", "-").stdout
    dry, wet = rows_of(text)
    assert (dry["file"], wet["file"], wet["against"]) == ("dry.wav", "wet.wav", "dry.wav")
    assert dry["match_gain_db"] == dry["against"] == ""
    assert float(wet["integrated_lufs"]) == rows[1]["integrated_lufs"]
    assert float(wet["sdr_db"]) == rows[1]["against"]["residual"]["sdr_db"]
    assert float(wet["dc_offset_2"]) == rows[1]["dc_offset"][1]
    punch = rows[1]["against"]["punch"]["punch_change_db"]
    assert wet["punch_change_db"] == ("" if punch is None else str(punch))


def test_csv_goes_to_a_file_beside_the_table(pair):
    done = pair.run("measure", "dry.wav", "--csv", "out.csv")
    assert "integrated loudness, LUFS" in done.stdout
    assert "out.csv" in done.stderr
    (row,) = rows_of((pair.folder / "out.csv").read_text(encoding="utf-8"))
    assert row["file"] == "dry.wav"


def test_a_file_name_that_a_spreadsheet_would_run_is_text_in_csv(place):
    write(place, "=1+1.wav", np.zeros((1, 1)))
    (row,) = rows_of(place.run("measure", "=1+1.wav", "--csv", "-").stdout)
    assert row["file"] == "'=1+1.wav"


def test_the_series_holds_the_maxima_of_the_table(pair):
    done = pair.run("measure", "dry.wav", "--json", "--series", "s.csv")
    (row,) = json.loads(done.stdout)
    series = rows_of((pair.folder / "s.csv").read_text(encoding="utf-8"))

    def values(name):
        return [float(line[name]) for line in series if line[name]]

    assert series[0]["time_s"] == "0.4"
    assert max(values("momentary_lufs")) == pytest.approx(row["momentary_max_lufs"], abs=1e-9)
    assert max(values("short_term_lufs")) == pytest.approx(row["short_term_max_lufs"], abs=1e-9)
    assert min(values("psr_db")) == pytest.approx(row["psr_min_db"], abs=1e-9)
    # 5 s hold 10 ms steps from 0.4 s and from 3 s, and whole seconds from 3 s.
    assert [len(values(name)) for name in ("momentary_lufs", "short_term_lufs", "psr_db")] == [
        461,
        201,
        3,
    ]


def test_the_plot_is_one_well_formed_drawing_with_the_file_named(pair):
    write(pair, "a & <b>.wav", 0.1 * np.random.default_rng(2).standard_normal((5 * RATE_HZ, 1)))
    pair.run("measure", "a & <b>.wav", "--plot", "p.svg", "--quiet")
    drawing = ElementTree.parse(pair.folder / "p.svg").getroot()
    assert drawing.tag == "{http://www.w3.org/2000/svg}svg"
    texts = [element.text for element in drawing.iter("{http://www.w3.org/2000/svg}text")]
    assert "a & <b>.wav" in texts
    kinds = {e.get("class") for e in drawing.iter("{http://www.w3.org/2000/svg}polyline")}
    assert kinds == {"line momentary", "line short-term", "line psr"}


@pytest.mark.parametrize("n_frames", [1, 17_595, 50_000])
def test_short_and_silent_files_are_drawn_and_listed_too(place, n_frames):
    write(place, "short.wav", np.zeros((n_frames, 1)))
    place.run("measure", "short.wav", "--plot", "p.svg", "--series", "s.csv")
    ElementTree.parse(place.folder / "p.svg")
    for row in rows_of((place.folder / "s.csv").read_text(encoding="utf-8")):
        assert row["momentary_lufs"] == row["short_term_lufs"] == row["psr_db"] == ""


@pytest.mark.parametrize(
    ("samples", "reason"),
    [
        (np.zeros((50_000, 1)), "digital silence"),
        (np.full((1, 1), 0.5), "shorter than one window of 400 ms"),
        (np.full((17_595, 1), 0.1), "shorter than one window of 400 ms"),
    ],
    ids=["silence", "one sample", "399 ms"],
)
def test_what_a_file_does_not_define_has_its_reason(place, samples, reason):
    write(place, "file.wav", samples)
    (row,) = json.loads(place.run("measure", "file.wav", "--json").stdout)
    assert row["integrated_lufs"] is None and row["psr_min_db"] is None
    assert row["undefined"]["integrated_lufs"] == reason
    _, row = json.loads(place.run("measure", "file.wav", "--against", "file.wav", "--json").stdout)
    assert row["against"]["match_gain_db"] is None
    assert reason in row["against"]["undefined"]["match_gain_db"]


def test_a_constant_shows_as_dc_offset_of_its_channel(place):
    write(place, "dc.wav", np.stack([np.full(RATE_HZ, 0.25), np.full(RATE_HZ, -0.5)], axis=1))
    (row,) = json.loads(place.run("measure", "dc.wav", "--json").stdout)
    assert row["dc_offset"] == [0.25, -0.5]
    assert "+0.25000, -0.50000" in place.run("measure", "dc.wav").stdout


def test_ten_hours_are_refused_from_the_header_with_the_limit(place):
    write_ten_hours(place.folder / "ten-hours.wav")
    said = place.run("measure", "ten-hours.wav", code=1).stderr
    assert "1587600000 frames (10 h 00 min 00 s)" in said
    assert "at most 4 GiB, here 1073741824 frames (6 h 45 min 47 s)" in said


def test_a_comparison_has_a_limit_of_its_own(place):
    write_ten_hours(place.folder / "ten-hours.wav")
    said = place.run("measure", "ten-hours.wav", "--against", "ten-hours.wav", code=1).stderr
    assert "to be compared a file may have at most 1 GiB" in said


@pytest.mark.parametrize(
    ("samples", "rate_hz", "parts"),
    [
        (np.zeros((5 * RATE_HZ, 2)), 48_000, ("sample rate is 48000 Hz", "44100 Hz", "resample")),
        (np.zeros((5 * RATE_HZ - 7, 2)), RATE_HZ, ("length is 220493 frames", "220500 frames")),
        (np.zeros((5 * RATE_HZ, 1)), RATE_HZ, ("number of channels is 1", "is 2")),
    ],
    ids=["rate", "length", "channels"],
)
def test_files_that_do_not_match_the_reference_are_refused(pair, samples, rate_hz, parts):
    write(pair, "other.wav", samples, rate_hz)
    said = pair.run("measure", "wet.wav", "other.wav", "--against", "dry.wav", code=1).stderr
    assert "other.wav: " in said and "reference dry.wav" in said
    assert "must be the same" in said
    for part in parts:
        assert part in said


def test_usage_errors_say_what_does_not_go_together(pair):
    said = pair.run("measure", "dry.wav", "wet.wav", "--series", "s.csv", code=2).stderr
    assert "one FILE; 2 are given" in said
    pair.run("measure", "dry.wav", "--json", "--csv", "-", code=2)
    said = pair.run("measure", "dry.wav", "--csv", "a.csv", "--series", "./a.csv", code=2).stderr
    assert "another option" in said


def test_a_file_to_be_measured_is_never_written_over(pair):
    before = (pair.folder / "dry.wav").read_bytes()
    said = pair.run("measure", "dry.wav", "--csv", "./dry.wav", code=2).stderr
    assert "is to be measured" in said
    assert (pair.folder / "dry.wav").read_bytes() == before
