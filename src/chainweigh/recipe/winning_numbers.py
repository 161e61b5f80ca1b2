"""The numbers a set won with, of the song and of each place: saved in a recipe, compared later."""

from chainweigh.ranking.results import Candidate, Comparison, Results

SONG_NUMBERS = ("mix_headroom_db", "thdn_with_master_pct", "integrated_lufs")
PLACE_NUMBERS = (
    "loudness_gain_lu",
    "ranked_distortion_pct",
    "thdn_programme_pct",
    "disturbed_pct",
    "disturbed_onsets_pct",
    "punch_loss_db",
    "gain_movement_db",
    "sdr_db",
    "plr_db",
)

Numbers = dict[str, float | None]


def winner_of(comparison: Comparison) -> Candidate:
    """The candidate that stands in the set."""
    return next(c for c in comparison.candidates if c.name == comparison.winner)


def song_numbers(results: Results) -> Numbers:
    """What the whole set gave; None where it is not defined."""
    chosen = results.chosen
    return {name: _of(name, chosen, chosen.master_file) for name in SONG_NUMBERS}


def place_numbers(comparison: Comparison) -> Numbers:
    """What the winner gave, heard over the whole song, and how dense its reference is."""
    won = winner_of(comparison)
    heard = won.in_mix_whole_song or won.in_mix
    records = (won.standing, won.tones, heard, won.programme)
    numbers = {name: _of(name, *records) for name in PLACE_NUMBERS}
    return {**numbers, "plr_db": comparison.reference.plr_db}


def _of(name: str, *records: object) -> float | None:
    """The field of the first record that has it."""
    return next((getattr(record, name) for record in records if hasattr(record, name)), None)
