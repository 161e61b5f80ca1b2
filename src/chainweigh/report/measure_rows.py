"""Which measures of files and pairs are shown, in which order, under which words.

A row is the path of a field from the record it starts in, and its label; the unit is the field's
suffix. Table and CSV are made from the same rows.
"""

import math

from chainweigh.measure.comparison import PairMeasures
from chainweigh.measure.summary import FileMeasures
from chainweigh.report.formats import number, plain, reason, signed

Row = tuple[str, str]
Value = float | int | str | tuple[float | None, ...] | None

FILE_ROWS: tuple[Row, ...] = (
    ("integrated_lufs", "integrated loudness"),
    ("momentary_max_lufs", "momentary maximum (400 ms)"),
    ("short_term_max_lufs", "short-term maximum (3 s)"),
    ("lra_lu", "loudness range"),
    ("true_peak_dbtp", "true peak, precise (16x)"),
    ("true_peak_annex2_dbtp", "true peak, BS.1770 Annex 2"),
    ("sample_peak_dbfs", "sample peak"),
    ("rms_db", "RMS, plain (full-scale sine -3.01)"),
    ("rms_aes17_dbfs", "RMS, AES17 (full-scale sine 0)"),
    ("rms_max_300ms_db", "maximum RMS over 300 ms, plain"),
    ("crest_db", "crest factor"),
    ("plr_db", "peak to loudness ratio (PLR)"),
    ("psr_min_db", "least peak to short-term ratio (PSR)"),
    ("dc_offset", "DC offset of each channel, full scale 1"),
)
PAIR_ROWS: tuple[Row, ...] = (
    ("match_gain_db", "gain that matched the loudness"),
    ("delay_ms", "delay"),
    ("shift_frames", "moved earlier by"),
    ("gain.loudness_gain_lu", "loudness gain at equal true peak"),
    ("gain.tone_gain_lu", "of it by tone alone"),
    ("gain.loudness_gain_less_tone_lu", "loudness gain less tone"),
    ("residual.sdr_db", "fitted reference over residual (SDR)"),
    ("residual.residual_pct", "residual"),
    ("residual.low_band_residual_db", "residual 30 to 80 Hz re that band"),
    ("residual.gain_movement_db", "gain movement"),
    ("residual.gain_low_s", "which is low at"),
    ("audibility.nmr_mean_db", "noise to mask ratio, mean"),
    ("audibility.nmr_worst_db", "noise to mask ratio, worst frame"),
    ("audibility.disturbed_pct", "disturbed frames, worst 10 s"),
    ("audibility.disturbed_onsets_pct", "disturbed onsets"),
    ("audibility.worst_signal", "worst heard in"),
    ("audibility.worst_moments_s", "worst moments"),
    ("punch.punch_change_db", "loudest hits above 200 Hz, mean change"),
    ("punch.punch_worst_db", "loudest hits above 200 Hz, worst"),
    ("punch.punch_worst_s", "which begins at"),
    ("punch.punch_low_change_db", "loudest hits below 200 Hz, mean change"),
    ("punch.punch_low_worst_db", "loudest hits below 200 Hz, worst"),
    ("punch.punch_low_worst_s", "which begins at"),
    ("spectrum.largest_change_db", "largest third-octave change"),
    ("spectrum.largest_change_hz", "in the band at"),
    ("spectrum.flagged_hz", "over 1 dB between 30 and 120 Hz"),
    ("image.correlation_change", "correlation, change"),
    ("image.side_to_middle_change_db", "side re middle, change"),
    ("image.fold_down_loss_change_lu", "lost when folded down to mono, change"),
    ("image.fold_down_flagged", "loses over 1 LU more folded down"),
    ("contrast.contrast_change_lu", "loudest less quietest tenth, change"),
    ("contrast.quiet_change_lu", "quietest tenth, change"),
)
SIGNED = frozenset(
    {
        "match_gain_db",
        "delay_ms",
        "loudness_gain_lu",
        "tone_gain_lu",
        "loudness_gain_less_tone_lu",
        "punch_change_db",
        "punch_worst_db",
        "punch_low_change_db",
        "punch_low_worst_db",
        "largest_change_db",
        "correlation_change",
        "side_to_middle_change_db",
        "fold_down_loss_change_lu",
        "contrast_change_lu",
        "quiet_change_lu",
    }
)
PREFERRED = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
UNITS = {"delay_ms": "ms"}  # besides those of `formats`


def field_of(row: Row) -> str:
    """Name of the field a row shows: its key in CSV."""
    return row[0].rsplit(".", 1)[-1]


def look_up(record: FileMeasures | PairMeasures, row: Row) -> tuple[Value, str]:
    """A row's value, and why it is None."""
    holder: object = record
    *records, field = row[0].split(".")
    for name in records:
        holder = getattr(holder, name)
    value: Value = getattr(holder, field)
    if isinstance(value, tuple) and None in value:
        value = None
    return value, reason(getattr(holder, "undefined", None), field)


def bands_of(pair: PairMeasures) -> dict[str, tuple[float | None, str]]:
    """Change of each third octave in dB by its nominal centre, and why it is None."""
    spectrum = pair.spectrum
    return {
        nominal_hz(hz): (change, reason(spectrum.undefined, f"change_db at {hz:.4g} Hz"))
        for hz, change in zip(spectrum.centres_hz, spectrum.change_db, strict=True)
    }


def nominal_hz(centre_hz: float) -> str:
    """Nominal centre of a third octave, from its exact one (IEC 61260-1, preferred numbers)."""
    decade, place = divmod(round(10 * math.log10(centre_hz)), 10)
    return f"{PREFERRED[place] * 10**decade:g}"


def shown(row: Row, value: Value) -> str:
    """A value as the table shows it; an empty list reads none."""
    field = field_of(row)
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if field == "flagged_hz" and isinstance(value, tuple):
        return ", ".join(nominal_hz(hz) for hz in value if hz is not None) or "none"
    if isinstance(value, tuple):
        digits = 5 if field == "dc_offset" else 1
        write = signed if field == "dc_offset" else plain
        return ", ".join(write(item, digits) for item in value if item is not None) or "none"
    if field == "largest_change_hz" and value is not None:
        return nominal_hz(value)
    if value is None:
        raise TypeError(f"{field} is undefined: it has a reason, not a text")
    return signed(value) if field in SIGNED else number(field, value)
